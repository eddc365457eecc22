"""How near to the reference are published capacitated lot-sizing instances with setup times?

    python -m tests.benchmarks.clsp FILES --seconds N [--out DIR] [--reference REF.json]

The files are of the form of Trigeiro, Thomas & McClain (1989): items, periods, unit cost,
capacity; per item capacity per unit, holding cost, setup capacity, setup cost; then demands, a
period a row; then a footer of words. They run through `solver.propagation` unchanged: an item is a
crop that takes no time, production minutes are a stage's, setup time is minutes per batch. One JSON
line a file, the last line the summary; costs are in the file's own unit.
"""

from __future__ import annotations

import argparse
import json
import math
import time
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from solver.propagation import Area, Crop, Plan, Problem, Protocol, Stage, solve, violations
from solver.propagation.judge import complete, loads
from solver.run import Limits


@dataclass(frozen=True)
class LotSizing:
    """A file: capacity per period, per item unit use, holding cost, setup use and setup cost."""

    name: str
    capacity: float
    items: tuple[tuple[float, float, float, float], ...]
    demand: tuple[tuple[int, ...], ...]


def read(text: str, name: str) -> LotSizing:
    """Reads a file's numbers; the footer of words ends them."""
    numbers: list[float] = []
    for word in text.split():
        try:
            numbers.append(float(word))
        except ValueError:
            break
    items, periods = int(numbers[0]), int(numbers[1])
    rows = numbers[4 : 4 + 4 * items]
    wanted = numbers[4 + 4 * items : 4 + 4 * items + items * periods]
    return LotSizing(
        name=name,
        capacity=numbers[3],
        items=tuple(
            (rows[4 * at], rows[4 * at + 1], rows[4 * at + 2], rows[4 * at + 3])
            for at in range(items)
        ),
        demand=tuple(
            tuple(int(wanted[period * items + at]) for period in range(periods))
            for at in range(items)
        ),
    )


def scale_of(values: list[float]) -> int:
    """The smallest power of ten that makes all numbers whole (at most ten thousand)."""
    for scale in (1, 10, 100, 1000):
        if all(abs(value * scale - round(value * scale)) < 1e-9 for value in values):
            return scale
    return 10_000


def to_problem(lots: LotSizing) -> tuple[Problem, int]:
    """The same question as a propagation problem, and how often its cost is the file's unit."""
    periods = len(lots.demand[0])
    money = scale_of([item[1] for item in lots.items] + [item[3] for item in lots.items])
    work = scale_of([lots.capacity] + [n for item in lots.items for n in (item[0], item[2])])
    total = sum(sum(row) for row in lots.demand)
    never = money * math.ceil(
        sum(item[3] for item in lots.items) * periods
        + max(item[1] for item in lots.items) * total * periods
    )
    none = (0,) * periods
    crops = tuple(
        Crop(
            key=f"item-{at:02d}",
            demand=lots.demand[at],
            ready=none,
            life=periods,
            lateness=0,
            shortage_cost=never,
            late_cost=0,
            store_cost=round(holding * money),
            discard_cost=0,
            protocols=(
                Protocol(
                    key=f"item-{at:02d}/make",
                    tray_cost=0,
                    batch_cost=(round(setup_cost * money),) * periods,
                    batch_minutes=round(setup * work),
                    smallest_batch=1,
                    plugs=(1,),
                    stages=(Stage("store", 0, round(unit * work), none),),
                ),
            ),
        )
        for at, (unit, holding, setup, setup_cost) in enumerate(lots.items)
    )
    problem = Problem(
        name=lots.name,
        weeks=periods,
        areas=(Area("store", (total + 1,) * periods, none),),
        crops=crops,
        regular_minutes=(math.floor(lots.capacity * work),) * periods,
        overtime_minutes=none,
        wip_minutes=none,
        regular_cost=0,
        overtime_cost=0,
        beyond_cost=never,
        overflow_cost=0,
        starts_per_week=len(crops),
        ready_area="store",
        plugs_per_ready_place=1,
        cost_unit=f"unit / {money}",
    )
    return problem, money


def production(problem: Problem, plan: Plan) -> list[list[int]]:
    """Units of each item made in each period that meet a demand.

    What a batch holds beyond that costs nothing in the problem, since nobody has to keep it;
    in the file's terms it would lie in stock to the end, so it is not made.
    """
    made = [[0.0] * problem.weeks for _ in problem.crops]
    place = {crop.key: at for at, crop in enumerate(problem.crops)}
    for flow in complete(problem, loads(problem, plan)).flows:
        made[place[flow.crop]][flow.ready] += flow.plugs
    return [[round(units) for units in row] for row in made]


def judge(lots: LotSizing, made: list[list[int]]) -> tuple[float, list[str]]:
    """Setups and end-of-period stock in the file's unit, and what is broken; apart from solver."""
    cost, broken = 0.0, []
    for at, (_, holding, _, setup_cost) in enumerate(lots.items):
        stock = 0
        for period, units in enumerate(made[at]):
            stock += units - lots.demand[at][period]
            if stock < 0:
                broken.append(f"item {at}: {-stock} short in period {period}")
            cost += holding * max(0, stock) + (setup_cost if units else 0)
    for period in range(len(lots.demand[0])):
        used = sum(
            item[0] * made[at][period] + (item[2] if made[at][period] else 0)
            for at, item in enumerate(lots.items)
        )
        if used > lots.capacity + 1e-6:
            broken.append(f"period {period}: {used} used of {lots.capacity}")
    return cost, broken


def main(arguments: list[str] | None = None) -> int:
    parser = argparse.ArgumentParser(prog="tests.benchmarks.clsp", description=__doc__)
    parser.add_argument("files", nargs="+", type=Path)
    parser.add_argument("--seconds", type=float, required=True)
    parser.add_argument("--threads", type=int, default=2)
    parser.add_argument("--out", type=Path)
    parser.add_argument("--reference", type=Path)
    asked = parser.parse_args(arguments)
    known = json.loads(asked.reference.read_text()) if asked.reference else {}
    over: list[float] = []
    gaps: list[float] = []
    for file in asked.files:
        line = _run(file, asked)
        if file.stem in known and line["cost"] is not None:
            line["over_reference"] = line["cost"] / known[file.stem]["best"] - 1
            over.append(line["over_reference"])
        gaps.append(line["gap"])
        print(json.dumps(line), flush=True)
    summary: dict[str, Any] = {"name": "all", "files": len(gaps), "gap": sum(gaps) / len(gaps)}
    if over:
        summary |= {"mean_over_reference": sum(over) / len(over), "most_over_reference": max(over)}
    print(json.dumps(summary), flush=True)
    return 0


def _run(file: Path, asked: argparse.Namespace) -> dict[str, Any]:
    lots = read(file.read_text(errors="replace"), file.stem)
    problem, money = to_problem(lots)
    began = time.monotonic()
    outcome = solve(problem, Limits(asked.seconds, asked.threads))
    seconds = time.monotonic() - began
    plan = outcome.found()
    made = production(problem, plan)
    cost, broken = judge(lots, made)
    broken += violations(problem, plan)
    if asked.out:
        asked.out.mkdir(parents=True, exist_ok=True)
        (asked.out / f"{file.stem}.json").write_text(json.dumps({"production": made}))
    bound = (outcome.bound or 0) / money
    return {
        "name": file.stem,
        "cost": round(cost, 4),
        "bound": round(bound, 4),
        "gap": max(0.0, (cost - bound) / cost) if cost else 0.0,
        "seconds": round(seconds, 2),
        "violations": broken,
    }


if __name__ == "__main__":
    raise SystemExit(main())
