"""Which day does each order ship if the first to come is the first served? A rule of thumb.

What a dispatch plan must beat: orders in the order in which they came in, each on the first of its
open days that still has plugs and packing minutes; where every day is full, on the first with
plugs.
"""

from __future__ import annotations

from collections import defaultdict

from solver.dispatching.problem import Lot, Order, Plan, Problem


def first_come(problem: Problem, keep: bool = False) -> Plan:
    """Which plan comes of serving first who came first?

    Each takes the plugs with the first last sale day, as a packer would. With `keep`, orders stay
    on their present days where there are plugs, before any other is served.
    """
    shed = _Shed(problem)
    ships: dict[str, int] = {}
    waiting = list(problem.orders)
    if keep:
        kept = [(o.kept_day, o) for o in waiting if o.kept_day in o.open_days]
        for stays, order in sorted(kept, key=lambda pair: pair[0] or 0):
            if stays is not None and shed.has_plugs(order, stays):
                shed.take(order, stays)
                ships[order.key] = stays
    for order in waiting:
        if order.key in ships:
            continue
        day = _first_day(shed, order)
        if day is not None:
            shed.take(order, day)
            ships[order.key] = day
    return Plan(ships)


def stay_first(problem: Problem) -> Plan:
    """Which plan comes of everybody keeping their day who can, and each other taking the cheapest?

    The cheapest by the order's own cost and the minutes that it would take above a day's, with the
    plugs that are left; the heaviest orders choose first. What a packer's desk would do by hand
    after one day was closed, and a start where a solver has little time.
    """
    shed = _Shed(problem)
    ships: dict[str, int] = {}
    kept = [(o.kept_day, o) for o in problem.orders if o.kept_day in o.open_days]
    for stays, order in sorted(kept, key=lambda pair: pair[0] or 0):
        if stays is not None and shed.has_plugs(order, stays):
            shed.take(order, stays)
            ships[order.key] = stays
    for order in sorted(problem.orders, key=lambda order: -order.weight):
        if order.key in ships:
            continue
        day = _cheapest_day(problem, shed, order)
        if day is not None:
            shed.take(order, day)
            ships[order.key] = day
    return Plan(ships)


def _cheapest_day(problem: Problem, shed: _Shed, order: Order) -> int | None:
    """The cheapest open day with plugs, the first of several; None if it is cheaper not to ship."""

    def price(day: int) -> int:
        used = problem.minutes[day] - shed.minutes[day]
        more = problem.overload(day, used + order.minutes_on(day)) - problem.overload(day, used)
        return problem.order_cost(order, day) + more

    home = problem.order_cost(order, None)
    prices = sorted((price(day), day) for day in order.open_days)
    return next((day for cents, day in prices if cents < home and shed.has_plugs(order, day)), None)


def _first_day(shed: _Shed, order: Order) -> int | None:
    """The first open day with plugs and minutes, else the first with plugs."""
    full = None
    for day in order.open_days:
        if shed.has_plugs(order, day):
            if shed.minutes[day] >= order.minutes_on(day):
                return day
            full = day if full is None else full
    return full


class _Shed:
    """What is left of lots and minutes."""

    def __init__(self, problem: Problem) -> None:
        self.minutes = list(problem.minutes)
        self._lots: dict[str, list[Lot]] = {
            pool.key: sorted(pool.lots, key=lambda lot: (lot.last_sale, lot.ready))
            for pool in problem.pools
        }
        self._left = {(pool.key, lot.key): lot.plugs for pool in problem.pools for lot in pool.lots}

    def _on_sale(self, pool: str, day: int) -> list[Lot]:
        return [lot for lot in self._lots[pool] if lot.ready <= day <= lot.last_sale]

    def has_plugs(self, order: Order, day: int) -> bool:
        wanted: dict[str, int] = defaultdict(int)
        for line in order.lines:
            wanted[line.pool] += line.plugs
        return all(
            sum(self._left[pool, lot.key] for lot in self._on_sale(pool, day)) >= plugs
            for pool, plugs in wanted.items()
        )

    def take(self, order: Order, day: int) -> None:
        self.minutes[day] -= order.minutes_on(day)
        for line in order.lines:
            need = line.plugs
            for lot in self._on_sale(line.pool, day):
                here = min(need, self._left[line.pool, lot.key])
                self._left[line.pool, lot.key] -= here
                need -= here
