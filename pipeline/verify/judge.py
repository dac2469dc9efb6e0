"""The judge: reads a program's text, cuts with it, compares with the parts, and says `released` or `refused`.

It knows the text, the setup, the shop and the meshes of the parts, nothing of how the text was made. `released` means
that no check below found an error; it says nothing about what is in NOT_CHECKED.
"""

from __future__ import annotations

import dataclasses
import itertools
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor, wait
from contextlib import contextmanager
from dataclasses import dataclass
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from pipeline.model.findings import Finding, has_errors
from pipeline.model.job import Tolerances
from pipeline.model.setup import Setup
from pipeline.model.shop import Crib, Machine, Material
from pipeline.model.toolpath import NotCut
from pipeline.model.verdict import Measured, PartResult, SectionTime, Verdict
from pipeline.verify.contact import check_contact
from pipeline.verify.entries import check_entries
from pipeline.verify.excused import excuses
from pipeline.verify.faults import Fault, as_findings, worst_first
from pipeline.verify.limits import check_limits
from pipeline.verify.measure import feature_faults, measure_features
from pipeline.verify.motion_time import motion_seconds
from pipeline.verify.obstacles import check_obstacles
from pipeline.verify.physical import judge_physically
from pipeline.verify.reader import read_program
from pipeline.verify.reading import Moves, Reading
from pipeline.verify.removal import Removal, grid_over, simulate
from pipeline.verify.skin import check_skin, thinnest_so_far
from pipeline.verify.target import Comparison, build_target, compare
from pipeline.verify.threads import check_thread_mills
from pipeline.verify.tools import tool_table
from pipeline.verify.walls import build_solids, check_left, check_walls, wall_samples

CELL_MM = 0.02
_T = TypeVar("_T")
CODES = {
    "V640": "the skin cut thinner than allowed",
    "V641": "a rapid through stock",
    "V642": "cutting with the spindle standing",
    "V643": "cutting with the spindle turning the wrong way",
    "V644": "cutting without coolant",
    "V645": "cutting while no length offset is active",
    "V646": "neck, shank or holder in stock",
    "V647": "an axial depth of cut beyond the flutes",
    "V648": "a dwell in contact",
    "V649": "a move nearer to the part than its cutter's radius, or below a face (exact test)",
    "V650": "a face cut too deep (stock field)",
    "V651": "stock left on a wall",
    "V652": "stock left on a face or in a hole or pocket",
    "V653": "the kerf round a part not down to the skin",
    "V654": "a part missing",
    "V655": "a clamp hit",
    "V656": "a stop or a rigid spacer hit",
    "V657": "a sacrificial spacer hit at rapid, or cut deeper than it allows",
    "V658": "a clamp or a stop passed too closely",
    "V659": "a cutter below the billet's top that cannot be simulated or is not known",
    "V660": "a chip load over the crib's",
    "V661": "a surface speed over the crib's and the material's",
    "V662": "a move that is not a number",
    "V663": "a move below the skin plane beside the billet",
    "V664": "a wide cut deeper than the crib's stepdown, or a drill's stroke longer than its peck, allows",
    "V665": "a way into stock that the cutter cannot go: a mill down too steeply, a drill sideways",
    "V666": "a declaration of work left that names no feature of the part",
    "V667": "a cut before the spindle is up to speed",
    "V668": "a rapid sideways below the top of the billet",
    "V669": "a skin that errors may pierce when they add up",
    "V670": "a force that the cutter does not bear for long (warning) or that is expected to break it (error), or a"
    " deflection that eats a wall's tolerance (warning)",
    "V671": "a power over the spindle's",
    "V672": "chips so thin that the edge rubs",
    "V680": "a hold under its target",
    "V681": "a hole through the plate inside the gasket, and the vacuum lost",
    "V682": "a piece cut free beside a cutter",
    "V683": "nothing known of the hold",
    "V690": "a hole out of its limits of diameter",
    "V691": "a depth, floor or thickness out of its limits",
    "V692": "a hole out of its place",
    "V693": "a thread of the wrong pitch",
    "V694": "a thread of the wrong hand, or milled against the climb",
    "V695": "a thread of the wrong diameter",
    "V696": "a thread mill outside its hole, or in stock on its way in or out",
    "V697": "a thread mill whose use is not understood, or a thread missing",
}

CHECKED = (
    "every word, number and mode of the text, read anew from the text alone",
    "limits of the machine: travel, speed, feed",
    "simulated cutting of the whole billet, move by move, in the program's order",
    "the skin under every part and every kerf, at every moment",
    "rapids, spindle, direction, coolant and length offset on every move that touches stock",
    "neck, shank and holder against stock; depth of each cut against the flutes",
    "every tool stage against clamps, stops and spacers",
    "every move against every wall and floor of every part, by exact distance",
    "the skin against bow, Z zero, cutter length and the job's spare, all added up",
    "force, torque, power, deflection and chip of every move, for a worn cutter, by a model (see its assumptions)",
    "the hold at every move: the whole plate, parts that only the skin ties, parts cut free",
    "sizes, depths and places of features, measured on the simulated part; threads by their helices",
    "stock left on walls, faces, holes, pockets and in the kerf; parts missing",
    "chip load, surface speed and depth of cut of every cutting move against the crib",
    "ways into stock against the crib's ramp angle, strokes of drills against its peck",
    "the stock that later work may find, against the feature that each declaration names",
)
NOT_CHECKED = (
    "chatter, heat, chips packing in slots and holes, burrs, the wear of cutters in time, their run-out",
    "what clamps really press, and how well the plate really seals; the give of parts and thin walls",
    "the machine's true offsets, squareness and backlash; corner blending but for its allowance",
    "the billet's true outline and thickness, and how it is seated: the setup's figures are taken as true",
    "overhangs, which a field of heights cannot hold; the setups that come later",
)


def check_program(
    text: str,
    *,
    setup: Setup,
    crib: Crib,
    machine: Machine,
    material: Material,
    tolerances: Tolerances,
    not_cut: Sequence[NotCut],
    cell_mm: float = CELL_MM,
    workers: int = 1,
) -> Verdict:
    """Check one setup's program from its text. Same verdict and same bits whatever `workers` is.

    `cell_mm` is the cell of the stock field; walls are judged exactly whatever it is. Bad text is findings, too:
    nothing is raised for it.
    """
    reading = read_program(text, machine=machine, crib=crib)
    return judge(
        reading, lambda: check_limits(reading, machine=machine, setup=setup), setup=setup, crib=crib, machine=machine,
        material=material, tolerances=tolerances, not_cut=not_cut, cell_mm=cell_mm, workers=workers,
    )  # fmt: skip


def judge(
    reading: Reading,
    more: Callable[[], Sequence[Finding]],
    *,
    setup: Setup,
    crib: Crib,
    machine: Machine,
    material: Material,
    tolerances: Tolerances,
    not_cut: Sequence[NotCut],
    cell_mm: float,
    workers: int,
) -> Verdict:
    """The verdict on moves that were read: `more` finds what is to be said of them beside the reading's findings."""
    reading, faults = _finite(reading)
    moves = reading.moves
    tools = tool_table(crib)
    excused, unknown = excuses(setup, not_cut)
    with _aside(workers) as aside:
        early = aside(lambda: (more(), motion_seconds(moves, machine=machine)))
        solids = build_solids(setup, tolerances)
        target = build_target(setup, solids, grid_over(setup.billet, cell_mm))
        comparison = Comparison(setup, target, tolerances)
        limits, seconds = early.result()
        removal = simulate(
            moves, setup=setup, tools=tools, cell_mm=cell_mm, workers=workers, dog_leg=machine.rapid_path == "dog-leg",
            skin_left_mm=tolerances.left_mm, visit=comparison.visit,
        )  # fmt: skip

        def compare_exactly() -> _Exact:
            samples, triangle = wall_samples(
                solids=solids, heights=target.heights, tolerances=tolerances, excused=excused
            )
            walls = check_walls(
                setup, solids=solids, moves=moves, tools=tools, tolerances=tolerances, samples=samples, workers=workers
            )  # fmt: skip
            lefts, gaps = check_left(setup, solids=solids, samples=samples, triangle=triangle, gap=walls.gaps)
            measured = measure_features(
                setup, moves=moves, tools=tools, tolerances=tolerances, not_cut=not_cut, excused=excused
            )
            return _Exact(faults=(*walls.faults, *lefts), deepest=walls.deepest, gaps=gaps, features=measured)

        exactly = aside(compare_exactly)
        faults += check_contact(
            reading, setup=setup, removal=removal, target=target, tools=tools, machine=machine, material=material
        )
        faults += check_entries(
            reading, setup=setup, removal=removal, target=target, tools=tools, machine=machine, seconds=seconds
        )
        skin, thinnest = check_skin(
            setup, moves=moves, removal=removal, tools=tools, tolerances=tolerances, target=target
        )
        faults += skin
        faults += unknown
        cell_faults, parts, maps = compare(
            setup, removal=removal, comparison=comparison, tools=tools, tolerances=tolerances, excused=excused,
            line_of=moves.line,
        )  # fmt: skip
        faults += cell_faults
        stock, times = comparison.stock(), comparison.times(setup)
        del comparison  # the largest arrays of all; what follows needs room
        faults += check_obstacles(setup, moves=moves, removal=removal, tools=tools)
        felt, skin_mm = removal.felt, thinnest_so_far(setup, removal)
        sections = _sections(moves, seconds, removal)
        del removal
        physical = judge_physically(
            reading, setup=setup, felt=felt, times=times, skin_mm=skin_mm, target=target, tools=tools, machine=machine,
            material=material, tolerances=tolerances, seconds=seconds,
        )  # fmt: skip
        faults += physical.faults
        thread_faults, threads = check_thread_mills(
            setup, moves=moves, crib=crib, tools=tools, material=material, not_cut=not_cut,
            dog_leg=machine.rapid_path == "dog-leg", reading=reading, spin_up_s=machine.dialect.spin_up_s,
            seconds=seconds,
        )  # fmt: skip
        faults += thread_faults
        exact = exactly.result()
    faults += exact.faults
    faults += feature_faults(setup, exact.features, spoken=faults)
    findings = worst_first([*reading.findings, *limits, *as_findings(faults)])

    return Verdict(
        verdict="refused" if has_errors(findings) else "released",
        findings=findings,
        checked=CHECKED,
        not_checked=NOT_CHECKED,
        n_moves=len(moves.kind),
        path_mm=float(felt.length_mm.sum()),
        removed_mm3=float(felt.removed_mm3.sum()),
        thinnest_skin_mm=thinnest,
        section_times=sections,
        line_seconds=_line_seconds(reading, seconds, machine),
        parts=tuple(
            PartResult(
                part_id=p.part_id,
                worst_gouge_mm=max(p.worst_gouge_mm, float(exact.deepest[i])),
                worst_left_mm=max(p.worst_left_mm, float(exact.gaps[i])),
                left_volume_mm3=p.left_volume_mm3,
            )
            for i, p in enumerate(parts)
        ),
        stock=stock,
        maps=tuple(maps),
        features=(*exact.features, *threads),
        loads=physical.loads,
        holding=physical.holding,
        caps=physical.caps,
        skin_stack=setup.z.errors_mm,
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Exact:
    """What exact distances say: faults, and for each part the deepest cut and the widest gap, mm; sizes measured."""

    faults: tuple[Fault, ...]
    deepest: NDArray[np.float64]
    gaps: NDArray[np.float64]
    features: tuple[Measured, ...]


@contextmanager
def _aside(workers: int) -> Iterator[Callable[[Callable[[], _T]], Future[_T]]]:
    """Hands work to a thread beside this one; with one worker it is done first. Compiled code and arrays leave the
    interpreter to the other thread most of the time."""
    with ThreadPoolExecutor(max_workers=1) as pool:

        def hand(work: Callable[[], _T]) -> Future[_T]:
            done = pool.submit(work)
            if workers <= 1:
                wait([done])
            return done

        yield hand


def _finite(reading: Reading) -> tuple[Reading, list[Fault]]:
    """The reading without moves that hold something that is no number: NaN compares false and would slip through."""
    m = reading.moves
    good = np.isfinite(m.start).all(axis=1) & np.isfinite(m.end).all(axis=1) & np.isfinite(m.feed_mm_min)
    good &= np.isfinite(m.rpm) & (np.isfinite(m.centre).all(axis=1) | (m.kind < 2))
    if good.all():
        return reading, []
    faults = [
        Fault(code="V662", part_id="", cutter=int(m.tool[i]), line=int(m.line[i]), at_mm=None, amount_mm=0.0,
              found="a move with a value that is no number", wanted="finite numbers")
        for i in np.flatnonzero(~good)
    ]  # fmt: skip
    kept = Moves(**{f.name: getattr(m, f.name)[good] for f in dataclasses.fields(Moves)})
    return dataclasses.replace(reading, moves=kept), faults


def _sections(moves: Moves, seconds: NDArray[np.float64], removal: Removal) -> tuple[SectionTime, ...]:
    """Time in cut and in air for each stretch of the program with one cutter, in program order."""
    n = len(moves.kind)
    if n == 0:
        return ()
    contact = removal.contact
    edges = [0, *(int(i) + 1 for i in np.flatnonzero(np.diff(moves.tool))), n]
    return tuple(
        SectionTime(
            cutter=int(moves.tool[a]),
            cutting_s=float(np.sum(seconds[a:b] * contact[a:b])),
            air_s=float(np.sum(seconds[a:b] * (1.0 - contact[a:b]))),
            cutting_mm=float(removal.felt.cut_mm[a:b].sum()),
        )
        for a, b in itertools.pairwise(edges)
        if moves.tool[a] != 0
    )


def _line_seconds(reading: Reading, seconds: NDArray[np.float64], machine: Machine) -> NDArray[np.float64]:
    """Motion, dwell and tool changes by line; a programmed stop counts nothing."""
    out = np.zeros(reading.n_lines)
    np.add.at(out, reading.moves.line - 1, seconds)
    for line, dwell in reading.dwell_s.items():
        out[line - 1] += dwell
    for stop in reading.stops:
        if stop.word == "M6":
            out[stop.line - 1] += machine.tool_change_s
    return out
