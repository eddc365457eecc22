"""Dispatch plans judged a second time, from the form's description alone; odd ones among them.

The second judge is written from `shared/dispatch/README.md`: it reads the JSON texts, shares no
code with the solver, and gives lots to days by a linear program (a transport
problem has whole corners).
"""

from __future__ import annotations

import json
from collections import Counter
from itertools import product
from typing import Any

import numpy as np
import pytest
from scipy.optimize import linprog

from solver.dispatching import Plan, Problem, cost, solve, violations
from solver.run import Limits


def second_judge(problem: dict[str, Any], ships: dict[str, int]) -> int | None:
    """The plan's cost; None if it cannot be carried out."""
    total = 0
    packed: Counter[int] = Counter()
    wanted: dict[str, Counter[int]] = {pool["key"]: Counter() for pool in problem["pools"]}
    for order in problem["orders"]:
        day = ships.get(order["key"])
        if day is None:
            total += order["weight"] * problem["unshipped_cost"]
            continue
        if day not in order["open_days"]:
            return None
        if day > order["first_day"]:
            total += order["weight"] * problem["late_cost"] * (day - order["first_day"])
        if order.get("kept_day") not in (None, day):
            total += problem["re_date_cost"]
        total += dict(order.get("day_cost", [])).get(day, 0)
        packed[day] += order["minutes"] + dict(order.get("day_minutes", [])).get(day, 0)
        for line in order["lines"]:
            wanted[line["pool"]][day] += line["plugs"]
    for day, used in packed.items():
        total += problem["overload_cost"] * max(0, used - problem["minutes"][day])
    for pool in problem["pools"]:
        plug_days = least_plug_days(pool["lots"], wanted[pool["key"]])
        if plug_days is None:
            return None
        total += problem["age_cost"] * plug_days
    return total


def least_plug_days(lots: list[dict[str, Any]], wanted: Counter[int]) -> int | None:
    """Plug-days of the cheapest flow from lots to days; None if some plugs cannot be had."""
    days = [day for day in wanted if wanted[day]]
    if not days:
        return 0
    ways = [
        (i, j)
        for i, lot in enumerate(lots)
        for j, day in enumerate(days)
        if lot["ready"] <= day <= lot["last_sale"]
    ]
    if {j for _, j in ways} != set(range(len(days))):
        return None
    of_lot, of_day = np.zeros((len(lots), len(ways))), np.zeros((len(days), len(ways)))
    for column, (i, j) in enumerate(ways):
        of_lot[i, column] = of_day[j, column] = 1
    answer = linprog(
        [days[j] - lots[i]["ready"] for i, j in ways],
        A_ub=of_lot,
        b_ub=[lot["plugs"] for lot in lots],
        A_eq=of_day,
        b_eq=[wanted[day] for day in days],
    )
    assert answer.status in (0, 2)
    return round(answer.fun) if answer.status == 0 else None


def odd(seed: int) -> dict[str, Any]:
    """A small problem as JSON data, of everything that the form allows and nobody expects."""
    rng = np.random.default_rng(seed)

    def number(low: int, high: int) -> int:
        return int(rng.integers(low, high + 1))

    days = number(1, 4)
    pools = []
    for p in range(number(1, 3)):
        lots = []
        for n in range(number(0, 3)):
            ready = number(-2, days)
            last_sale = ready + number(0, days + 2)
            lot = {"key": f"lot {n}", "ready": ready, "last_sale": last_sale}
            lots.append(lot | {"plugs": number(0, 9)})
        pools.append({"key": f"pool {p}", "lots": lots})
    orders = []
    for o in range(number(0, 4)):
        order: dict[str, Any] = {
            "key": f"order {o}",
            "lines": [
                {"pool": f"pool {number(0, len(pools) - 1)}", "plugs": number(0, 5)}
                for _ in range(number(0, 3))
            ],
            "open_days": [day for day in range(days) if rng.random() < 0.7],
            "first_day": number(-2, days + 2),
            "weight": number(0, 3),
            "kept_day": None if rng.random() < 0.4 else number(-1, days + 1),
            "minutes": number(0, 9),
        }
        for name in ("day_cost", "day_minutes"):
            if rng.random() < 0.4:
                order[name] = [[day, number(0, 50)] for day in range(days) if rng.random() < 0.5]
        orders.append(order)
    prices = ("overload", "late", "unshipped", "re_date", "age")
    costs = {f"{name}_cost": number(0, 1) * number(0, 90) for name in prices}
    minutes = [number(0, 12) for _ in range(days)]
    whole = {"form": "dispatch-problem/1", "days": days, "pools": pools, "orders": orders}
    return whole | costs | {"minutes": minutes, "remark": "a field that nobody asks for"}


def every_choice(data: dict[str, Any]) -> list[dict[str, int]]:
    """Every way to give each order a day or none, closed days among them."""
    keys = [order["key"] for order in data["orders"]]
    return [
        {key: day for key, day in zip(keys, days, strict=True) if day is not None}
        for days in product((None, *range(data["days"])), repeat=len(keys))
    ]


def test_two_judges_written_apart_say_the_same_of_any_plan() -> None:
    verdicts: Counter[bool] = Counter()
    for seed in range(300):
        data = odd(seed)
        problem = Problem.from_json(json.dumps(data))
        choices = every_choice(data)
        rng = np.random.default_rng(seed)
        for pick in rng.integers(0, len(choices), 2):
            ships = choices[pick]
            here = None if violations(problem, Plan(ships)) else cost(problem, Plan(ships))
            assert here == second_judge(data, ships), (seed, ships)
            verdicts[here is None] += 1
    assert min(verdicts.values()) > 50


def test_an_odd_problem_s_plan_is_the_cheapest_and_its_text_is_judged_the_same() -> None:
    tried = 0
    for seed in range(1000, 1100):
        data = odd(seed)
        choices = every_choice(data)
        if len(choices) > 70:
            continue
        outcome = solve(Problem.from_json(json.dumps(data)), Limits(20))
        plan = json.loads(outcome.found().to_json())
        ships = {ship["order"]: ship["day"] for ship in plan["ships"]}
        judged = [second_judge(data, choice) for choice in choices]
        least = min(found for found in judged if found is not None)
        assert second_judge(data, ships) == plan["cost"] == least, seed
        assert outcome.bound is not None and outcome.bound <= least, seed
        tried += 1
    assert tried > 30


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ('{"form":"dispatch-plan/1","ships":[],"ships":[]}', "got 'ships' twice"),
        ('{"form":"dispatch-plan/1","ships":[],"cost":NaN}', "cost: input should be .* got nan"),
        ('{"form":"dispatch-plan/1","ships":[],"bound":1e400}', "bound.*finite"),
        ("[" * 100_000, "no JSON text"),
    ],
)
def test_names_told_twice_and_numbers_that_are_none_are_refused(text: str, says: str) -> None:
    with pytest.raises(ValueError, match=says):
        Plan.from_json(text)
