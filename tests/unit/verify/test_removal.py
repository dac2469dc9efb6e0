"""The stock field against closed forms, brute force and itself."""

from __future__ import annotations

import dataclasses
import json
import math
import os
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest

from pipeline.kernels import verify_removal as kernel
from pipeline.model.shop import CutterKind
from pipeline.verify.removal import Removal, Tile, grid_over, simulate
from pipeline.verify.tools import tool_table
from tests.unit.verify import by_hand
from tests.unit.verify.by_hand import Motion

ROOT = Path(__file__).parents[3]


@dataclass(frozen=True)
class Cut:
    """A simulation and the whole field, put together from its tiles."""

    removal: Removal
    z: np.ndarray
    tied: np.ndarray
    n_billet: int  # cells

    @property
    def volume(self) -> float:
        return float(self.removal.felt.removed_mm3.sum())


def cut(
    motion: Motion, cutters, billet, *, top: float, cell: float = 0.05, workers: int = 1, skin: float = 0.0, **more
) -> Cut:
    setup = by_hand.setup(billet, top=top, skin=skin)
    grid = grid_over(setup.billet, cell)
    z, tied = (np.zeros((grid.n_rows, grid.n_cols), dtype=kind) for kind in (np.float64, np.int32))

    def keep(tile: Tile) -> None:
        z[tile.rows, tile.cols], tied[tile.rows, tile.cols] = tile.z_mm, tile.tied

    tools = tool_table(by_hand.crib(*cutters))
    removal = simulate(
        motion.moves(), setup=setup, tools=tools, cell_mm=cell, workers=workers, visit=keep, **more
    )  # fmt: skip
    inside = np.zeros(z.shape, dtype=np.bool_)
    kernel.fill_polygon(inside, np.array(setup.billet), grid.x0_mm, grid.y0_mm, cell)
    return Cut(removal=removal, z=z, tied=tied, n_billet=int(inside.sum()))


def slot() -> tuple[Motion, list, np.ndarray, float]:
    """Straight slot: 25 long, cutter 3.175, 2 deep, away from the axes of the grid."""
    a, turn = np.array([6.13, 5.27]), math.radians(17.0)
    b = a + 25 * np.array([math.cos(turn), math.sin(turn)])
    motion = Motion().rapid(*a).rapid(z=5).line(z=2).line(*b).rapid(z=30)
    return motion, [by_hand.cutter(1, 3.175)], by_hand.box(37, 20), 4.0


def boss() -> tuple[Motion, list, np.ndarray, float]:
    """A boss of diameter 20 left standing: one round of a 6 mm cutter, plate 4, skin 0.25."""
    motion = Motion().rapid(33.03, 20.01).rapid(z=5).line(z=0.25).circle(20.03, 20.01, clockwise=True).rapid(z=30)
    return motion, [by_hand.cutter(1, 6.0)], by_hand.box(40, 40), 4.0


def pocket() -> tuple[Motion, list, np.ndarray, float]:
    """Pocket 30 x 20 x 3 with corners of radius 4, a 6 mm cutter: rings inwards, then the wall pass with its arcs."""
    x0, y0 = 5.013, 5.027
    motion = Motion().rapid(x0 + 15, y0 + 10).rapid(z=5).line(z=1)
    for inset in (8.0, 5.0, 3.5):
        motion.line(x0 + inset, y0 + inset).line(x0 + 30 - inset, y0 + inset).line(x0 + 30 - inset, y0 + 20 - inset)
        motion.line(x0 + inset, y0 + 20 - inset).line(x0 + inset, y0 + inset)
    lo, hi_x, hi_y = 3.0, 27.0, 17.0
    motion.line(x0 + 4, y0 + lo).line(x0 + 26, y0 + lo).arc(x0 + hi_x, y0 + 4, x0 + 26, y0 + 4)
    motion.line(x0 + hi_x, y0 + 16).arc(x0 + 26, y0 + hi_y, x0 + 26, y0 + 16)
    motion.line(x0 + 4, y0 + hi_y).arc(x0 + lo, y0 + 16, x0 + 4, y0 + 16)
    motion.line(x0 + lo, y0 + 4).arc(x0 + 4, y0 + lo, x0 + 4, y0 + 4).rapid(z=30)
    return motion, [by_hand.cutter(1, 6.0)], by_hand.box(40, 30), 4.0


def hole() -> tuple[Motion, list, np.ndarray, float]:
    """Blind hole, number 43 drill, 118 degrees, full diameter 5 deep."""
    d = 2.2606
    point = d / 2 / math.tan(math.radians(59))
    motion = Motion().rapid(4.017, 4.029).rapid(z=9).line(z=8 - 5 - point).rapid(z=30)
    return motion, [by_hand.cutter(1, d, CutterKind.DRILL)], by_hand.box(8, 8), 8.0


# Closed forms: slot (L d + pi d^2 / 4) h; boss annulus pi (16^2 - 10^2) 3.75; pocket (30 x 20 - (4 - pi) 4^2) 3; hole
# pi r^2 5 plus the cone. The last column is the wall area: the bound is half a cell times it.
CASES = {
    "slot": (slot, (25 * 3.175 + math.pi * 3.175**2 / 4) * 2, 174.584609, (50 + math.pi * 3.175) * 2),
    "boss": (boss, math.pi * (16**2 - 10**2) * 3.75, 1837.83, 2 * math.pi * 26 * 3.75),
    "pocket": (pocket, (600 - (4 - math.pi) * 16) * 3, 1758.796, (2 * 22 + 2 * 12 + 8 * math.pi) * 3),
    "hole": (
        hole,
        math.pi * 1.1303**2 * (5 + 1.1303 / math.tan(math.radians(59)) / 3),
        20.977,
        math.pi * 2.2606 * 5 + math.pi * 1.1303**2 / math.sin(math.radians(59)),
    ),
}


@pytest.mark.parametrize("name", CASES)
def test_volumes_equal_the_closed_forms(name):
    make, exact, printed, wall_area = CASES[name]
    assert exact == pytest.approx(printed, rel=2e-5)
    motion, cutters, billet, top = make()
    for cell in (0.1, 0.05):
        done = cut(motion, cutters, billet, top=top, cell=cell)
        assert abs(done.volume - exact) < 0.5 * cell * wall_area
        fallen = done.n_billet * top - float(done.z.sum(dtype=np.float64))
        assert done.volume == pytest.approx(fallen * cell**2, rel=1e-5)


def test_the_error_falls_at_least_linearly_with_the_cell():
    """Root mean square over shifted slots and holes, so that one lucky grid does not decide; fitted over four cells."""
    cells = (0.4, 0.2, 0.1, 0.05)
    errors = []
    rng = np.random.default_rng(5)
    shifts = rng.uniform(0, 0.4, size=(12, 2))
    exact = (9 * 3.175 + math.pi * 3.175**2 / 4) * 2
    for cell in cells:
        squares = []
        for k, (dx, dy) in enumerate(shifts):
            turn = 0.3 + k
            a = np.array([14 + dx, 14 + dy])
            b = a + 9 * np.array([math.cos(turn), math.sin(turn)])
            motion = Motion().rapid(*a).rapid(z=5).line(z=2).line(*b).rapid(z=30)
            done = cut(motion, [by_hand.cutter(1, 3.175)], by_hand.box(28, 28), top=4.0, cell=cell)
            squares.append((done.volume - exact) ** 2)
        errors.append(math.sqrt(np.mean(squares)))
    order = np.polyfit(np.log(cells), np.log(errors), 1)[0]
    assert order >= 0.9, (order, errors)


def random_motion(rng: np.random.Generator, n: int, size: float) -> Motion:
    motion = Motion(z=9.0)
    for _ in range(n):
        motion.tool = int(rng.integers(1, 6))
        x, y = rng.uniform(-1, size + 1, 2)
        z = rng.uniform(0.5, 3.0)
        kind = rng.integers(0, 4)
        if kind == 0:
            motion.line(x, y, z)
        elif kind == 1:
            motion.line(x, y)
        elif kind == 2:
            motion.line(z=z)
        else:
            r, turn = rng.uniform(0.5, 2.0), rng.uniform(0, 2 * math.pi)
            cx, cy = motion.at[0] - r * math.cos(turn), motion.at[1] - r * math.sin(turn)
            end = turn + rng.uniform(0.3, 5.0)
            clockwise = bool(rng.integers(0, 2))
            motion.arc(cx + r * math.cos(end), cy + r * math.sin(end), cx, cy, z=z, clockwise=clockwise)
    return motion


MIXED = [
    by_hand.cutter(1, 2.0),
    by_hand.cutter(2, 2.4, CutterKind.DRILL),
    by_hand.cutter(3, 1.6, CutterKind.BALL),
    by_hand.cutter(4, 2.6, CutterKind.SPOT, point_angle_rad=math.radians(90), tip_diameter_mm=0.4),
    by_hand.cutter(5, 2.4, corner_radius_mm=0.5),
]


def test_order_of_moves_does_not_change_the_stock_and_stock_never_grows():
    rng = np.random.default_rng(11)
    motion = random_motion(rng, 60, 12.0)
    billet = by_hand.box(12, 12)
    whole = cut(motion, MIXED, billet, top=4.0, cell=0.1)
    before = None
    for n in (10, 30, 60):
        short = Motion()
        short.rows = motion.rows[:n]
        z = cut(short, MIXED, billet, top=4.0, cell=0.1).z
        assert before is None or (z <= before).all()
        before = z
    shuffled = Motion()
    shuffled.rows = [motion.rows[i] for i in rng.permutation(len(motion.rows))]
    assert np.array_equal(cut(shuffled, MIXED, billet, top=4.0, cell=0.1).z, whole.z)


def test_one_worker_and_two_give_the_same_bits():
    motion = random_motion(np.random.default_rng(2), 80, 40.0)
    one, two = (cut(motion, MIXED, by_hand.box(40, 30), top=4.0, cell=0.05, workers=w) for w in (1, 2))
    assert one.z.tobytes() == two.z.tobytes() and one.tied.tobytes() == two.tied.tobytes()
    for field in ("deep_at", "low_mm", "stage_mm", "stage_at", "ends_in_cut"):
        assert getattr(one.removal, field).tobytes() == getattr(two.removal, field).tobytes()
    for field in dataclasses.fields(one.removal.felt):
        assert getattr(one.removal.felt, field.name).tobytes() == getattr(two.removal.felt, field.name).tobytes()


@pytest.mark.parametrize("tool", [1, 2, 3, 4, 5])
def test_swept_pieces_equal_brute_force_stamping(tool):
    """Stamps the still cutter at very many places along random pieces; the swept height is their lower envelope."""
    rng = np.random.default_rng(100 + tool)
    tools = tool_table(by_hand.crib(*MIXED))
    row = tools.row_of[tool]
    r, tip, c, shape = tools.radius[row], tools.tip[row], tools.slope[row], tools.shape[row]
    for _ in range(60):
        a, b = rng.uniform(0, 4, 3), rng.uniform(0, 4, 3)
        if rng.integers(0, 4) == 0:
            b[:2] = a[:2]
        elif rng.integers(0, 3) == 0:
            b[2] = a[2]
        t = np.linspace(0, 1, 20001)[:, None]
        path = a + t * (b - a)
        for px, py in rng.uniform(-1, 5, (12, 2)):
            rho = np.hypot(path[:, 0] - px, path[:, 1] - py)
            under = rho <= r
            closed = kernel.swept_height(px, py, *a, *b, shape, r, tip, c)
            if not under.any():
                low, high = kernel.row_span(a[0], a[1], b[0], b[1], r, py)
                assert closed == math.inf or rho.min() < r + 1e-3
                assert low > high or not (low + 1e-3 < px < high - 1e-3)
                continue
            if shape == kernel.FLAT:
                f = np.zeros_like(rho)
            elif shape == kernel.CONE:
                f = np.maximum(0, c * (rho - tip))
            elif shape == kernel.BALL:
                f = r - np.sqrt(np.maximum(0, r * r - rho * rho))
            else:
                out = np.maximum(0, rho - tip)
                f = c - np.sqrt(np.maximum(0, c * c - out * out))
            stamped = float((path[:, 2] + f)[under].min())
            low, high = kernel.row_span(a[0], a[1], b[0], b[1], r, py)
            assert low - 1e-9 <= px <= high + 1e-9
            # The stamped envelope lies above the true one by what the path falls (or the wall rises) in one step.
            step = np.linalg.norm(b - a) / 20000
            loose = 5e-3 if rho.min() > r - 1e-2 or shape in (kernel.BALL, kernel.ROUNDED) else 20 * step + 1e-9
            assert closed <= stamped + 1e-9
            assert closed >= stamped - loose


@pytest.mark.parametrize("tool", [1, 2, 3, 4, 5])
def test_chains_of_joined_pieces_lower_each_cell_as_each_piece_alone_would(tool):
    """Level pieces, ways up and down and plunges in chains, over borders of tiles: against every cell lowered to every
    piece's swept height, one after the other."""
    rng = np.random.default_rng(40 + tool)
    cell, top, skin = 0.13, 4.0, 1.1
    tools = tool_table(by_hand.crib(*MIXED))
    row = tools.row_of[tool]
    motion = Motion(31.0, 4.0, 6.0, tool=tool)
    motion.line(z=2.0)
    turn, z = 0.3, 2.0
    for _ in range(90):
        turn += rng.uniform(-0.5, 0.5)
        far = rng.uniform(0.1, 0.95)
        x, y = motion.at[0] + far * math.cos(turn), motion.at[1] + far * math.sin(turn)
        z = min(max(z + rng.choice([0.0, 0.0, -0.3, 0.25]) * rng.uniform(0.2, 1.0), 0.5), 3.5)
        if not 28.0 < x < 36.0 or not 2.0 < y < 6.0:
            turn += math.pi / 2
            motion.line(z=z)
        else:
            motion.line(x, y, z)
    done = cut(motion, MIXED, by_hand.box(38, 8), top=top, cell=cell, skin=skin)
    grid, m = done.removal.grid, motion.moves()
    assert (motion.moves().end[:, 0] > grid.x0_mm + grid.tile * cell).any()  # cuts in two tiles
    xs, ys = grid.x0_mm + np.arange(grid.n_cols) * cell, grid.y0_mm + np.arange(grid.n_rows) * cell
    field = np.where(done.tied >= 0, top, 0.0)
    tied = np.where(done.tied >= 0, kernel.NEVER, -1)
    of_cutter = tools.shape[row], tools.radius[row], tools.tip[row], tools.slope[row]
    for k in range(len(m.kind)):
        a, b = m.start[k], m.end[k]
        near = np.abs(ys - a[1]) < 2.6, np.abs(xs - a[0]) < 2.6
        under = np.full(field.shape, math.inf)
        for i in np.flatnonzero(near[0]):
            for j in np.flatnonzero(near[1]):
                under[i, j] = kernel.swept_height(xs[j], ys[i], *a, *b, *of_cutter)
        fall = np.maximum(field - under, 0.0)
        field -= fall
        tied[(field <= skin) & (tied == kernel.NEVER)] = k
        assert done.removal.felt.removed_mm3[k] == pytest.approx(fall.sum() * cell**2, abs=1e-5)
        assert done.removal.felt.deep_mm[k] == pytest.approx(fall.max(), abs=3e-6)
        if fall.max() > 3e-6:  # cells may fall by a unit of rounding as well
            assert under.min() - 3e-6 < done.removal.low_mm[k] < under[fall > 3e-6].min() + 3e-6
    assert np.abs(done.z - field).max() < 3e-6
    assert (done.tied == tied).all() and (tied >= 0).any()


def test_arcs_and_helices_stay_on_their_path():
    motion = Motion(5, 0, 2).circle(0, 0, z=1.0).arc(0, 5, 0, 0, clockwise=True).arc(-5, 0, 0, 0)
    m = motion.moves()
    pieces, owner = kernel.cut_up(m.kind, m.start, m.end, m.centre, 0.002, 8.0, math.inf)
    ends = pieces[:, 3:5]
    assert np.abs(np.hypot(*ends.T) - 5).max() < 1e-12
    middle = (pieces[:, :2] + ends) / 2
    assert np.hypot(*middle.T).min() >= 5 - 0.002
    length = np.linalg.norm(pieces[:, 3:] - pieces[:, :3], axis=1)
    turn = np.bincount(owner, weights=length)
    # Helix sqrt((2 pi 5)^2 + 1), clockwise 270 degrees, counter-clockwise 90 degrees; the start angle is 0.
    exact = np.array([math.hypot(10 * math.pi, 1), 7.5 * math.pi, 2.5 * math.pi])
    assert np.allclose(turn, exact, rtol=2e-3) and (turn <= exact + 1e-9).all()


def test_billet_is_filled_by_its_polygon():
    polygon = np.array([[0.0, 0.0], [4.0, 0.5], [3.0, 3.0], [2.0, 1.5], [0.5, 3.5]])  # not convex
    inside = np.zeros((90, 90), dtype=np.bool_)
    kernel.fill_polygon(inside, polygon, -0.2, -0.2, 0.05)
    x, y = polygon.T
    area = 0.5 * abs(np.sum(x * np.roll(y, -1) - np.roll(x, -1) * y))
    assert inside.sum() * 0.05**2 == pytest.approx(area, rel=0.01)
    assert inside[int((1.0 + 0.2) / 0.05), int((1.0 + 0.2) / 0.05)] and not inside[int((3.2 + 0.2) / 0.05), 46]


TINY = """
import json, numpy as np
from tests.unit.verify.test_removal import MIXED, cut, random_motion
from tests.unit.verify import by_hand
r = cut(random_motion(np.random.default_rng(4), 8, 4.0), MIXED, by_hand.box(4, 3), top=4.0, cell=0.25)
f = r.removal.felt
print(json.dumps([a.tobytes().hex() for a in (r.z, r.tied, f.removed_mm3, f.deep_mm, f.arc_x, r.removal.low_mm)]))
"""


def test_interpreted_and_compiled_kernels_agree():
    outputs = []
    for flag in ("1", "0"):
        env = {**os.environ, "NUMBA_DISABLE_JIT": flag}
        command = [sys.executable, "-c", TINY]
        done = subprocess.run(command, cwd=ROOT, env=env, capture_output=True, text=True, check=True)
        outputs.append(json.loads(done.stdout))
    plain, compiled = outputs
    assert plain == compiled and len(plain[0]) > 100


# Engagement of straight cuts: acos(1 - ae/R) (acceptance geometry of a circle); a slot is half the circle.
@pytest.mark.parametrize(("ae", "exact"), [(0.3175, 36.87), (1.0, 68.28), (1.5875, 90.0), (3.175, 180.0)])
def test_engagement_of_straight_cuts(ae, exact):
    radius, turn = 3.175 / 2, math.radians(23.0)
    across = np.array([-math.sin(turn), math.cos(turn)])
    along = np.array([math.cos(turn), math.sin(turn)])
    a = np.array([8.0, 6.0])
    first = a + across * ae  # a slot first, so that the second cut is `ae` wide
    motion = Motion().rapid(*first).rapid(z=5).line(z=3)
    if ae < 3.175:
        motion.line(*(first + 14 * along))
    motion.rapid(z=5).rapid(*a).line(z=3).line(*(a + 3 * along))
    n = len(motion.rows)
    motion.line(*(a + 9 * along)).rapid(z=30)
    felt = cut(motion, [by_hand.cutter(1, 3.175)], by_hand.box(30, 22), top=4.0, cell=0.02).removal.felt
    assert math.degrees(math.acos(1 - min(ae, radius * 2) / radius)) == pytest.approx(exact, abs=0.01)
    assert math.degrees(felt.engaged_mean_rad[n]) == pytest.approx(exact, rel=0.03)
    assert math.degrees(felt.engaged_peak_rad[n]) == pytest.approx(exact, rel=0.03, abs=2.5)
    assert felt.axial_mm[n] == pytest.approx(1.0, abs=1e-6)
    assert felt.width_mean_mm[n] == pytest.approx(ae, rel=0.03)


def test_engagement_peaks_in_a_sharp_corner():
    """A sharp inside corner with stock ae ahead and beside, rounded as a pass before left it, engages
    90 + acos(1 - ae/r): 125.80 degrees for ae 0.3, r 1.5875 (plane geometry)."""
    r, ae = 1.5875, 0.3
    turn = np.linspace(0, -math.pi / 2, 200)
    rounded = np.column_stack([16 - r + r * np.cos(turn), 6 + r + r * np.sin(turn)])
    billet = np.vstack([[[0.0, 0], [20, 0], [20, 20], [16, 20]], rounded, [[0, 6]]])
    y, x = 6 + r - ae, 16 - r + ae
    c, v = math.cos(0.4), math.sin(0.4)  # away from the axes of the grid
    turned = np.array([[c, v], [-v, c]])
    motion = Motion(*(np.array([-3, y]) @ turned), 9).rapid(z=3)
    for point in ((3, y), (9, y), (x, y), (x, 12)):
        motion.line(*(np.array(point) @ turned))
    motion.rapid(z=30)
    felt = cut(motion, [by_hand.cutter(1, 2 * r)], billet @ turned, top=4.0, cell=0.02).removal.felt
    assert math.degrees(felt.engaged_peak_rad[3]) == pytest.approx(125.80, rel=0.03)
    assert math.degrees(felt.engaged_mean_rad[2]) == pytest.approx(35.80, rel=0.03)


def test_dog_legs_run_axis_by_axis():
    """From the definition: every axis at one speed until it is there; the ends stay, corners lie at equal ways."""
    kind = np.zeros(2, dtype=np.int8)
    start, end = np.array([[0.0, 0, 5], [1, 1, 5]]), np.array([[10.0, -4, 5], [5, 5, 5]])
    pieces, owner = kernel.dog_legs(kind, start, end)
    assert owner.tolist() == [0, 0]  # the second goes straight anyway
    assert pieces.tolist() == [[0, 0, 5, 4, -4, 5], [4, -4, 5, 10, -4, 5]]


def test_times_of_cutting_down_to_the_skin():
    motion = Motion().rapid(4, 4).rapid(z=5).line(z=1.0).line(10, 4).line(z=0.3).line(4, 4).rapid(z=30)
    done = cut(motion, [by_hand.cutter(1, 3.0)], by_hand.box(16, 8), top=4.0, skin=0.3, skin_left_mm=0.02)
    assert set(np.unique(done.tied)) == {-1, 4, 5, kernel.NEVER}
    assert (done.tied[done.z > 0.5] == kernel.NEVER).all() and (done.z[(done.tied > 0) & (done.tied < 9)] < 0.31).all()
