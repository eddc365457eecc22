"""Rotas, boxes, walks and bench maps judged a second time, and against every plan of odd problems.

`small_judges.py` holds judges written apart, from what the forms say. Problems are tiny and odd:
nobody in, tasks of no minutes, boxes without room, places that are none, benches out of use.
"""

from __future__ import annotations

import json
import random
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import pytest

from solver import benching, boxing, rota, walking
from solver.run import Limits, Status
from tests.solver import small_judges as second
from tests.solver.small_judges import Bend, Data


@dataclass(frozen=True)
class Side:
    """What there is of one solver, and what was written apart from it."""

    room: Any
    at_once: Callable[[Any], Any]
    odd: Callable[[int], Data]
    judge: Callable[[Data, Data], int | None]
    bend: Bend
    least: Callable[[Data], int]


def _least(every: Any, judge: Callable[[Data, Data], int | None]) -> Callable[[Data], int]:
    def least(problem: Data) -> int:
        found = (judge(problem, plan) for plan in every(problem))
        return min(cost for cost in found if cost is not None)

    return least


SIDES = {
    "rota": Side(
        rota, rota.first_rota, second.odd_rota, second.judge_rota, second.bent_rota,
        _least(second.every_rota, second.judge_rota),
    ),
    "boxing": Side(
        boxing, boxing.first_boxes, second.odd_boxes, second.judge_boxes, second.bent_boxes,
        second.cheapest_boxes,
    ),
    "walking": Side(
        walking, walking.first_walks, second.odd_walks, second.judge_walks, second.bent_walks,
        second.shortest_walks,
    ),
    "benching": Side(
        benching, benching.first_map, second.odd_map, second.judge_map, second.bent_map,
        _least(second.every_map, second.judge_map),
    ),
}  # fmt: skip


def problem_of(side: Side, seed: int) -> tuple[Data, Any] | None:
    """An odd problem, as data and as read; None where the form refuses it with a reason."""
    data = side.odd(seed)
    try:
        return data, side.room.Problem.from_json(json.dumps(data))
    except ValueError as why:
        assert "no box has room for one" in str(why), why
        return None


def judged_twice(name: str, seed: int) -> Counter[bool]:
    """A plan of an odd problem, and bent ones: are both judges of one mind, each time?"""
    side, verdicts = SIDES[name], Counter[bool]()
    found = problem_of(side, seed)
    if found is None:
        return verdicts
    data, problem = found
    chance = random.Random(seed)
    for _ in range(6):
        plan = json.loads(side.at_once(problem).to_json())
        for _ in range(chance.randint(0, 3)):
            side.bend(data, plan, chance)
        read = side.room.Plan.from_json(json.dumps(plan))
        here = None if side.room.violations(problem, read) else side.room.cost(problem, read)
        assert here == side.judge(data, plan), (name, seed, data, plan)
        if here is None:
            with pytest.raises(ValueError):
                side.room.cost(problem, read)
        verdicts[here is None] += 1
    return verdicts


def solved_against_all(name: str, seed: int) -> bool | None:
    """Is the plan of an odd problem the cheapest of all there are, and is that proven?"""
    side = SIDES[name]
    found = problem_of(side, seed)
    if found is None:
        return None
    data, problem = found
    # Several walks are searched for until the time is over; all others end as they are proven.
    outcome = side.room.solve(problem, Limits(0.02 if name == "walking" else 60.0, threads=1))
    plan, least = json.loads(outcome.found().to_json()), side.least(data)
    assert side.judge(data, plan) == plan["cost"] == outcome.cost, (name, seed, data, plan)
    assert outcome.bound == plan["bound"] <= least <= outcome.cost, (name, seed, least, outcome)
    proven = outcome.status is Status.OPTIMAL
    assert proven == (outcome.bound == outcome.cost), (name, seed, outcome)
    one_walk = sum(stop.get("load", 0) for stop in data.get("stops", ())) <= data.get("trolley", 0)
    assert outcome.cost == least or (name == "walking" and not one_walk), (name, seed, least)
    return bool(proven)


@pytest.mark.parametrize("name", list(SIDES))
def test_two_judges_written_apart_say_the_same_of_any_plan(name: str) -> None:
    verdicts: Counter[bool] = Counter()
    for seed in range(100):
        verdicts += judged_twice(name, seed)
    assert min(verdicts[True], verdicts[False]) > 100, verdicts


@pytest.mark.parametrize("name", list(SIDES))
def test_no_plan_of_an_odd_problem_is_cheaper_than_the_one_that_is_found(name: str) -> None:
    tried = [solved_against_all(name, seed) for seed in range(500, 525)]
    assert sum(one is True for one in tried) > 12, tried
