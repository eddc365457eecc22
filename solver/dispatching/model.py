"""The dispatch problem as a linear model: orders on days, lots to days, minutes over the day's."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from solver.dispatching.judge import lots_taken
from solver.dispatching.problem import Plan, Pool, Problem
from solver.linear import LinearAnswer, LinearModel

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]


@dataclass(frozen=True)
class Matrix:
    """A linear model as arrays, with the order, lot (-1: none) and day of each column.

    Whole columns say "order i ships on day d"; the rest are plugs from a lot to a day and minutes
    above a day's. Every column has a finite upper limit, so any prices prove a bound. Lots are
    numbered through all pools. `order_row` is the row of each order (-1: no open day), `row_pool`
    the pool of a row (-1: none).
    """

    cost: Floats
    high: Floats
    order: NDArray[np.int64]
    lot: NDArray[np.int64]
    day: NDArray[np.int64]
    row_low: Floats
    row_high: Floats
    entry_row: NDArray[np.int64]
    entry_column: NDArray[np.int64]
    entry_value: Floats
    constant: int
    order_row: NDArray[np.int64]
    row_pool: NDArray[np.int64]

    @property
    def whole(self) -> Mask:
        return self.order >= 0


def build(problem: Problem) -> Matrix:
    """The whole model. The constant is the cost of shipping nothing; a ship day saves its part."""
    model = LinearModel()
    owner: list[int] = []
    days: list[int] = []
    lots: list[int] = []
    order_row: list[int] = []
    used: dict[str, dict[int, list[tuple[int, float]]]] = defaultdict(lambda: defaultdict(list))
    minutes: dict[int, list[tuple[int, float]]] = defaultdict(list)
    constant = 0
    for i, order in enumerate(problem.orders):
        unshipped = problem.order_cost(order, None)
        constant += unshipped
        plugs: dict[str, int] = defaultdict(int)
        for line in order.lines:
            plugs[line.pool] += line.plugs
        total = sum(plugs.values())
        columns = []
        for day in order.open_days:
            price = problem.order_cost(order, day) - unshipped + problem.age_cost * total * day
            column = model.column(price, 0, 1, True)
            owner.append(i)
            days.append(day)
            columns.append((column, 1.0))
            minutes[day].append((column, float(order.minutes_on(day))))
            for pool, wanted in plugs.items():
                used[pool][day].append((column, -float(wanted)))
        order_row.append(model.row(-math.inf, 1, columns) if columns else -1)
    row_pool = [-1] * len(model.row_low)
    first_lot = 0
    for number, stock in enumerate(problem.pools):
        flows = _add_lots(model, stock, used.get(stock.key, {}), problem.age_cost)
        lots.extend(first_lot + lot for lot, _ in flows)
        days.extend(day for _, day in flows)
        first_lot += len(stock.lots)
        row_pool.extend([number] * (len(model.row_low) - len(row_pool)))
    days.extend(_add_minutes(model, problem, minutes))
    row_pool.extend([-1] * (len(model.row_low) - len(row_pool)))
    return _matrix(model, owner, lots, days, order_row, row_pool, constant)


def _add_lots(
    model: LinearModel, pool: Pool, wanted: dict[int, list[tuple[int, float]]], age_cost: int
) -> list[tuple[int, int]]:
    """Plugs from lots to days. Age is ship day less ready: the ship day is paid by the order.

    Returns the lot, counted within the pool, and the day of each column.
    """
    flows: list[tuple[int, int]] = []
    to_day: dict[int, list[tuple[int, float]]] = {day: [] for day in sorted(wanted)}
    for number, lot in enumerate(pool.lots):
        columns = []
        for day in to_day:
            if lot.ready <= day <= lot.last_sale:
                most = min(lot.plugs, -sum(value for _, value in wanted[day]))
                column = model.column(-age_cost * lot.ready, 0, most)
                columns.append((column, 1.0))
                to_day[day].append((column, 1.0))
                flows.append((number, day))
        if columns:
            model.row(-math.inf, lot.plugs, columns)
    for day, columns in to_day.items():
        model.row(0, 0, columns + wanted[day])
    return flows


def _add_minutes(
    model: LinearModel, problem: Problem, minutes: dict[int, list[tuple[int, float]]]
) -> list[int]:
    """Minutes above those of a day, where more could be packed; returns the day of each column."""
    days: list[int] = []
    for day, columns in minutes.items():
        most = sum(value for _, value in columns)
        if most > problem.minutes[day]:
            within = min(most, problem.overtime[day]) if problem.overtime else most
            over = [(model.column(problem.overload_cost, 0, within), -1.0)]
            if within < most:
                over.append((model.column(problem.beyond_cost, 0, most), -1.0))
            model.row(-math.inf, problem.minutes[day], [*columns, *over])
            days.extend(day for _ in over)
    return days


def _matrix(
    model: LinearModel,
    owner: list[int],
    lots: list[int],
    days: list[int],
    order_row: list[int],
    row_pool: list[int],
    constant: int,
) -> Matrix:
    flows = len(owner) + len(lots)
    others = [-1] * (len(model.cost) - len(owner))
    return Matrix(
        cost=np.array(model.cost, dtype=float),
        high=np.array(model.high, dtype=float),
        order=np.array(owner + others, dtype=np.int64),
        lot=np.array([-1] * len(owner) + lots + [-1] * (len(model.cost) - flows), dtype=np.int64),
        day=np.array(days, dtype=np.int64),
        row_low=np.array(model.row_low, dtype=float),
        row_high=np.array(model.row_high, dtype=float),
        entry_row=np.array(model.entry_row, dtype=np.int64),
        entry_column=np.array(model.entry_column, dtype=np.int64),
        entry_value=np.array(model.entry_value, dtype=float),
        constant=constant,
        order_row=np.array(order_row, dtype=np.int64),
        row_pool=np.array(row_pool, dtype=np.int64),
    )


@dataclass(frozen=True)
class Part:
    """A linear model of some columns of the whole, and the columns that are fixed at one."""

    linear: LinearModel
    columns: NDArray[np.int64]
    fixed: NDArray[np.int64]


def part(whole: Matrix, keep: Mask | None = None, must_ship: Mask | None = None) -> Part:
    """The model of the columns to keep, in which orders that `must_ship` do ship."""
    keep = np.ones(whole.cost.size, dtype=bool) if keep is None else keep
    row_low = whole.row_low.copy()
    if must_ship is not None:
        row_low[whole.order_row[must_ship]] = 1.0
    rows = np.ones(row_low.size, dtype=bool)
    linear = _linear(whole, keep, rows, row_low, whole.row_high)
    return Part(linear, np.flatnonzero(keep), np.zeros(0, dtype=np.int64))


def part_around(whole: Matrix, keep: Mask, fixed: Mask) -> Part:
    """The model of the kept days of some orders, all others staying on their `fixed` columns.

    Only pools that a free order wants are in it, so its objective is not that of the whole.
    """
    used = np.bincount(whole.entry_row, whole.entry_value * fixed[whole.entry_column])
    used = np.pad(used, (0, whole.row_low.size - used.size))
    held = np.zeros(whole.order_row.size, dtype=bool)
    held[whole.order[fixed]] = True
    free = keep & whole.whole & ~held[whole.order]
    rows = np.zeros(whole.row_low.size, dtype=bool)
    rows[whole.entry_row[free[whole.entry_column]]] = True
    pools = np.zeros(int(whole.row_pool.max(initial=0)) + 2, dtype=bool)
    pools[whole.row_pool[rows]] = True
    pools[-1] = False  # rows of no pool
    rows |= pools[whole.row_pool]
    columns = free.copy()
    columns[whole.entry_column[rows[whole.entry_row]]] |= ~whole.whole[
        whole.entry_column[rows[whole.entry_row]]
    ]
    linear = _linear(whole, columns, rows, whole.row_low - used, whole.row_high - used)
    return Part(linear, np.flatnonzero(columns), np.flatnonzero(fixed))


def _linear(
    whole: Matrix, keep: Mask, rows: Mask, row_low: Floats, row_high: Floats
) -> LinearModel:
    entries = keep[whole.entry_column] & rows[whole.entry_row]
    column, row = np.cumsum(keep) - 1, np.cumsum(rows) - 1
    return LinearModel(
        cost=whole.cost[keep].tolist(),
        low=[0.0] * int(keep.sum()),
        high=whole.high[keep].tolist(),
        whole=whole.whole[keep].tolist(),
        row_low=row_low[rows].tolist(),
        row_high=row_high[rows].tolist(),
        entry_row=row[whole.entry_row[entries]].tolist(),
        entry_column=column[whole.entry_column[entries]].tolist(),
        entry_value=whole.entry_value[entries].tolist(),
        constant=float(whole.constant),
    )


@dataclass(frozen=True)
class Prices:
    """What do the relaxation's prices prove? A bound, each column's reduced cost, its value.

    A plan that uses a column costs at least bound + reduced cost; one that leaves a column at its
    upper limit unused costs at least bound - reduced cost; the same for the room of a row.
    """

    bound: float
    reduced: Floats
    of_row: Floats
    value: Floats


def prices(whole: Matrix, answer: LinearAnswer) -> Prices | None:
    """The proof in an answer of the relaxation; None if it has no prices.

    The bound is worked out from the prices alone, so it holds even if they are not the best.
    """
    if answer.prices is None or answer.values is None:
        return None
    of_row = np.array(answer.prices)
    # a price against a row's open side proves nothing
    of_row = np.where(np.isinf(whole.row_low), np.minimum(of_row, 0.0), of_row)
    weighted = whole.entry_value * of_row[whole.entry_row]
    reduced = whole.cost - np.bincount(whole.entry_column, weighted, whole.cost.size)
    sides = np.where(of_row > 0, whole.row_low, whole.row_high)
    rows = np.where(of_row != 0, of_row * np.where(of_row != 0, sides, 0.0), 0.0)
    bound = whole.constant + rows.sum() + np.minimum(reduced * whole.high, 0.0).sum()
    return Prices(float(bound), reduced, of_row, np.array(answer.values))


def plan_of(problem: Problem, whole: Matrix, values: Sequence[float], model: Part) -> Plan:
    """The plan in the values of a part's columns."""
    chosen = model.columns[(np.asarray(values) > 0.5) & whole.whole[model.columns]]
    chosen = np.concatenate([chosen, model.fixed])
    days = zip(whole.order[chosen].tolist(), whole.day[chosen].tolist(), strict=True)
    return Plan({problem.orders[i].key: day for i, day in sorted(days)})


def columns_of(problem: Problem, whole: Matrix, plan: Plan) -> Mask:
    """The whole columns that a plan sets to one."""
    day = np.array([plan.ships.get(order.key, -1) for order in problem.orders], dtype=np.int64)
    return np.asarray(whole.whole & (whole.day == day[whole.order]))


def values_of(problem: Problem, whole: Matrix, plan: Plan) -> Floats:
    """The value of every column in a plan, lots to days the cheapest choice."""
    values = np.where(columns_of(problem, whole, plan), 1.0, 0.0)
    lots = [(pool.key, lot.key) for pool in problem.pools for lot in pool.lots]
    number = {lot: n for n, lot in enumerate(lots)}
    taken = np.zeros((len(lots), problem.days))
    for pool, takes in lots_taken(problem, plan).items():
        for take in takes:
            taken[number[pool, take.lot], take.day] += take.plugs
    over = -np.array(problem.minutes, dtype=float)
    for key, day in plan.ships.items():
        over[day] += problem.order_of[key].minutes_on(day)
    others = np.flatnonzero(~whole.whole)
    of_lots = others[whole.lot[others] >= 0]
    values[of_lots] = taken[whole.lot[of_lots], whole.day[of_lots]]
    for column in others[whole.lot[others] < 0]:  # overtime first, then what is beyond it
        day = int(whole.day[column])
        values[column] = min(max(over[day], 0.0), whole.high[column])
        over[day] -= values[column]
    return values
