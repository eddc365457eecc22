"""How good is a propagation plan after N seconds? One JSON line a way, the last the summary.

    python -m tests.benchmarks.propagation (--file F.json | --size S|M|L --seed K) --seconds N
        [--out PLAN.json] [--plain]

`--plain` also gives the same time to the plain flow model (HiGHS through MathOpt) and to plain
CP-SAT. Costs are judged by `solver.propagation.cost`; gap = (cost - bound) / cost.
"""

from __future__ import annotations

import argparse
import json
import sys
import time
from collections import defaultdict
from pathlib import Path
from typing import Any

from ortools.sat.python import cp_model

from solver.propagation import Plan, Problem, Start, cost, solve, violations
from solver.propagation.model import Taken, build, crop_runs, starts_of
from solver.rules_of_thumb import backward
from solver.run import Limits, Progress, relative_gap, run_cp_sat, run_linear
from tests.benchmarks.propagation_instances import instance


def main(arguments: list[str] | None = None) -> int:
    asked = _arguments(arguments)
    if asked.file:
        try:
            problem = Problem.from_json(asked.file.read_bytes())
        except (OSError, ValueError) as wrong:
            print(f"{asked.file}: {wrong}", file=sys.stderr)
            return 2
    else:
        problem = instance(asked.size, asked.seed)
    sheet = backward(problem)
    if asked.plain:
        for name, way in (("plain HiGHS", _plain_highs), ("plain CP-SAT", _plain_cp_sat)):
            began = time.monotonic()
            plan, bound = way(problem, asked.seconds)
            line = _line(problem, name, plan, bound)
            _print({**line, "seconds": round(time.monotonic() - began, 2)})
    shown = _Shown(asked.progress)
    outcome = solve(problem, Limits(asked.seconds, asked.threads, asked.seed, shown))
    plan = outcome.found()
    if asked.out:
        asked.out.write_text(plan.to_json())
    line = _line(problem, problem.name, plan, outcome.bound)
    line["seconds"] = round(outcome.seconds, 2)
    line["first_plan_seconds"] = shown.first
    line["backward_cost"] = sheet.cost
    _print(line)
    return 0


class _Shown:
    """Notes when the first plan came, and prints progress to the error stream if asked."""

    def __init__(self, wanted: bool) -> None:
        self.wanted = wanted
        self.first: float | None = None

    def __call__(self, progress: Progress) -> None:
        if self.first is None and progress.cost is not None:
            self.first = round(progress.seconds, 2)
        if self.wanted:
            gap = f"{progress.gap:.3%}" if progress.gap is not None else "-"
            line = f"{progress.seconds:7.1f} s  cost {progress.cost}  bound {progress.bound}  {gap}"
            print(line, file=sys.stderr, flush=True)


def _arguments(arguments: list[str] | None) -> argparse.Namespace:
    parser = argparse.ArgumentParser(prog="tests.benchmarks.propagation", description=__doc__)
    which = parser.add_mutually_exclusive_group(required=True)
    which.add_argument("--file", type=Path)
    which.add_argument("--size", choices=("S", "M", "L"))
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--seconds", type=float, required=True)
    parser.add_argument("--threads", type=int, default=2)
    parser.add_argument("--out", type=Path)
    parser.add_argument("--plain", action="store_true")
    parser.add_argument("--progress", action="store_true")
    return parser.parse_args(arguments)


def _line(problem: Problem, name: str, plan: Plan, bound: float | None) -> dict[str, Any]:
    broken = violations(problem, plan)
    price = None if broken else cost(problem, plan)
    whole = None if bound is None else round(bound)
    return {
        "name": name,
        "cost": price,
        "bound": whole,
        "gap": relative_gap(price, whole),
        "violations": broken,
    }


def _print(line: dict[str, Any]) -> None:
    print(json.dumps(line), flush=True)


def _plain_highs(problem: Problem, seconds: float) -> tuple[Plan, float]:
    """The flow model as it is, given to HiGHS through MathOpt."""
    model = build(problem, crop_runs(problem), Taken.by_work_in_progress(problem))
    answer = run_linear(model.linear, seconds)
    starts = () if answer.values is None else starts_of(model, answer.values)
    return Plan(starts), max(0.0, answer.bound)


def _plain_cp_sat(problem: Problem, seconds: float) -> tuple[Plan, float]:
    """The flow model as it is, in whole numbers, given to CP-SAT."""
    flow = build(problem, crop_runs(problem), Taken.by_work_in_progress(problem))
    linear, scale = flow.linear, problem.plugs_per_ready_place
    model = cp_model.CpModel()
    most = 10**7 * scale
    columns = [
        model.new_int_var(int(low), int(min(high, most)), "")
        for low, high in zip(linear.low, linear.high, strict=True)
    ]
    rows: dict[int, list[tuple[int, float]]] = defaultdict(list)
    for row, column, value in zip(
        linear.entry_row, linear.entry_column, linear.entry_value, strict=True
    ):
        rows[row].append((column, value))
    for row, entries in rows.items():
        times = 1 if all(value == int(value) for _, value in entries) else scale
        total = cp_model.LinearExpr.weighted_sum(
            [columns[column] for column, _ in entries],
            [round(value * times) for _, value in entries],
        )
        low, high = linear.row_low[row], linear.row_high[row]
        model.add_linear_constraint(
            total,
            cp_model.INT_MIN if low == -float("inf") else round(low * times),
            cp_model.INT_MAX if high == float("inf") else round(high * times),
        )
    model.minimize(
        cp_model.LinearExpr.weighted_sum(columns, [round(value) for value in linear.cost])
    )
    answer = run_cp_sat(model, Limits(seconds))
    starts = tuple(
        sorted(
            Start(*key, answer.value(columns[column]))
            for key, column in flow.trays.items()
            if answer.solution and answer.value(columns[column])
        )
    )
    return Plan(starts), (answer.bound or 0) + linear.constant


if __name__ == "__main__":
    raise SystemExit(main())
