"""May these walks be walked, and how long are they? Written without the solver."""

from __future__ import annotations

import itertools
from collections import Counter
from collections.abc import Sequence

from solver.walking.problem import Plan, Problem


def violations(problem: Problem, plan: Plan) -> list[str]:
    """What forbids this plan? One sentence each; empty when it can be walked."""
    found = []
    times = Counter(key for walk in plan.walks for key in walk)
    found += [f"Stop {key!r} is not in the problem" for key in times if key not in problem.stop_of]
    if found:
        return found
    for stop in problem.stops:
        if times[stop.key] != 1:
            found.append(f"Stop {stop.key!r} is walked to {times[stop.key]} times")
    for number, walk in enumerate(plan.walks, start=1):
        load = sum(problem.stop_of[key].load for key in walk)
        if load > problem.trolley:
            found.append(f"Walk {number} fetches {load}, the trolley holds {problem.trolley}")
    return found


def length(problem: Problem, walk: Sequence[str]) -> int:
    """How long is a walk from the table by these stops, in this order, and back?"""
    if not walk:
        return 0
    stops = [problem.stop_of[key] for key in walk]
    inner = sum(problem.between(a, b) for a, b in itertools.pairwise(stops))
    return problem.from_table(stops[0]) + inner + problem.from_table(stops[-1])


def cost(problem: Problem, plan: Plan) -> int:
    """How long are all walks together? Raises ValueError for a plan that violates."""
    wrong = violations(problem, plan)
    if wrong:
        raise ValueError(f"Walking plan: {wrong[0]} ({len(wrong)} in all)")
    return sum(length(problem, walk) for walk in plan.walks)
