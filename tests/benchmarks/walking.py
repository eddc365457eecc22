"""How long are the walks of random days, beside the rule of thumb and the exact optimum?

    python -m tests.benchmarks.walking --days 200 --seed 0

Days of 4 to 12 picks in ten aisles that one trolley holds, where every order can be tried (Held &
Karp 1962); then days of 20 to 60 picks with a trolley that has to go several times. One JSON line
a kind of day with ratios of the sums of lengths, then the summary.
"""

from __future__ import annotations

import argparse
import json
import random
import time
from collections.abc import Sequence
from typing import Any

from solver.run import Limits
from solver.walking import Problem, cost, s_shape, s_shape_length, solve, violations
from tests.solver.walking_instances import random_day, shortest_length


def days_of(kind: str, days: int, seed: int) -> list[Problem]:
    """So many random days: "one walk" or "several walks"."""
    chance = random.Random(seed)
    if kind == "one walk":
        return [random_day(chance.randrange(10**9), chance.randrange(4, 13)) for _ in range(days)]
    return [
        random_day(chance.randrange(10**9), chance.randrange(20, 61), trolley=300)
        for _ in range(days)
    ]


def line(kind: str, days: Sequence[Problem], seconds: float) -> dict[str, Any]:
    """Our walks beside the others', judged here."""
    ours = bound = thumb = turned = best = wrong = exact = 0
    began = time.perf_counter()
    outcomes = [solve(day, Limits(seconds, threads=1)) for day in days]
    took = time.perf_counter() - began
    for day, outcome in zip(days, outcomes, strict=True):
        plan = outcome.found()
        wrong += len(violations(day, plan))
        ours, bound = ours + cost(day, plan), bound + (outcome.bound or 0)
        snake = s_shape(day)
        turned += cost(day, snake)
        thumb += sum(s_shape_length(day, walk) for walk in snake.walks)
        if kind == "one walk":
            shortest = shortest_length(day)
            best, exact = best + shortest, exact + (shortest == outcome.cost)
    found = {"name": kind, "days": len(days), "violations": wrong, "cost": ours, "bound": bound}
    found |= {"over_s_shape": ours / thumb, "over_s_shape_turning_early": ours / turned}
    found |= {"over_bound": ours / bound, "seconds_a_day": took / len(days)}
    return found | ({"over_optimum": ours / best, "days_optimal": exact} if best else {})


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("--days", type=int, default=200)
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--seconds", type=float, default=0.5, help="for a day of several walks")
    asked = parser.parse_args()
    summary: dict[str, Any] = {"name": "walking"}
    for kind in ("one walk", "several walks"):
        found = line(kind, days_of(kind, asked.days, asked.seed), asked.seconds)
        print(json.dumps(found), flush=True)
        for key in ("over_s_shape", "over_optimum", "over_bound", "violations"):
            if key in found:
                summary[f"{kind}: {key}"] = found[key]
    print(json.dumps(summary))


if __name__ == "__main__":
    main()
