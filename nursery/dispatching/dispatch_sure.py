"""How sure is what a dispatch promises, and which orders would be promised too little?

The floor of quotes is the floor of the dispatch too. An order that has no promise yet is given no
day on which its chance, plugs that still grow counted, is under the site's floor: such a day is
closed to it and the plan solved again. Promises keep theirs: it was sure enough when it was given.
Chances are those of `promising.chances`, beside everything that was promised before: promises
first, then the plan's other new orders by ship day.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import replace
from datetime import date
from math import prod

from nursery.dispatching.dispatch_facts import Facts, Waiting
from nursery.promising.basket import ANY_DAY
from nursery.promising.desk import uncertain
from nursery.promising.held import Held
from nursery.promising.promise_rows import lane_called, open_way
from nursery.promising.ship_days import Ask, Reason, Way, judge
from solver.dispatching.problem import Order, Plan

Doubts = Mapping[str, Mapping[date, Reason]]
"""Days that are closed to orders without a promise, by their keys, and why."""


def stated(facts: Facts, plan: Plan) -> Iterator[tuple[Waiting, Way]]:
    """By which way does each order leave for which something is written, and how sure is it?"""
    for each, way, pools in _chances(facts, plan):
        there = prod(pools[pool].chance(way, plugs) for pool, plugs in each.parcel.plugs.items())
        yield each, replace(way, probability=way.probability * there)


def doubts(facts: Facts, plan: Plan) -> dict[str, dict[date, Reason]]:
    """Which orders without a promise would be promised less than the floor?

    By key: every day open to such an order on which that is so, and why. Empty where none is.
    """
    found: dict[str, dict[date, Reason]] = {}
    for each, way, pools in _chances(facts, plan):
        if each.promise_id is None and _doubt(facts, each, way, pools) is not None:
            days = {
                day: _doubt(facts, each, _way(facts, each, day), pools) for day in each.services
            }
            found[each.key] = {day: why for day, why in days.items() if why is not None}
    return found


def _doubt(facts: Facts, each: Waiting, way: Way, pools: Mapping[int, Held]) -> Reason | None:
    chances = {pool: pools[pool].chance(way, n) for pool, n in each.parcel.plugs.items()}
    return uncertain(each.parcel, way.probability, chances, facts.desk.rules.floor)


def closing(facts: Facts, doubted: Doubts) -> Facts:
    """The same, with these days closed to these orders. Orders that went away are passed over."""
    waiting = dict(facts.waiting)
    for key, days in doubted.items():
        each = waiting.get(key)
        if each is not None and each.promise_id is None:
            services = {day: name for day, name in each.services.items() if day not in days}
            closed = {**each.closed, **{day: (why,) for day, why in days.items()}}
            waiting[key] = replace(each, services=services, closed=closed)
    orders = tuple(
        _with_days(facts, order, waiting[order.key])
        if waiting[order.key] is not facts.waiting[order.key]
        else order
        for order in facts.problem.orders
    )
    return replace(facts, waiting=waiting, problem=replace(facts.problem, orders=orders))


def without(plan: Plan, doubted: Doubts) -> Plan:
    """The plan without the orders that it would promise too little."""
    return replace(plan, ships={k: day for k, day in plan.ships.items() if k not in doubted})


def both(one: Doubts, other: Doubts) -> dict[str, dict[date, Reason]]:
    """All days of either."""
    keys = {**one, **other}
    return {key: {**one.get(key, {}), **other.get(key, {})} for key in keys}


def _with_days(facts: Facts, order: Order, each: Waiting) -> Order:
    days = tuple(day for day in order.open_days if facts.day(day) in each.services)
    return replace(order, open_days=days)


def _chances(facts: Facts, plan: Plan) -> Iterator[tuple[Waiting, Way, Mapping[int, Held]]]:
    """Each order with its way, and the pools with what was given before it."""
    changes = sorted(
        _changes(facts, plan),
        key=lambda change: (change[0].promise_id is None, change[1], change[0].key),
    )
    pools = _without(facts, {each.key for each, _ in changes})
    for each, day in changes:
        yield each, _way(facts, each, day), pools
        for pool, plugs in each.parcel.plugs.items():
            pools[pool].take(day, plugs)


def _way(facts: Facts, each: Waiting, day: date) -> Way:
    lane = lane_called(facts.desk, each.zone_id, each.services[day])
    ask = Ask(each.parcel.limits, each.parcel.minutes)
    way = judge(facts.desk.rules, lane, day, ask)
    if isinstance(way, Way):
        return way
    return open_way(facts.desk, each.zone_id, each.parcel, ANY_DAY, day, lane.service)


def _changes(facts: Facts, plan: Plan) -> Iterable[tuple[Waiting, date]]:
    """The orders for which something is written, with their ship day."""
    for key, index in plan.ships.items():
        each, day = facts.waiting[key], facts.day(index)
        if each.fixed:
            continue
        stays = day == each.ship_on and each.services[day] == each.service and not each.changed
        if each.promise_id is None or not stays:
            yield each, day


def _without(facts: Facts, changed: set[str]) -> dict[int, Held]:
    """The pools with the commitments of those orders alone that stay as they are."""
    pools = {
        pool: replace(held, committed=held.committed * 0) for pool, held in facts.desk.pools.items()
    }
    for key, each in facts.waiting.items():
        if key not in changed and each.ship_on is not None:
            day = max(each.ship_on, facts.first_day)
            for pool, plugs in each.parcel.plugs.items():
                pools[pool].committed[pools[pool].index(day)] += plugs
    return {pool: Held(held, facts.desk.rules.now) for pool, held in pools.items()}
