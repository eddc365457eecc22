"""Which orders wait, which lots are there, and what does a day late cost? The dispatch problem.

Days are 0..days-1, all numbers are whole, costs are in the problem's own cost unit. The JSON forms
are `dispatch-problem/1` and `dispatch-plan/1`.
"""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property
from typing import Annotated, Any

from pydantic import Field

from solver.form import Amount, Shape, Whole, read_shape

PROBLEM_FORM = "dispatch-problem/1"
PLAN_FORM = "dispatch-plan/1"


@dataclass(frozen=True, slots=True)
class Lot:
    """On which days (both included) may these plugs ship?"""

    key: str
    ready: int
    last_sale: int
    plugs: int

    def __post_init__(self) -> None:
        if self.plugs < 0 or self.last_sale < self.ready:
            found = f"ready {self.ready}, last sale {self.last_sale}, {self.plugs} plugs"
            raise ValueError(f"Lot {self.key!r}: plugs >= 0 and last sale >= ready, got {found}")


@dataclass(frozen=True, slots=True)
class Pool:
    """Which lots can an order for this crop and grade take?"""

    key: str
    lots: tuple[Lot, ...]

    def __post_init__(self) -> None:
        keys = {lot.key for lot in self.lots}
        if len(keys) < len(self.lots):
            twice = next(k for k in keys if sum(lot.key == k for lot in self.lots) > 1)
            raise ValueError(f"Pool {self.key!r}: lot {twice!r} stands twice; rename one")


@dataclass(frozen=True, slots=True)
class Line:
    """How many plugs of which pool does an order want?"""

    pool: str
    plugs: int


@dataclass(frozen=True, slots=True)
class Order:
    """What is ordered, and on which days may it leave?

    It ships whole, on one of `open_days`, or not at all. `first_day` is the day promised first (or
    wished), `kept_day` its present ship day or None, `minutes` the time to pack it. To leave on a
    day that is in `day_cost` costs so much more, and on one in `day_minutes` packing takes so many
    minutes more (a heat pack, say); no weight multiplies either, and days left out add nothing.
    """

    key: str
    lines: tuple[Line, ...]
    open_days: tuple[int, ...]
    first_day: int
    weight: int = 1
    kept_day: int | None = None
    minutes: int = 0
    day_cost: Mapping[int, int] = field(default_factory=dict, hash=False)
    day_minutes: Mapping[int, int] = field(default_factory=dict, hash=False)

    def __post_init__(self) -> None:
        if min(self.weight, self.minutes, *(line.plugs for line in self.lines), 0) < 0:
            raise ValueError(f"Order {self.key!r}: weight, minutes and plugs must be >= 0")
        if min(*self.day_cost.values(), *self.day_minutes.values(), 0, 0) < 0:
            found = f"{dict(self.day_cost)} and {dict(self.day_minutes)}"
            raise ValueError(f"Order {self.key!r}: day costs and minutes must be >= 0, got {found}")

    def minutes_on(self, day: int) -> int:
        """How long does it take to pack, if it leaves on this day?"""
        return self.minutes + self.day_minutes.get(day, 0)


@dataclass(frozen=True)
class Problem:
    """Which day does each order ship? Raises ValueError, naming the part, if it cannot be read.

    `minutes[d]` is packing time; a minute more costs `overload_cost`, where `overtime` is given
    only the first `overtime[d]` of a day, and `beyond_cost` each beyond them. Lateness costs
    `weight * late_cost` a day after `first_day`, leaving the kept day `re_date_cost`, a day its
    `day_cost`, not shipping `weight * unshipped_cost`, and a plug `age_cost` a day between its
    lot's ready and ship day.
    """

    days: int
    pools: tuple[Pool, ...]
    orders: tuple[Order, ...]
    minutes: tuple[int, ...]
    overload_cost: int
    late_cost: int
    unshipped_cost: int
    re_date_cost: int
    age_cost: int
    name: str = ""
    cost_unit: str = "cent"
    overtime: tuple[int, ...] = ()
    beyond_cost: int = 0

    def __post_init__(self) -> None:
        if self.days < 1:
            raise ValueError(f"Dispatch problem: days must be >= 1, got {self.days}")
        if len(self.minutes) != self.days:
            found = f"{len(self.minutes)} for {self.days} days"
            raise ValueError(f"Dispatch problem: minutes need one value a day, got {found}")
        costs = (self.overload_cost, self.late_cost, self.unshipped_cost, self.re_date_cost)
        if min(*costs, self.age_cost, *self.minutes, 0) < 0:
            raise ValueError("Dispatch problem: costs and minutes must be >= 0; correct them")
        if self.overtime and len(self.overtime) != self.days:
            found = f"{len(self.overtime)} for {self.days} days"
            raise ValueError(f"Dispatch problem: overtime needs one value a day, got {found}")
        if self.overtime and min(*self.overtime, self.beyond_cost - self.overload_cost, 0) < 0:
            rule = "overtime must be >= 0, and minutes beyond it no cheaper than within"
            raise ValueError(f"Dispatch problem: {rule}; correct them")
        if len(self.pool_of) != len(self.pools) or len(self.order_of) != len(self.orders):
            raise ValueError("Dispatch problem: a pool's or order's key stands twice; rename one")
        for order in self.orders:
            if any(line.pool not in self.pool_of for line in order.lines):
                raise ValueError(f"Order {order.key!r}: a line names a pool that is not there")
            if any(not 0 <= day < self.days for day in order.open_days):
                raise ValueError(f"Order {order.key!r}: open days must be in 0..{self.days - 1}")
            if any(not 0 <= day < self.days for day in (*order.day_cost, *order.day_minutes)):
                rule = f"days with a cost or minutes must be in 0..{self.days - 1}"
                raise ValueError(f"Order {order.key!r}: {rule}")

    @cached_property
    def pool_of(self) -> Mapping[str, Pool]:
        return {pool.key: pool for pool in self.pools}

    @cached_property
    def order_of(self) -> Mapping[str, Order]:
        return {order.key: order for order in self.orders}

    def overload(self, day: int, used: int) -> int:
        """What do the minutes above this day's cost, if so many are used?"""
        over = max(0, used - self.minutes[day])
        near = min(over, self.overtime[day]) if self.overtime else over
        return self.overload_cost * near + self.beyond_cost * (over - near)

    def order_cost(self, order: Order, day: int | None) -> int:
        """What does it cost that this order ships on this day (None: not at all)?

        Lateness, re-dating and the day's own cost; plant age and overload depend on the other
        orders too.
        """
        if day is None:
            return order.weight * self.unshipped_cost
        late = order.weight * self.late_cost * max(0, day - order.first_day)
        moved = order.kept_day is not None and order.kept_day != day
        return late + (self.re_date_cost if moved else 0) + order.day_cost.get(day, 0)

    def to_json(self) -> str:
        """The problem as text of the form dispatch-problem/1."""
        # Left out where there is none: the form is older than it is, and read by others.
        overtime = {"overtime": list(self.overtime), "beyond_cost": self.beyond_cost}
        return json.dumps(
            {
                "form": PROBLEM_FORM,
                "name": self.name,
                "days": self.days,
                "cost_unit": self.cost_unit,
                "pools": [_pool_json(pool) for pool in self.pools],
                "orders": [_order_json(order) for order in self.orders],
                "minutes": list(self.minutes),
                "overload_cost": self.overload_cost,
                "late_cost": self.late_cost,
                "unshipped_cost": self.unshipped_cost,
                "re_date_cost": self.re_date_cost,
                "age_cost": self.age_cost,
                **(overtime if self.overtime else {}),
            },
            separators=(",", ":"),
        )

    @classmethod
    def from_json(cls, text: str | bytes) -> Problem:
        """The problem in a text of the form dispatch-problem/1. Raises ValueError for any other."""
        data = read_shape(text, PROBLEM_FORM, "Dispatch problem", _ProblemShape)
        return cls(
            days=data.days,
            pools=tuple(_pool(pool) for pool in data.pools),
            orders=tuple(_order(order) for order in data.orders),
            minutes=tuple(data.minutes),
            overload_cost=data.overload_cost,
            late_cost=data.late_cost,
            unshipped_cost=data.unshipped_cost,
            re_date_cost=data.re_date_cost,
            age_cost=data.age_cost,
            name=data.name,
            cost_unit=data.cost_unit,
            overtime=tuple(data.overtime),
            beyond_cost=data.beyond_cost,
        )


class _LotShape(Shape):
    key: str
    ready: Whole
    last_sale: Whole
    plugs: Whole


class _PoolShape(Shape):
    key: str
    lots: list[_LotShape]


class _LineShape(Shape):
    pool: str
    plugs: Whole


_DayAmount = Annotated[list[Whole], Field(min_length=2, max_length=2)]
"""A day, and how much more on it."""


class _OrderShape(Shape):
    key: str
    lines: list[_LineShape]
    open_days: list[Whole]
    first_day: Whole
    weight: Whole
    kept_day: Whole | None = None
    minutes: Whole
    day_cost: list[_DayAmount] = Field(default_factory=list)
    day_minutes: list[_DayAmount] = Field(default_factory=list)


class _ProblemShape(Shape):
    days: Whole
    pools: list[_PoolShape]
    orders: list[_OrderShape]
    minutes: list[Whole]
    overload_cost: Whole
    late_cost: Whole
    unshipped_cost: Whole
    re_date_cost: Whole
    age_cost: Whole
    name: str = ""
    cost_unit: str = "cent"
    overtime: list[Whole] = Field(default_factory=list)
    beyond_cost: Whole = 0


class _ShipShape(Shape):
    order: str
    day: Whole


class _PlanShape(Shape):
    ships: list[_ShipShape]
    cost: Amount | None = None
    bound: Annotated[float, Field(allow_inf_nan=False)] | None = None


def _pool_json(pool: Pool) -> dict[str, Any]:
    lots = [
        {"key": lot.key, "ready": lot.ready, "last_sale": lot.last_sale, "plugs": lot.plugs}
        for lot in pool.lots
    ]
    return {"key": pool.key, "lots": lots}


def _order_json(order: Order) -> dict[str, Any]:
    found = {
        "key": order.key,
        "lines": [{"pool": line.pool, "plugs": line.plugs} for line in order.lines],
        "open_days": list(order.open_days),
        "first_day": order.first_day,
        "weight": order.weight,
        "kept_day": order.kept_day,
        "minutes": order.minutes,
    }
    # Left out where there are none: the form is older than they are, and read by others.
    for name, of_day in (("day_cost", order.day_cost), ("day_minutes", order.day_minutes)):
        if of_day:
            found[name] = [[day, of_day[day]] for day in sorted(of_day)]
    return found


def _pool(data: _PoolShape) -> Pool:
    lots = (Lot(lot.key, lot.ready, lot.last_sale, lot.plugs) for lot in data.lots)
    return Pool(data.key, tuple(lots))


def _order(data: _OrderShape) -> Order:
    return Order(
        data.key,
        tuple(Line(line.pool, line.plugs) for line in data.lines),
        tuple(sorted(set(data.open_days))),
        data.first_day,
        data.weight,
        data.kept_day,
        data.minutes,
        {amount[0]: amount[1] for amount in data.day_cost},
        {amount[0]: amount[1] for amount in data.day_minutes},
    )


@dataclass(frozen=True)
class Plan:
    """Which day does each order ship? An order that is not in `ships` does not ship."""

    ships: Mapping[str, int]
    cost: int | None = None
    bound: int | None = None
    form: str = field(default=PLAN_FORM, repr=False)

    def to_json(self) -> str:
        """The plan as text of the form dispatch-plan/1."""
        ships = [{"order": order, "day": day} for order, day in self.ships.items()]
        data = {"form": self.form, "ships": ships, "cost": self.cost, "bound": self.bound}
        return json.dumps(data, separators=(",", ":"))

    @classmethod
    def from_json(cls, text: str | bytes) -> Plan:
        """The plan in a text of the form dispatch-plan/1. Raises ValueError for any other."""
        data = read_shape(text, PLAN_FORM, "Dispatch plan", _PlanShape)
        ships: dict[str, int] = {}
        for each in data.ships:
            if each.order in ships:
                raise ValueError(f"Dispatch plan: order {each.order!r} ships twice; name one day")
            ships[each.order] = each.day
        return cls(ships, data.cost, None if data.bound is None else math.ceil(data.bound - 1e-6))
