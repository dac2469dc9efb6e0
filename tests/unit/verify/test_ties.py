"""When pieces come free: plates of cells by hand, and a flood fill after every move as the second method."""

from __future__ import annotations

from collections import deque

import numpy as np
import pytest

from pipeline.kernels import verify_ties as kernel
from pipeline.verify.ties import LEAST_WASTE_MM2, NEVER, CutTimes, Piece, find_ties
from tests.unit.verify.by_hand import box, placed, prism, setup

CELL = 0.5


class Plate:
    """A plate of cells to be cut by hand: lower-left corner of the first cell at 0, 0."""

    def __init__(self, width: float, height: float, cell: float = CELL):
        shape = round(height / cell), round(width / cell)
        self.cell, self.width, self.height = cell, width, height
        self.plate = np.ones(shape, dtype=np.bool_)
        self.tied = np.full(shape, NEVER, dtype=np.int32)
        self.severed = np.full(shape, NEVER, dtype=np.int32)

    def cut(self, x0: float, y0: float, x1: float, y1: float, move: int, *, through: bool = False) -> Plate:
        """Down in this box by this move, if it was not before."""
        rows, cols = (slice(round(a / self.cell), round(b / self.cell)) for a, b in ((y0, y1), (x0, x1)))
        for times in (self.tied, self.severed) if through else (self.tied,):
            times[rows, cols] = np.minimum(times[rows, cols], move)
        return self

    def ring(self, x0: float, y0: float, x1: float, y1: float, width: float, first: int, *, through: bool = False):
        """A kerf outside this box, its sides cut by four moves from `first` on: lower, right, upper, left."""
        a, b, c, d = x0 - width, y0 - width, x1 + width, y1 + width
        for k, side in enumerate(((a, b, c, y0), (x1, b, c, d), (a, y1, c, d), (a, b, x0, d))):
            self.cut(*side, first + k, through=through)
        return self

    def times(self) -> CutTimes:
        half = self.cell / 2
        return CutTimes(x0_mm=half, y0_mm=half, cell_mm=self.cell, plate=self.plate, tied=self.tied,
                        severed=self.severed)  # fmt: skip

    def setup(self, *parts: tuple[str, float, float, float, float]):
        """The setup with a block for each (name, x0, y0, x1, y1)."""
        blocks = [placed(prism(box(c - a, d - b), 3.0), a, b, 1.0, part_id=name) for name, a, b, c, d in parts]
        return setup(box(self.width, self.height), top=5.0, skin=0.3, parts=tuple(blocks))


A, B = ("a", 5.0, 5.0, 15.0, 15.0), ("b", 25.0, 5.0, 35.0, 15.0)


def by_name(pieces: tuple[Piece, ...]) -> dict[str, Piece]:
    return {piece.what: piece for piece in pieces}


def test_two_squares_one_after_the_other():
    plate = Plate(40, 20).ring(*A[1:], 2.0, 10).ring(*B[1:], 2.0, 20)
    a, b = find_ties(plate.times(), plate.setup(A, B))
    assert (a.what, a.tied, a.severed) == ("a", 13, NEVER) and (b.what, b.tied, b.severed) == ("b", 23, NEVER)
    assert a.area_mm2 == b.area_mm2 == pytest.approx(100.0)
    assert a.at_mm == pytest.approx((10, 10)) and b.at_mm == pytest.approx((30, 10))
    assert a.skin_mm == pytest.approx(40.0) and b.skin_mm == pytest.approx(40.0)
    assert list(a.skin_left_mm(np.array([0, 13, 1000]))) == pytest.approx([40, 40, 40])
    assert a.n_skin == 80 and list(a.skin_gap_mm) == [2.0] * 80  # kerfs of 2 mm all round
    low, high = a.skin_xy.min(axis=0), a.skin_xy.max(axis=0)
    assert list(low) == pytest.approx([5, 5]) and list(high) == pytest.approx([15, 15])


def test_nothing_is_cut():
    plate = Plate(40, 20)
    a, b = find_ties(plate.times(), plate.setup(A, B))
    assert (a.tied, a.severed, b.tied, b.severed) == (NEVER,) * 4
    assert a.skin_mm == 0 and a.area_mm2 == pytest.approx(100.0)  # its own cells, not those of the plate it is part of


def test_a_part_that_is_not_cut_round_stays():
    plate = Plate(40, 20).ring(*A[1:], 2.0, 10).cut(23, 3, 37, 5, 20).cut(23, 15, 37, 17, 21)
    a, b = find_ties(plate.times(), plate.setup(A, B))
    assert a.tied == 13 and (b.tied, b.severed) == (NEVER, NEVER)


def test_a_tab_holds_until_it_goes():
    plate = Plate(40, 20).ring(*A[1:], 2.0, 10)
    plate.tied[16:20, 30:34] = NEVER  # a tab 2 mm wide across the right side of the kerf
    with_tab = find_ties(plate.times(), plate.setup(A))[0]
    assert (with_tab.tied, with_tab.severed) == (NEVER, NEVER)
    plate.cut(15, 8, 17, 10, 99)
    assert find_ties(plate.times(), plate.setup(A))[0].tied == 99


def test_a_tab_that_is_cut_halfway_is_a_tab():
    plate = Plate(40, 20).ring(*A[1:], 2.0, 10)
    plate.tied[16:20, 30:34] = NEVER
    plate.cut(15, 8, 17, 9.5, 50)  # one row of cells is left
    assert find_ties(plate.times(), plate.setup(A))[0].tied == NEVER


def test_a_corner_holds_nothing():
    """Two cells that meet in a corner, the other two down: joined by a point."""
    plate = Plate(4, 4, 1.0)
    plate.tied[:] = 5
    plate.tied[0, 0] = plate.tied[2:, 2:] = plate.tied[1, 1] = NEVER
    piece = find_ties(plate.times(), plate.setup(("a", 0, 0, 1, 1)))[0]
    assert piece.tied == 5


def test_severed_later_and_the_skin_goes_with_the_cuts():
    plate = Plate(40, 20).ring(*A[1:], 2.0, 10).ring(*A[1:], 2.0, 30, through=True)
    a = find_ties(plate.times(), plate.setup(A))[0]
    assert (a.tied, a.severed) == (13, 33)
    left = a.skin_left_mm(np.array([29, 30, 31, 32, 33, 34]))
    assert left == pytest.approx([40, 30, 20, 10, 0, 0])  # a side goes with each move


def test_cut_through_at_once():
    plate = Plate(40, 20).ring(*A[1:], 2.0, 10, through=True)
    a = find_ties(plate.times(), plate.setup(A))[0]
    assert (a.tied, a.severed) == (13, 13)


def test_nested_rings_go_with_the_first_that_closes():
    """The inner part is freed with the ring of waste round it when that comes free first."""
    inner, around = ("a", 15.0, 15.0, 25.0, 25.0), (8.0, 8.0, 32.0, 32.0)
    plate = Plate(40, 40).ring(*inner[1:], 2.0, 50).ring(*around, 2.0, 10)
    pieces = find_ties(plate.times(), plate.setup(inner))
    assert [p.what for p in pieces] == ["a", "waste"]
    a, waste = pieces
    assert (a.tied, waste.tied) == (13, 13)
    assert a.area_mm2 == pytest.approx(100) and waste.area_mm2 == pytest.approx(24**2 - 14**2)
    plate = Plate(40, 40).ring(*inner[1:], 2.0, 10).ring(*around, 2.0, 50)
    a, waste = find_ties(plate.times(), plate.setup(inner))
    assert (a.tied, waste.tied) == (13, 53)


def test_a_part_at_the_edge_of_the_plate():
    """Three sides of kerf and the plate's own edge: nothing joins it there, and no skin either."""
    plate = Plate(40, 20).cut(10, 5, 20, 7, 3).cut(10, 0, 12, 7, 4).cut(18, 0, 20, 7, 5)
    a = find_ties(plate.times(), plate.setup(("a", 12.0, 0.0, 18.0, 5.0)))[0]
    assert (a.tied, a.severed) == (5, NEVER)
    assert a.skin_mm == pytest.approx(22 * 16 / 22)  # 6 + 5 + 5 of an outline of 22


def test_skin_that_ends_at_the_edge_of_the_plate_spans_to_nothing():
    plate = Plate(40, 20).ring(*A[1:], 2.0, 10).cut(0, 0, 3, 20, 14)
    a = find_ties(plate.times(), plate.setup(A))[0]
    assert sorted(set(a.skin_gap_mm)) == [2.0, np.inf] and np.sum(np.isinf(a.skin_gap_mm)) == 20  # the left side


def test_waste_of_some_size_is_told_and_slivers_are_not():
    side = (LEAST_WASTE_MM2**0.5) // CELL * CELL
    plate = Plate(40, 20).ring(5, 5, 5 + side, 5 + side, 1.0, 10).ring(20, 5, 21 + side, 6 + side, 1.0, 20)
    pieces = find_ties(plate.times(), plate.setup())
    assert [(p.what, p.tied) for p in pieces] == [("waste", 23)]
    assert pieces[0].skin_mm <= 4 * (1 + side)


def test_a_slanting_border_is_not_made_longer():
    """A diamond: the stairs of cells are sqrt(2) longer than its edges, the tie is not."""
    plate = Plate(60, 60)
    row, col = np.mgrid[0:120, 0:120]
    far = (abs(row - 59.5) + abs(col - 59.5)) * CELL
    plate.tied[(far > 20) & (far < 24)] = 1
    (piece,) = find_ties(plate.times(), plate.setup())
    assert piece.what == "waste" and piece.tied == 1
    assert 0.95 * 4 * 20 * 2**0.5 <= piece.skin_mm <= 4 * 20.5 * 2**0.5


def test_a_hole_in_a_part_ties_nothing():
    plate = Plate(40, 20).ring(*A[1:], 2.0, 10).cut(8, 8, 12, 12, 5)
    a = find_ties(plate.times(), plate.setup(A))[0]
    assert a.skin_mm == pytest.approx(40.0) and a.area_mm2 == pytest.approx(84.0) and a.tied == 13


def test_a_part_cut_to_nothing_is_left_out():
    plate = Plate(40, 20).cut(0, 0, 20, 20, 7)
    assert [p.what for p in find_ties(plate.times(), plate.setup(A, B))] == ["b"]
    assert find_ties(Plate(40, 20).cut(0, 0, 40, 20, 7).times(), plate.setup(A, B)) == ()


def test_cells_beside_the_plate_join_nothing():
    plate = Plate(40, 20).cut(20, 0, 22, 10, 4)
    plate.plate[20:, 40:44] = False  # a notch in the plate's edge, in line with the slot
    (piece,) = find_ties(plate.times(), plate.setup())
    assert (piece.what, piece.tied) == ("waste", 4)


def test_a_part_goes_with_the_half_it_is_in():
    plate = Plate(40, 20).cut(18, 0, 20, 20, 4)
    (a,) = find_ties(plate.times(), plate.setup(A))
    assert (a.what, a.tied) == ("a", 4) and a.area_mm2 == pytest.approx(18 * 20)


# --- the second method -----------------------------------------------------------------------------------------------


def flood(alive: np.ndarray, row: int, col: int) -> np.ndarray:
    seen = np.zeros_like(alive)
    seen[row, col] = True
    queue = deque([(row, col)])
    while queue:
        r, c = queue.popleft()
        for rr, cc in ((r - 1, c), (r + 1, c), (r, c - 1), (r, c + 1)):
            if 0 <= rr < alive.shape[0] and 0 <= cc < alive.shape[1] and alive[rr, cc] and not seen[rr, cc]:
                seen[rr, cc] = True
                queue.append((rr, cc))
    return seen


@pytest.mark.parametrize("seed", range(20))
def test_against_a_flood_fill_after_every_move(seed: int):
    rng = np.random.default_rng(seed)
    plate = Plate(16, 12, 1.0)
    for move in range(60):
        x, y = rng.integers(0, 14), rng.integers(0, 10)
        if rng.random() < 0.5:
            plate.cut(x, y, x + rng.integers(1, 8), y + 1, move, through=bool(rng.random() < 0.3))
        else:
            plate.cut(x, y, x + 1, y + rng.integers(1, 8), move, through=bool(rng.random() < 0.3))
    plate.tied[2:4, 2:4] = plate.tied[8:10, 11:14] = plate.severed[2:4, 2:4] = plate.severed[8:10, 11:14] = NEVER
    parts = ("a", 2.0, 2.0, 4.0, 4.0), ("b", 11.0, 8.0, 14.0, 10.0)
    pieces = find_ties(plate.times(), plate.setup(*parts))
    assert {"a", "b"} <= set(by_name(pieces))
    bodies = [flood(plate.tied == NEVER, *divmod(int(k), 16)) for k in np.flatnonzero(plate.tied == NEVER)]
    outside = np.ones_like(plate.plate)
    outside[2:4, 2:4] = outside[8:10, 11:14] = False
    frame = bodies[int(np.argmax([np.sum(body & outside) for body in bodies]))]
    row, col = (int(k[0]) for k in np.nonzero(frame))
    for piece in pieces:
        for times, found in ((plate.tied, piece.tied), (plate.severed, piece.severed)):
            joined = [t for t in range(-1, 60) if flood(times > t, row, col).ravel()[piece.cells[0]]]
            expected = NEVER if joined[-1] == 59 else joined[-1] + 1
            assert found == expected, piece.what


def test_a_large_plate_at_once():
    """Half a million cells and 24 parts: a question of a moment, and the same twice."""
    plate = Plate(350, 340)
    parts = []
    for k in range(24):
        x, y = 20.0 + 50 * (k % 6), 20.0 + 80 * (k // 6)
        parts.append((f"p{k}", x, y, x + 30, y + 50))
        plate.ring(*parts[-1][1:], 3.0, 4 * k)
    first, second = (find_ties(plate.times(), plate.setup(*parts)) for _ in range(2))
    assert [p.tied for p in first] == [4 * k + 3 for k in range(24)] == [p.tied for p in second]
    assert all(np.array_equal(p.cells, q.cells) for p, q in zip(first, second, strict=True))


@pytest.mark.parametrize("seed", range(5))
def test_labels_against_flood_fills(seed: int):
    mask = np.random.default_rng(seed).random((17, 23)) < 0.25 + 0.12 * seed
    bodies, size, first, box = kernel.label(mask)
    assert np.array_equal(bodies < 0, ~mask)
    for k in range(len(size)):
        rows, cols = np.nonzero(bodies == k)
        assert np.array_equal(flood(mask, rows[0], cols[0]), bodies == k)
        assert first[k] == rows[0] * 23 + cols[0] and size[k] == len(rows)
        assert list(box[k]) == [rows.min(), rows.max(), cols.min(), cols.max()]
    assert list(first) == sorted(first)
    empty, none, _, _ = kernel.label(np.zeros((3, 0), dtype=np.bool_))
    assert empty.shape == (3, 0) and len(none) == 0


@pytest.mark.parametrize("seed", range(5))
def test_the_edges_toward_skin_one_by_one(seed: int):
    rng = np.random.default_rng(seed)
    plate = rng.random((14, 18)) < 0.95
    tied = np.where(rng.random((14, 18)) < 0.5, NEVER, rng.integers(-1, 30, (14, 18))).astype(np.int32)
    bodies, size, _, _ = kernel.label(plate & (tied == NEVER))
    body = int(size.argmax())
    foot = rng.random((6, 7)) < 0.5
    on_foot = np.zeros_like(plate)
    on_foot[4:10, 5:12] = foot
    own = bodies[2:14, 1:18] == body
    edges, expected = 0, []
    for down, right in ((1, 0), (-1, 0), (0, 1), (0, -1)):
        for i, j in np.argwhere(own):
            row, col = i + 2 + down, j + 1 + right
            inside = 0 <= row < 14 and 0 <= col < 18
            if inside and (bodies[row, col] == body or on_foot[row, col]):
                continue
            edges += 1
            if inside and plate[row, col] and 0 <= tied[row, col] < NEVER:
                r, c, n = row, col, 0
                while 0 <= r < 14 and 0 <= c < 18 and plate[r, c] and bodies[r, c] < 0:
                    r, c, n = r + down, c + right, n + 1
                spans = 0 <= r < 14 and 0 <= c < 18 and plate[r, c]
                expected.append((row, col, down, right, n if spans else 0))
    n_edges, rows, cols, ways, gaps = kernel.skin_edges(bodies, body, own, 2, 1, foot, 4, 5, plate, tied)
    assert n_edges == edges and len(expected) > 5
    assert np.column_stack([rows, cols, ways, gaps]).tolist() == [[int(v) for v in e] for e in expected]


def test_widening_against_all_distances():
    rng = np.random.default_rng(5)
    rows, cols = np.nonzero(rng.random((20, 24)) < 0.15)
    rows, cols = np.append(rows, [8, 8, 8, 9, 9, 9, 10, 10, 10]), np.append(cols, [8, 9, 10] * 3)
    far = np.hypot(*(np.mgrid[0:20, 0:24][:, :, :, None] - np.array([rows, cols])[:, None, None, :])).min(axis=2)
    for reach in (0.0, 0.71, 1.0, 2.5, 4.0, 5.0, 7.3):
        assert np.array_equal(kernel.widen(rows, cols, reach, 20, 24), far <= reach)
