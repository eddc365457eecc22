"""What must every map cost, however cleverly it is drawn?"""

from __future__ import annotations

import math

from solver.benching.judge import splits
from solver.benching.problem import Area, Problem, Stand, merged
from solver.linear import INFINITY, LinearModel
from solver.run import run_linear

_SECONDS = 10.0


def lower_bound(problem: Problem, area: Area) -> int:
    """What do the stands of this area cost at least?

    Blocks of what stands there now, and the dearer of two: places that are wanted beyond those
    there are (`least_short`), and a block more for each stand that is larger than every bench
    that could take it, where that is cheaper than leaving a tray of it out. A large stand may be
    short instead of split, so the two are not added up.
    """
    stands = _stands(problem, area)
    fixed = sum(splits(area, merged(s.fixed)) for s in stands if s.fixed) * problem.split_cost
    large = sum(
        min(
            _blocks_needed(area, stand) * problem.split_cost,
            stand.tray_places * stand.periods * problem.short_cost,
        )
        for stand in stands
        if not stand.fixed
    )
    return fixed + max(large, least_short(problem, area) * problem.short_cost)


def larger_than_a_bench(problem: Problem, area: Area) -> int:
    """How many stands can be in one block under no circumstances?"""
    stands = _stands(problem, area)
    return sum(1 for stand in stands if not stand.fixed and _blocks_needed(area, stand))


def _stands(problem: Problem, area: Area) -> list[Stand]:
    return [stand for stand in problem.stands if stand.area == area.key]


def _blocks_needed(area: Area, stand: Stand) -> int:
    usable = [
        bench.places // stand.tray_places * stand.tray_places
        for bench in area.benches
        if stand.bench in (None, bench.key) and bench.open_for(stand.enters, stand.leaves)
    ]
    largest = max(usable, default=0)
    return math.ceil(stand.places / largest) - 1 if largest else 0


def least_short(problem: Problem, area: Area) -> int:
    """How many places, times periods, does any map of this area leave short?

    A stand has too few places for its whole time, and a place is cleaned after it: a linear
    program over time whose solution is whole, since each stand is there in consecutive periods.
    """
    stands = _stands(problem, area)
    model = LinearModel()
    column = {}
    for stand in stands:
        fixed = sum(block.places for block in stand.fixed)
        most = stand.places - fixed
        least = most if stand.fixed else 0
        column[stand.key] = model.column(stand.periods, low=least, high=most)
    for period in sorted({stand.enters for stand in stands}):
        there = [stand for stand in stands if stand.enters <= period < stand.leaves]
        cleaned = [s for s in stands if s.enters <= period < s.leaves + area.gap]
        shut = {b.key for b in area.benches if not b.open_for(period, period + 1)}
        forced = sum(b.places for s in there for b in s.fixed if b.bench in shut)
        everywhere = sum(bench.places for bench in area.benches)
        in_use = sum(bench.places for bench in area.benches if bench.key not in shut)
        for some, places in ((there, in_use + forced), (cleaned, everywhere)):
            wanted = sum(stand.places for stand in some)
            if wanted > places:
                entries = [(column[stand.key], 1.0) for stand in some]
                model.row(wanted - places, INFINITY, entries)
    answer = run_linear(model, _SECONDS, relaxed=True)
    return math.ceil(answer.bound - 1e-6) if math.isfinite(answer.bound) else 0
