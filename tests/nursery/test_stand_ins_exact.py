"""Tiny dispatches with stand-ins, against every way in which they could be done.

What is tried is the service's own choice of whom to look at again, its problem with alternatives
and its reading of the answer, with the solver between; all possibilities are gone through by hand
and judged by `solver.dispatching.judge.cost`, which knows nothing of alternatives.
"""

from collections.abc import Iterator, Mapping
from dataclasses import replace
from datetime import date, timedelta
from itertools import product
from typing import NamedTuple, cast

import numpy as np
import pytest

from nursery.dispatching.day_needs import DayNeeds
from nursery.dispatching.dispatch_facts import Facts, Waiting
from nursery.dispatching.dispatch_standing import chosen, exclusive, looked_at, useful
from nursery.dispatching.stand_ins import Choice
from nursery.promising.basket import Item, Limits, Parcel
from nursery.promising.desk import Desk
from nursery.promising.plants import Sent
from solver.dispatching.judge import cost, violations
from solver.dispatching.problem import Line, Lot, Order, Plan, Pool, Problem
from solver.dispatching.solve import solve
from solver.run import Limits as Seconds

MONDAY = date(2027, 5, 24)
DAYS, LATE, RE_DATE, STAND_IN = 14, 80, 150, 5
OWN, BOUGHT_IN, OTHER = 1, 2, 3
"""Pools, and products of the same number: the second is the first bought in."""


class Case(NamedTuple):
    """A dispatch as it is first solved, and with every way of every order."""

    facts: Facts
    many: Facts


def a_case(seed: int, orders: int = 3) -> Case:
    """Few plugs on few days, orders with and without a promise, with and without consent."""
    rng = np.random.default_rng(seed)
    lots = {
        pool: tuple(
            Lot(f"{pool}-{n}", int(ready), int(ready) + 8, int(rng.integers(0, 9)))
            for n, ready in enumerate(sorted(rng.integers(0, DAYS - 1, 2)))
        )
        for pool in (OWN, BOUGHT_IN, OTHER)
    }
    pools = tuple(Pool(f"pool-{pool}", found) for pool, found in lots.items())
    ways: dict[str, list[tuple[Waiting, Order]]] = {}
    for number in range(orders):
        ordered = OTHER if rng.random() < 0.3 else OWN
        days = tuple(sorted(map(int, rng.choice(DAYS - 2, 3, replace=False))))
        kept = days[0] if rng.random() < 0.6 else None
        weight = int(rng.integers(1, 3)) * (1 if kept is None else 3)
        plugs, key = int(rng.integers(2, 7)), f"order-{number}"
        agreed = [(OWN, 0)] if ordered == OWN else [(OTHER, 0)]
        if ordered == OWN and rng.random() < 0.7:
            agreed += [(BOUGHT_IN, STAND_IN)] * int(rng.random() < 0.7)
            agreed += [(OTHER, STAND_IN + 1)] * int(rng.random() < 0.7)
        ways[key] = [
            _way(key, at, ordered, pool, worse, days, kept, weight, plugs)
            for at, (pool, worse) in enumerate(agreed)
        ]
    problem = Problem(DAYS, pools, (), (20,) * DAYS, 60, LATE, 2500 + LATE * DAYS, RE_DATE, 1)
    first = [each[0] for each in ways.values()]
    alone = [each[0] for each in ways.values() if len(each) == 1]
    choices = {
        key: tuple(Choice(way.sends, f"~{at}") for at, (way, _) in enumerate(each))
        for key, each in ways.items()
        if len(each) > 1
    }
    marked = [
        (replace(way, key=order.key), order)
        for each in ways.values()
        if len(each) > 1
        for way, order in each
    ]
    return Case(
        _facts(problem, [(w, replace(order, key=w.key)) for w, order in first], {}),
        _facts(problem, [*((w, replace(o, key=w.key)) for w, o in alone), *marked], choices),
    )


def _way(
    key: str,
    at: int,
    ordered: int,
    pool: int,
    worse: int,
    days: tuple[int, ...],
    kept: int | None,
    weight: int,
    plugs: int,
) -> tuple[Waiting, Order]:
    sent = Sent(ordered, OTHER if pool == OTHER else OWN, pool == BOUGHT_IN)
    item = Item(
        product_id=sent.sent,
        pool_id=pool,
        code=str(pool),
        quantity=1,
        plugs=plugs,
        limits=Limits(30.0, -5.0, 4),
        pack_minutes=1.0,
        bought_in=sent.bought_in,
        instead_of=ordered if sent.sent != ordered else None,
    )
    on = {index: MONDAY + timedelta(days=index) for index in days}
    waiting = Waiting(
        key=key,
        reference=key,
        part="",
        may_split=False,
        order_id=1,
        zone_id=1,
        promise_id=None if kept is None else int(key[-1]) + 1,
        parcel=Parcel((item,), 5),
        weight=weight,
        ship_on=None if kept is None else on[kept],
        first_on=None if kept is None else on[kept],
        service="Van",
        services=dict.fromkeys(on.values(), "Van"),
        closed={},
        fixed=False,
        needs=DayNeeds(5, {}),
        changed=at > 0,
        worse_days=worse,
    )
    stands = {d: worse * LATE * weight + (RE_DATE if d == kept and at else 0) for d in days}
    order = Order(
        f"{key}~{at}",
        (Line(f"pool-{pool}", plugs),),
        days,
        days[0],
        weight,
        kept,
        5,
        {day: more for day, more in stands.items() if more},
    )
    return waiting, order


def _facts(
    problem: Problem,
    orders: list[tuple[Waiting, Order]],
    choices: Mapping[str, tuple[Choice, ...]],
) -> Facts:
    return Facts(
        first_day=MONDAY,
        days=DAYS,
        problem=replace(problem, orders=tuple(order for _, order in orders)),
        waiting={way.key: way for way, _ in orders},
        never=(),
        desk=cast(Desk, None),
        accepted=0,
        parts=frozenset(),
        choices=choices,
    )


def solved(problem: Problem) -> Plan:
    return solve(problem, Seconds(seconds=5, threads=1)).found()


def everything(case: Case, fixed: frozenset[str]) -> Iterator[tuple[Problem, Plan]]:
    """Every choice of a way for each order (those in `fixed` as ordered), every day of each."""
    ways: dict[str, list[Order]] = {}
    for order in case.many.problem.orders:
        key = order.key.partition("~")[0]
        ways.setdefault(key, []).append(order)
    options = [
        [
            (order, day)
            for order in (each[:1] if key in fixed else each)
            for day in (*order.open_days, None)
        ]
        for key, each in ways.items()
    ]
    for picked in product(*options):
        problem = replace(case.many.problem, orders=tuple(order for order, _ in picked))
        yield problem, Plan({order.key: day for order, day in picked if day is not None})


def least(case: Case, fixed: frozenset[str] = frozenset()) -> int:
    """The lowest cost that any of them has."""
    possible = (each for each in everything(case, fixed) if not violations(*each))
    return min(cost(*each) for each in possible)


def two_solves(case: Case) -> tuple[int, int, frozenset[str]]:
    """The cost after the first solve and after the second, and the promises that are not touched:
    those that have a day, and plugs that no other promise lacks."""
    facts, many = case
    plan = solved(facts.problem)
    before = cost(facts.problem, plan)
    look = looked_at(facts, plan, STAND_IN)
    again = look.dear | look.generous
    keep = frozenset(k for k, each in facts.waiting.items() if each.promise_id and k not in again)
    asked = {k: c for k, c in many.choices.items() if k in again}
    tried = useful(_only(case, asked), look, facts, plan)
    if tried is None:
        return before, before, keep
    answer, choices = chosen(tried, solved(exclusive(tried)))
    of = {way: key for key, ways in tried.keys.items() for way in ways}
    orders = {of.get(k, k): order for k, order in tried.facts.problem.order_of.items() if
              tried.facts.waiting[k].sends == _sends(choices, of.get(k, k))}  # fmt: skip
    problem = replace(
        facts.problem, orders=tuple(replace(order, key=key) for key, order in orders.items())
    )
    return before, min(before, cost(problem, answer)), keep


def _sends(choices: Mapping[str, tuple[Choice, ...]], key: str) -> tuple[Sent, ...]:
    return choices[key][0].sends if key in choices else ()


def _only(case: Case, asked: Mapping[str, tuple[Choice, ...]]) -> Facts:
    """The orders that are looked at again in their ways, all the others as they are."""
    facts, many = case
    found = [
        (many.waiting[way], many.problem.order_of[way])
        if key in asked
        else (facts.waiting[key], facts.problem.order_of[key])
        for key in facts.waiting
        for way in ([f"{key}{one.mark}" for one in asked[key]] if key in asked else [key])
    ]
    return _facts(many.problem, found, asked)


@pytest.mark.parametrize("seed", range(12))
def test_two_solves_find_the_best_of_all_ways_that_leave_untouched_who_has_a_day(seed: int) -> None:
    """The best of all ways whatever may be cheaper: promises with a day change for promises alone.

    Of 300 such cases two solves cost as little as the best way under that rule in all, and more
    than the best of all in 3, of which 39 %, 36 % and 3 % might have been saved.
    """
    case = a_case(seed)
    before, after, keep = two_solves(case)
    assert least(case) <= least(case, keep) == after <= before
