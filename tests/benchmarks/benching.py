"""How well does a bench map fit the batches of a propagation plan, and how quickly is it there?

    python -m tests.benchmarks.benching --size S|M --seed K --seconds N
        [--plan-seconds P] [--gap DAYS] [--bench PLACES] [--use PERCENT]

A random propagation problem is planned first; its runs and its work in progress are then put on
benches, by the day. The instances are overfull by design, so every area gets the benches of which
the plan uses PERCENT in its fullest week (90: a good plan's peak by common practice, no source; 0
takes the benches as they are). One JSON line. `over_plan` are place-days that no map could find
room for, `fragmented` the rest of what is short.
"""

from __future__ import annotations

import argparse
import json

from solver.benching import (
    Area,
    Bench,
    Problem,
    Stand,
    first_map,
    in_one_block,
    shortages,
    solve,
    violations,
)
from solver.benching.bound import larger_than_a_bench, least_short
from solver.propagation import Plan
from solver.propagation import Problem as Growing
from solver.propagation import solve as plan_starts
from solver.propagation.judge import loads
from solver.propagation.runs import run
from solver.run import Limits
from tests.benchmarks.propagation_instances import instance

_DAYS = 7
_FIRST_DAY = {"strike": 3, "grow on": 2, "harden off": 1, "ready": 0}
"""On which weekday is an area filled? From the back, so that places can be cleaned between."""


def bench_problem(growing: Growing, plan: Plan, gap: int, places: int, use: int) -> Problem:
    """The stands of a plan's runs and of the work in progress, by the day."""
    taken = loads(growing, plan).places
    room = {
        area.key: -(-max(taken[area.key]) * 100 // use) if use else max(area.places)
        for area in growing.areas
    }
    stands = [*_of_runs(growing, plan), *_in_progress(growing)]
    areas = [
        Area(area.key, tuple(_benches(area.key, room[area.key], places)), gap)
        for area in growing.areas
    ]
    used = {stand.area for stand in stands}
    return Problem(
        periods=growing.weeks * _DAYS + _DAYS,
        areas=tuple(area for area in areas if area.key in used),
        stands=tuple(stands),
        name=growing.name,
    )


def _benches(area: str, room: int, places: int) -> list[Bench]:
    number = max(1, round(room / places))
    ends = [room * (at + 1) // number for at in range(number)]
    return [
        Bench(f"{area} {at + 1}", end - start)
        for at, (start, end) in enumerate(zip([0, *ends], ends, strict=False))
    ]


def _of_runs(growing: Growing, plan: Plan) -> list[Stand]:
    owner = {p.key: (crop.key, p) for crop in growing.crops for p in crop.protocols}
    found = []
    for start in plan.starts:
        crop, protocol = owner[start.protocol]
        one = run(growing.weeks, crop, protocol, start.week, start.extra)
        assert one is not None
        for at, (area, enters, leaves, tray_places) in enumerate(one.stays):
            after = one.stays[at + 1][0] if at + 1 < len(one.stays) else growing.ready_area
            found.append(
                Stand(
                    key=f"{start.protocol} {start.week}+{start.extra} {area}",
                    area=area,
                    crop=crop,
                    places=start.trays * tray_places,
                    enters=enters * _DAYS + _FIRST_DAY[area],
                    leaves=leaves * _DAYS + _FIRST_DAY[after],
                    tray_places=tray_places,
                )
            )
    return found


def _in_progress(growing: Growing) -> list[Stand]:
    """The profile of places that are taken already, cut into as few rectangles as layers allow."""
    found: list[Stand] = []

    def cut(area: str, profile: list[int], first: int, under: int) -> None:
        if not profile:
            return
        low = min(profile)
        if low > under:
            day = _FIRST_DAY[area]
            last = first + len(profile)
            found.append(
                Stand(
                    key=f"{area} now {len(found)}",
                    area=area,
                    crop="",
                    places=low - under,
                    enters=first * _DAYS + (day if first else 0),
                    leaves=last * _DAYS + day - 1,
                )
            )
        at = profile.index(low)
        cut(area, profile[:at], first, low)
        cut(area, profile[at + 1 :], first + at + 1, low)

    for area in growing.areas:
        cut(area.key, list(area.wip_places), 0, 0)
    return found


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("--size", choices=["S", "M"], default="M")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--seconds", type=float, default=30)
    parser.add_argument("--plan-seconds", type=float, default=30)
    parser.add_argument("--gap", type=int, default=1)
    parser.add_argument("--bench", type=int, default=60)
    parser.add_argument("--use", type=int, default=90)
    args = parser.parse_args()
    growing = instance(args.size, args.seed)
    plan = plan_starts(growing, Limits(args.plan_seconds)).found()
    problem = bench_problem(growing, plan, args.gap, args.bench, args.use)
    print(json.dumps(measured(problem, args.seconds)), flush=True)


def measured(problem: Problem, seconds: float) -> dict[str, object]:
    """What comes out, judged here and not by whoever drew the map."""
    at_once = first_map(problem)
    outcome = solve(problem, Limits(seconds))
    plan = outcome.found()
    wrong = violations(problem, plan)
    short = shortages(problem, plan)
    over = sum(least_short(problem, area) for area in problem.areas)
    days = sum(one.places * (one.until - one.first) for one in short)
    return {
        "name": problem.name,
        "benches": sum(len(area.benches) for area in problem.areas),
        "batches": len(problem.stands),
        "overlaps": sum("the same places" in line for line in wrong),
        "gaps_broken": sum("no time to clean" in line for line in wrong),
        "violations": len(wrong),
        "in_one_block": in_one_block(problem, plan),
        "share_in_one_block": round(in_one_block(problem, plan) / len(problem.stands), 4),
        "share_first_fit": round(in_one_block(problem, at_once) / len(problem.stands), 4),
        "places_short": max((one.places for one in short), default=0),
        "place_days_short": days,
        "over_plan": over,
        "fragmented": days - over,
        "larger_than_a_bench": sum(larger_than_a_bench(problem, area) for area in problem.areas),
        "cost": outcome.cost,
        "bound": outcome.bound,
        "first_fit_cost": at_once.cost,
        "seconds": round(outcome.seconds, 2),
        "first_fit_seconds": outcome.notes["seconds_first_fit"],
        "neighbourhoods": outcome.notes.get("neighbourhoods", 0),
    }


if __name__ == "__main__":
    main()
