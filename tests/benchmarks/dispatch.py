"""How good are dispatch plans, and how quickly, beside plainer ways in the same run?

    python -m tests.benchmarks.dispatch (--size S|M|L --seed K | --file F.json) --seconds N
        [--out PLAN.json] [--alone] [--replan]

One JSON line a way, the last is ours. `--alone` leaves the plain model out; `--replan` closes the
fullest day of our plan and plans again in 3 seconds.
"""

from __future__ import annotations

import argparse
import json
import time
from collections import Counter
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

from solver.dispatching import Plan, Problem, cost, solve, violations
from solver.dispatching.model import build, part, plan_of
from solver.first_come import first_come
from solver.run import Limits, relative_gap, run_linear
from tests.solver.dispatch_instances import sized


def line(
    problem: Problem, way: str, plan: Plan | None, seconds: float, **more: Any
) -> dict[str, Any]:
    """One result, judged here and not by whoever made the plan."""
    wrong = None if plan is None else len(violations(problem, plan))
    found = cost(problem, plan) if plan is not None and not wrong else None
    bound = more.pop("bound", None)
    gap = relative_gap(found, bound)
    result = {"name": problem.name, "way": way, "cost": found, "bound": bound, "gap": gap}
    return result | {"seconds": round(seconds, 3), "violations": wrong} | more


def plain(problem: Problem, seconds: float) -> tuple[Plan | None, int | None]:
    """The whole model given to HiGHS as it is."""
    whole = build(problem)
    model = part(whole)
    answer = run_linear(model.linear, seconds)
    plan = None if answer.values is None else plan_of(problem, whole, answer.values, model)
    return plan, round(answer.bound) if abs(answer.bound) < 1e18 else None


def one_day_held(problem: Problem, plan: Plan) -> Problem:
    """The problem after a hold on the fullest day, everybody else keeping the day of the plan."""
    fullest = Counter(plan.ships.values()).most_common(1)[0][0]
    return replace(
        problem,
        name=f"{problem.name}, day {fullest} held",
        orders=tuple(
            replace(
                order,
                open_days=tuple(day for day in order.open_days if day != fullest),
                kept_day=plan.ships.get(order.key),
            )
            for order in problem.orders
        ),
    )


def timed(problem: Problem, limits: Limits, **more: Any) -> tuple[Plan, dict[str, Any]]:
    start = time.perf_counter()
    outcome = solve(problem, limits)
    took = time.perf_counter() - start
    plan = outcome.found()
    return plan, line(problem, "ours", plan, took, bound=outcome.bound, **more)


def run(problem: Problem, seconds: float, alone: bool, replan: bool, out: str | None) -> None:
    start = time.perf_counter()
    rule = first_come(problem)
    of_rule = line(problem, "first come", rule, time.perf_counter() - start)
    show(of_rule)
    beside: dict[str, Any] = {"first_come_cost": of_rule["cost"]}
    if not alone:
        start = time.perf_counter()
        plan, bound = plain(problem, seconds)
        of_plain = line(problem, "plain", plan, time.perf_counter() - start, bound=bound)
        show(of_plain)
        beside |= {f"plain_{key}": of_plain[key] for key in ("cost", "bound", "gap", "seconds")}
    ours, result = timed(problem, Limits(seconds), orders=len(problem.orders), **beside)
    if replan:
        _, again = timed(one_day_held(problem, ours), Limits(3))
        show(again | {"way": "replan after one hold"})
    if out:
        Path(out).write_text(ours.to_json())
    show(result)


def show(result: Mapping[str, Any]) -> None:
    print(json.dumps(result), flush=True)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    what = parser.add_mutually_exclusive_group(required=True)
    what.add_argument("--file")
    what.add_argument("--size", choices=["S", "M", "L"])
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--seconds", type=float, default=10)
    parser.add_argument("--out")
    parser.add_argument("--alone", action="store_true")
    parser.add_argument("--replan", action="store_true")
    args = parser.parse_args()
    if args.file:
        try:
            problem = Problem.from_json(Path(args.file).read_bytes())
        except (OSError, ValueError) as wrong:
            parser.error(str(wrong))
    else:
        problem = sized(args.size, args.seed)
    solve(sized("S", 0), Limits(1))  # what a process imports once is no part of a solve
    run(problem, args.seconds, args.alone, args.replan, args.out)


if __name__ == "__main__":
    main()
