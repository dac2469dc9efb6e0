"""Runs of plain lines of program text, read straight from its bytes into columns of moves.

A *plain line* holds nothing but N (first), G0 to G3, G61, G64, X Y Z I J F with decimal numbers, and blanks. The caller
sees to it that such a line means no more here than it says: G94, G17, no cycle, no cutter compensation, position and
length known. On any doubt (another character, a word twice, a number too long to be exact, anything that would be a
finding) the line is left alone and the reader proper, which is the law, reads it. So this file decides nothing.

Numbers: digits without their point are a whole number m below 2^53, the point stands k <= 22 places from the right, and
m / 10^k is then the double nearest to the text, since m and 10^k are exact and IEEE division rounds correctly (from
memory: W. D. Clinger, How to Read Floating Point Numbers Accurately, PLDI 1990). That is what `float()` gives.
"""

import math

import numpy as np
from numba import njit

# Places in `numbers` and `integers`, state in and out.
X, Y, Z, FEED, UNIT, SHIFT_X, SHIFT_Y, SHIFT_Z, NOSE_LOW, NOSE_HIGH, LENGTH, MISMATCH, SHORT, NOISE, LARGEST = range(15)
MOTION, ABSOLUTE, TURNING, PATH, G64_ALLOWED, AT, LINE, ROWS, Z_SEEN, MOVED, LONGEST = range(11)
N_NUMBERS, N_INTEGERS = 15, 11

_MOST_MANTISSA = 900_719_925_474_098  # ten times this and nine more is below 2^53
_MOST_PLACES = 22
_POWERS = np.array([10.0**k for k in range(_MOST_PLACES + 1)])
_LF, _CR, _TAB, _BLANK, _PLUS, _MINUS, _POINT, _ZERO, _NINE = 10, 13, 9, 32, 43, 45, 46, 48, 57
_A_UPPER, _A_LOWER, _Z_LOWER, _G, _N = 65, 97, 122, 71, 78
_LETTERS = "XYZIJF"
_SLOT = np.full(26, -1, np.int64)  # letter -> place among the values of a line
for _i, _letter in enumerate(_LETTERS):
    _SLOT[ord(_letter) - _A_UPPER] = _i


@njit(cache=True, nogil=True)
def plain_lines(text, numbers, integers, kind, start, end, centre, feed, line, blend, exact):
    """Read plain lines of `text` (bytes) from `integers[AT]` on, until one is not plain or the columns are full.

    `numbers` and `integers` hold the state, and get it back as it is after the last line read; AT is then the
    beginning of the first line not read, LINE its number, ROWS the rows used. Lengths mm, feeds mm/min.
    """
    size = text.shape[0]
    room = kind.shape[0]
    x, y, z, feed_now = numbers[X], numbers[Y], numbers[Z], numbers[FEED]
    unit = numbers[UNIT]
    motion, path, row = integers[MOTION], integers[PATH], integers[ROWS]
    at, number = integers[AT], integers[LINE]
    values = np.zeros(6)
    while at < size and row < room:
        # --- words
        p = at
        seen = 0
        new_motion = -1
        new_path = -1
        first = True
        fine = True
        stop = size
        following = size
        while p < size:
            c = text[p]
            if c == _LF:
                stop = p
                following = p + 1
                break
            if c == _CR:
                if p + 1 < size and text[p + 1] != _LF:
                    fine = False
                stop = p
                following = min(p + 2, size)
                break
            p += 1
            if c in (_BLANK, _TAB):
                continue
            if _A_LOWER <= c <= _Z_LOWER:
                c = c - 32
            letter = c - _A_UPPER
            if letter < 0 or letter > 25:
                fine = False
                break
            # --- its number
            mantissa = 0
            digits = 0
            places = -1
            negative = False
            signed = False
            while p < size:
                d = text[p]
                if _ZERO <= d <= _NINE:
                    if mantissa > _MOST_MANTISSA:
                        fine = False
                        break
                    mantissa = mantissa * 10 + (d - _ZERO)
                    digits += 1
                    if places >= 0:
                        places += 1
                elif d == _POINT and places < 0:
                    places = 0
                elif d in (_MINUS, _PLUS) and digits == 0 and places < 0 and not signed:
                    signed = True
                    negative = d == _MINUS
                elif d not in (_BLANK, _TAB):
                    break
                p += 1
            if not fine or digits == 0 or places > _MOST_PLACES:
                fine = False
                break
            if c == _G:
                if places >= 0 or signed:
                    fine = False
                    break
                if mantissa <= 3 and new_motion < 0:
                    new_motion = mantissa
                elif new_path < 0 and (mantissa == 61 or (mantissa == 64 and integers[G64_ALLOWED] != 0)):
                    new_path = mantissa * 10
                else:
                    fine = False
                    break
            elif c == _N:
                if not first or places >= 0 or signed or digits > 5:
                    fine = False
                    break
            else:
                slot = _SLOT[letter]
                if slot < 0 or (seen >> slot) & 1:
                    fine = False
                    break
                value = float(mantissa)
                if places > 0:
                    value = value / _POWERS[places]
                if not value <= numbers[LARGEST]:
                    fine = False
                    break
                values[slot] = -value if negative else value
                seen |= 1 << slot
            first = False
        if not fine or stop - at > integers[LONGEST]:
            break
        # --- what they mean
        has_x, has_y, has_z = (seen & 1) != 0, (seen & 2) != 0, (seen & 4) != 0
        has_i, has_j, has_f = (seen & 8) != 0, (seen & 16) != 0, (seen & 32) != 0
        moves = has_x or has_y or has_z
        code = new_motion if new_motion >= 0 else motion
        if new_motion >= 0 and not moves:
            break
        if (has_i or has_j) and (not moves or code < 2):
            break
        now = feed_now
        if has_f:
            if values[5] < 0.0:
                break
            now = values[5] * unit
        if moves:
            if code > 0 and (now <= 0.0 or integers[TURNING] == 0):
                break
            if integers[ABSOLUTE] != 0:
                to_x = values[0] * unit + numbers[SHIFT_X] if has_x else x
                to_y = values[1] * unit + numbers[SHIFT_Y] if has_y else y
                to_z = values[2] * unit + numbers[SHIFT_Z] if has_z else z
            else:
                to_x = x + (values[0] if has_x else 0.0) * unit
                to_y = y + (values[1] if has_y else 0.0) * unit
                to_z = z + (values[2] if has_z else 0.0) * unit
            nose = numbers[LENGTH] + to_z
            if not (numbers[NOSE_LOW] <= nose and nose <= numbers[NOSE_HIGH]):
                break
            mid_x, mid_y = 0.0, 0.0
            if code >= 2:
                if not (has_x or has_y) or not (has_i or has_j):
                    break
                mid_x = x + (values[3] if has_i else 0.0) * unit
                mid_y = y + (values[4] if has_j else 0.0) * unit
                radius = math.sqrt((x - mid_x) * (x - mid_x) + (y - mid_y) * (y - mid_y))
                last = math.sqrt((to_x - mid_x) * (to_x - mid_x) + (to_y - mid_y) * (to_y - mid_y))
                # Both roots carry some rounding: near a limit the reader proper decides.
                noise = numbers[NOISE] * (1.0 + radius)
                if not (abs(radius - last) < numbers[MISMATCH] - noise and radius > numbers[SHORT]):
                    break
                gone_x, gone_y = to_x - x, to_y - y
                gone = math.sqrt(gone_x * gone_x + gone_y * gone_y)
                if (gone_x != 0.0 or gone_y != 0.0) and gone < numbers[SHORT] + noise:
                    break
            if new_path >= 0:
                path = new_path
            kind[row] = code
            start[row, 0], start[row, 1], start[row, 2] = x, y, z
            end[row, 0], end[row, 1], end[row, 2] = to_x, to_y, to_z
            centre[row, 0], centre[row, 1] = mid_x, mid_y
            feed[row] = now if code > 0 else 0.0
            line[row] = number
            blend[row] = path == 640
            exact[row] = path == 611
            row += 1
            x, y, z = to_x, to_y, to_z
            motion = code
            integers[MOVED] = 1
            if has_z:
                integers[Z_SEEN] = 1
        elif new_path >= 0:
            path = new_path
        feed_now = now
        at = following
        number += 1
    numbers[X], numbers[Y], numbers[Z], numbers[FEED] = x, y, z, feed_now
    integers[MOTION], integers[PATH], integers[ROWS] = motion, path, row
    integers[AT], integers[LINE] = at, number
