"""Can a bench map be followed, what does it cost, and what has no place? Without a solver."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import NamedTuple

from solver.benching.problem import Area, Bench, Block, Plan, Problem, Stand, merged


class Seat(NamedTuple):
    """One block of one stand."""

    stand: Stand
    block: Block


@dataclass(frozen=True, slots=True)
class Shortage:
    """How many places are missing in an area, from one period until before another?"""

    area: str
    first: int
    until: int
    places: int


def violations(problem: Problem, plan: Plan) -> list[str]:
    """What forbids this map? One sentence each; empty when trays can be put down as it says.

    Places that are short forbid nothing: they are priced, and told by `shortages`.
    """
    unknown = [key for key in plan.places if key not in problem.stand_of]
    if unknown:
        return [f"Stand {key!r} is not in the problem" for key in unknown]
    found: list[str] = []
    seats: dict[str, list[Seat]] = defaultdict(list)
    for key, blocks in plan.places.items():
        stand = problem.stand_of[key]
        wrong = list(_alone(problem.area_of[stand.area], stand, blocks))
        found.extend(wrong)
        for block in blocks:
            seats[block.bench].append(Seat(stand, block))
    for stand in problem.stands:
        if stand.fixed and merged(plan.places.get(stand.key, ())) != merged(stand.fixed):
            found.append(f"Stand {stand.key!r} stands on its places now and may not be moved")
    for on_bench in seats.values():
        found.extend(_together(problem, on_bench))
    return found


def _alone(area: Area, stand: Stand, blocks: tuple[Block, ...]) -> Iterator[str]:
    benches: Mapping[str, Bench] = {bench.key: bench for bench in area.benches}
    for block in blocks:
        bench = benches.get(block.bench)
        if bench is None:
            yield f"Stand {stand.key!r}: bench {block.bench!r} is not in area {area.key!r}"
        elif not 0 <= block.first < block.end <= bench.places:
            yield (
                f"Stand {stand.key!r}: places {block.first} to {block.end} are not on bench "
                f"{block.bench!r}, which has {bench.places}"
            )
        elif not stand.fixed and not bench.open_for(stand.enters, stand.leaves):
            yield f"Stand {stand.key!r}: bench {block.bench!r} is out of use"
        if stand.bench is not None and block.bench != stand.bench:
            yield f"Stand {stand.key!r} must stand on bench {stand.bench!r}"
        if block.places % stand.tray_places and not stand.fixed:
            yield f"Stand {stand.key!r}: a block of {block.places} places splits a tray"
    if sum(block.places for block in blocks) > stand.places:
        yield f"Stand {stand.key!r} takes more places than it needs"


def _together(problem: Problem, seats: list[Seat]) -> Iterator[str]:
    seats = sorted(seats, key=lambda seat: seat.stand.enters)
    for at, (stand, block) in enumerate(seats):
        gap = problem.area_of[stand.area].gap
        for other, its in seats[at + 1 :]:
            if other.enters >= stand.leaves + gap:
                break
            if stand.fixed and other.fixed:  # they stand there now: nothing is to be done about it
                continue
            names = f"{stand.key!r} and {other.key!r} on bench {block.bench!r}"
            if block.first < its.end and its.first < block.end:
                late = other.enters >= stand.leaves
                yield f"Stands {names}: {'no time to clean' if late else 'the same places'}"
            elif other.enters < stand.leaves:
                between = max(its.first - block.end, block.first - its.end)
                distance = problem.distance(stand, other)
                if distance is None or between < distance:
                    yield f"Stands {names} must stand apart"


def cost(problem: Problem, plan: Plan) -> int:
    """What does this map cost? Raises ValueError if it violates a rule."""
    wrong = violations(problem, plan)
    if wrong:
        raise ValueError(f"Bench plan: {wrong[0]} ({len(wrong)} in all)")
    return sum(stand_cost(problem, s, plan.places.get(s.key, ())) for s in problem.stands)


def stand_cost(problem: Problem, stand: Stand, blocks: tuple[Block, ...]) -> int:
    """What do these blocks cost for this stand: places short, blocks, change?"""
    whole = merged(blocks)
    short = missing(stand, whole) * stand.periods * problem.short_cost
    changed = bool(stand.last) and not stand.fixed and whole != merged(stand.last)
    split = splits(problem.area_of[stand.area], whole)
    return short + split * problem.split_cost + changed * problem.change_cost


def splits(area: Area, blocks: tuple[Block, ...]) -> int:
    """How many blocks and growing areas are there beyond the first of each?"""
    if len(blocks) <= 1:
        return 0
    where = {bench.key: bench.growing_area for bench in area.benches}
    return len(blocks) + len({where[block.bench] for block in blocks}) - 2


def missing(stand: Stand, blocks: tuple[Block, ...]) -> int:
    """How many of its places has this stand not got?"""
    return stand.places - sum(block.places for block in blocks)


def shortages(problem: Problem, plan: Plan) -> tuple[Shortage, ...]:
    """By how many places, in which periods, does the plan not fit? In order of area and time."""
    found: list[Shortage] = []
    for area in problem.areas:
        short = [0] * (problem.periods + 1)
        for stand in problem.stands:
            lack = missing(stand, plan.places.get(stand.key, ()))
            if stand.area == area.key and lack:
                for period in range(stand.enters, stand.leaves):
                    short[period] += lack
        first = 0
        for period in range(1, problem.periods + 1):
            if short[period] != short[first]:
                if short[first]:
                    found.append(Shortage(area.key, first, period, short[first]))
                first = period
    return tuple(found)


def in_one_block(problem: Problem, plan: Plan) -> int:
    """How many stands have all their places side by side on one bench?"""
    return sum(
        len(whole := merged(plan.places.get(s.key, ()))) == 1 and not missing(s, whole)
        for s in problem.stands
    )
