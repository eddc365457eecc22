"""How well does a bench map fit the batches of a propagation plan, and how quickly is it there?

    python -m tests.benchmarks.benching --size S|M --seed K --seconds N
        [--plan-seconds P] [--gap DAYS] [--bench PLACES] [--use PERCENT] [--runs N]

A random propagation problem is planned first; its runs and its work in progress are then put on
benches, by the day. The instances are overfull by design, so every area gets the benches of which
the plan uses PERCENT in its fullest week (90: a good plan's peak by common practice, no source; 0
takes the benches as they are). One JSON line a run, of the seeds from K on. `over_plan` are
place-days that no map could find room for, `fragmented` the rest of what is short.

A plan whose batches do not all find places is solved again with fewer of them, as the nursery does
(`nursery.planning.second_solve`). For this the plan is first solved on the places of those benches,
the rest of which (100 - PERCENT) is room for cleaning. `further` is how often it was solved again,
`missing_first` and `missing` are places times weeks that the first plan and the kept one lack,
`cost_of_fitting` what the kept one costs more (a share). With several runs the last line says how
many needed it.
"""

from __future__ import annotations

import argparse
import json
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

from nursery.planning.second_solve import solve_to_fit
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
from solver.propagation import violations as broken
from solver.propagation.judge import loads
from solver.propagation.runs import run
from solver.run import Limits
from tests.benchmarks.propagation_instances import instance

_DAYS = 7
_FIRST_DAY = {"strike": 3, "grow on": 2, "harden off": 1, "ready": 0}
"""On which weekday is an area filled? From the back, so that places can be cleaned between."""


def rooms(growing: Growing, plan: Plan, use: int) -> dict[str, int]:
    """How many places has each area, so that the plan uses so many per cent in its fullest week?"""
    taken = loads(growing, plan).places
    return {
        area.key: -(-max(taken[area.key]) * 100 // use) if use else max(area.places)
        for area in growing.areas
    }


def bench_problem(
    growing: Growing, plan: Plan, gap: int, places: int, room: Mapping[str, int]
) -> Problem:
    """The stands of a plan's runs and of the work in progress, by the day."""
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


def on_benches(growing: Growing, room: Mapping[str, int], use: int) -> Growing:
    """The problem with the places of these benches, less those that are being cleaned."""
    areas = tuple(
        replace(
            area,
            places=tuple(
                max(standing, room[area.key] * use // 100) for standing in area.wip_places
            ),
        )
        for area in growing.areas
    )
    return replace(growing, areas=areas)


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
    parser.add_argument("--runs", type=int, default=1)
    args = parser.parse_args()
    lines = []
    for seed in range(args.seed, args.seed + args.runs):
        growing = instance(args.size, seed)
        plan = plan_starts(growing, Limits(args.plan_seconds)).found()
        room = rooms(growing, plan, args.use)
        problem = bench_problem(growing, plan, args.gap, args.bench, room)
        line = {**measured(problem, args.seconds)}
        if args.use:
            line |= fitting(on_benches(growing, room, args.use), args, room)
        lines.append(line)
        print(json.dumps(line), flush=True)
    if args.runs > 1:
        print(json.dumps(summary(lines)))


def fitting(
    growing: Growing, args: argparse.Namespace, room: Mapping[str, int]
) -> dict[str, object]:
    """How often is the plan solved again until its batches find their places?"""
    fitted = solve_to_fit(
        growing,
        Limits(args.plan_seconds),
        lambda plan: bench_problem(growing, plan, args.gap, args.bench, room),
        args.seconds,
    )
    wrong = broken(growing, fitted.outcome.found())
    first, kept = fitted.first_cost, fitted.outcome.cost or 0
    return {
        "further": fitted.further,
        "missing_first": sum(fitted.first_short.values()),
        "missing": sum(fitted.short.values()),
        "cost_of_fitting": round(kept / first - 1, 4) if first else 0.0,
        "plan_violations": len(wrong),
    }


def summary(lines: Sequence[Mapping[str, Any]]) -> dict[str, object]:
    """In how many runs did the first plan not fit, and in how many the kept one?"""
    judged = [line for line in lines if "further" in line]
    return {
        "name": "summary",
        "runs": len(lines),
        "first_did_not_fit": sum(line["missing_first"] > 0 for line in judged),
        "solved_again": sum(line["further"] > 0 for line in judged),
        "kept_did_not_fit": sum(line["missing"] > 0 for line in judged),
        "further_solves": sum(line["further"] for line in judged),
        "violations": sum(line["violations"] for line in lines),
    }


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
