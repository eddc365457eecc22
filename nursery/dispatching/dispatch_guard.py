"""Is any plug of a promise given to an order that has none? Settled before a dispatch is written.

A promise that the plan leaves without a day still holds its plugs on its own day, and so does one
that was made while the plan was being solved. Orders without a promise may only have what is left.
"""

from collections import defaultdict
from collections.abc import Mapping
from dataclasses import replace

from nursery.dispatching.dispatch_facts import Facts
from solver.dispatching.judge import cheapest_lots
from solver.dispatching.problem import Plan

Days = Mapping[str, int]


def promises_first(facts: Facts, plan: Plan) -> Plan:
    """The plan without orders that went away or would take what is promised to others.

    Promises that it does not name stay on their day where that is open and their plugs are there.
    """
    ships = {key: day for key, day in plan.ships.items() if key in facts.waiting}
    stays = {
        key: max(0, facts.index(each.ship_on))
        for key, each in facts.waiting.items()
        if each.ship_on is not None and key not in ships
    }
    promised = stays | {k: d for k, d in ships.items() if facts.waiting[k].promise_id is not None}
    new = {key: day for key, day in ships.items() if key not in promised}
    owed = {pool: _missing(facts, promised, pool) for pool in facts.problem.pool_of}
    for pool in facts.problem.pool_of:
        for key in _last_first(facts, new, pool):
            if _missing(facts, promised | new, pool) <= owed[pool]:
                break
            del new[key]
    kept = {key: day for key, day in stays.items() if _can_stay(facts, key, day, owed)}
    named = {key: day for key, day in promised.items() if key in ships or key in kept}
    return replace(plan, ships=named | new)


def _missing(facts: Facts, days: Days, pool: str) -> int:
    """How many plugs of this pool are too few, if these orders leave on these days?"""
    wanted: dict[int, int] = defaultdict(int)
    for key, day in days.items():
        for line in facts.problem.order_of[key].lines:
            if line.pool == pool:
                wanted[day] += line.plugs
    return cheapest_lots(facts.problem.pool_of[pool], wanted)[1]


def _last_first(facts: Facts, new: Days, pool: str) -> list[str]:
    """The orders without a promise that use this pool: the least weighty and latest first."""
    place = {key: i for i, key in enumerate(facts.waiting)}
    orders = facts.problem.order_of
    users = [key for key in new if any(line.pool == pool for line in orders[key].lines)]
    return sorted(users, key=lambda key: (orders[key].weight, -place[key]))


def _can_stay(facts: Facts, key: str, day: int, owed: Mapping[str, int]) -> bool:
    order = facts.problem.order_of[key]
    return day in order.open_days and not any(owed[line.pool] for line in order.lines)
