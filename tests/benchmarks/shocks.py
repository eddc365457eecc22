"""How calm is a plan after a shock? Changed starts, cost against a plan from scratch, seconds.

    python -m tests.benchmarks.shocks (--file F.json | --size S|M|L --seed K) --seconds N
        [--plan PLAN.json]

A plan is accepted and its first week is past. Then, one at a time: work in progress comes a week
late, every tray gives 15 % fewer plugs, one person in six is away for a month, a tenth of the
largest area is lost for good. Each is planned twice within N seconds: calmly (the first weeks'
starts fixed, each other changed batch costs two batch costs) and from scratch. One JSON line a
shock.
"""

from __future__ import annotations

import argparse
import json
from dataclasses import replace
from pathlib import Path

from solver.propagation import Area, Plan, Problem, cost, solve, violations
from solver.run import Limits
from tests.benchmarks.propagation_instances import instance

SHOCKS = ("a batch a week late", "15 % fewer plugs", "one person away", "a bench lost")


def shocked(problem: Problem, shock: str) -> Problem:
    """The problem after a shock."""
    if shock == SHOCKS[0]:
        return replace(
            problem,
            crops=tuple(
                replace(crop, ready=(0, *crop.ready[:-1])) if at % 6 == 0 else crop
                for at, crop in enumerate(problem.crops)
            ),
        )
    if shock == SHOCKS[1]:
        return replace(
            problem,
            crops=tuple(
                replace(
                    crop,
                    protocols=tuple(
                        replace(p, plugs=tuple(round(0.85 * n) for n in p.plugs))
                        for p in crop.protocols
                    ),
                )
                for crop in problem.crops
            ),
        )
    if shock == SHOCKS[2]:
        away = tuple(
            round(minutes * 5 / 6) if 1 <= week < 5 else minutes
            for week, minutes in enumerate(problem.regular_minutes)
        )
        return replace(problem, regular_minutes=away)
    largest = max(problem.areas, key=lambda area: max(area.places))
    less = tuple(n if week < 1 else round(0.9 * n) for week, n in enumerate(largest.places))
    areas = tuple(
        Area(a.key, less, a.wip_places) if a.key == largest.key else a for a in problem.areas
    )
    return replace(problem, areas=areas)


def calm(problem: Problem, accepted: Plan) -> Problem:
    """The problem with this week's starts fixed and the price of a change on every other one."""
    now = tuple(start for start in accepted.starts if start.week == 0)
    rest = tuple(start for start in accepted.starts if start.week > 0)
    prices = [p.batch_cost[0] for crop in problem.crops for p in crop.protocols]
    return replace(
        problem,
        fixed=now,
        frozen_weeks=1,
        accepted=rest,
        change_cost=2 * round(sum(prices) / max(1, len(prices))),
    )


def changed(accepted: Plan, plan: Plan) -> int:
    """Batches whose trays differ, new ones included."""
    before, after = accepted.batches(), plan.batches()
    return sum(before.get(key, 0) != after.get(key, 0) for key in before.keys() | after.keys())


def main(arguments: list[str] | None = None) -> int:
    parser = argparse.ArgumentParser(prog="tests.benchmarks.shocks", description=__doc__)
    which = parser.add_mutually_exclusive_group(required=True)
    which.add_argument("--file", type=Path)
    which.add_argument("--size", choices=("S", "M", "L"))
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--seconds", type=float, required=True)
    parser.add_argument("--plan", type=Path)
    asked = parser.parse_args(arguments)
    problem = (
        Problem.from_json(asked.file.read_text())
        if asked.file
        else instance(asked.size, asked.seed)
    )
    limits = Limits(asked.seconds)
    if asked.plan:
        accepted = Plan.from_json(asked.plan.read_text())
    else:
        accepted = solve(problem, limits).found()
    for shock in SHOCKS:
        after = shocked(problem, shock)
        scratch = solve(replace(after, fixed=calm(problem, accepted).fixed, frozen_weeks=1), limits)
        again = solve(calm(after, accepted), limits)
        plan = again.found()
        price = cost(after, Plan(plan.starts))
        line = {
            "name": shock,
            "batches": len(accepted.batches()),
            "changed_calm": changed(accepted, plan),
            "changed_from_scratch": changed(accepted, scratch.found()),
            "cost": price,
            "cost_from_scratch": scratch.cost,
            "cost_over_scratch": price / (scratch.cost or 1) - 1,
            "kept_as_it_was": cost(after, Plan(accepted.starts)),
            "seconds": round(again.seconds, 1),
            "violations": violations(calm(after, accepted), plan),
        }
        print(json.dumps(line), flush=True)
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
