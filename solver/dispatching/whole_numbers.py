"""A part of the dispatch model in whole numbers: CP-SAT proves what HiGHS is slow at.

With all rows in its relaxation and a plan to start from, CP-SAT on one thread proves most problems
of some hundred to two thousand orders in a half to a tenth of HiGHS's time (measured); on few it is
the other way round, so both run side by side.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING

from solver.late import Late
from solver.linear import LinearAnswer, LinearModel
from solver.run import Limits, Status, run_cp_sat

if TYPE_CHECKING:
    from ortools.sat.python import cp_model
else:
    cp_model = Late("ortools.sat.python.cp_model")

_SETTINGS = {
    "linearization_level": 2,  # all rows in its relaxation
    "symmetry_level": 0,  # no two orders are alike, nor is it worth trying values beforehand
    "cp_model_probing_level": 0,
}


def run_whole_numbers(
    linear: LinearModel, limits: Limits, start: Sequence[float] | None = None
) -> LinearAnswer:
    """The best values of a model whose costs, limits and entries are whole numbers, all of them.

    `start` are values by column to look at first, which need not keep to the rows. Lots to days
    are whole at no loss: with the ship days chosen they are a flow.
    """
    model = cp_model.CpModel()
    columns = [
        model.new_int_var(round(low), round(high), "")
        for low, high in zip(linear.low, linear.high, strict=True)
    ]
    rows: list[list[tuple[cp_model.IntVar, int]]] = [[] for _ in linear.row_low]
    ways = [True] * len(rows)  # only whole columns, once each
    for row, column, value in zip(
        linear.entry_row, linear.entry_column, linear.entry_value, strict=True
    ):
        rows[row].append((columns[column], round(value)))
        ways[row] &= value == 1 and linear.whole[column]
    for low, high, entries, one in zip(linear.row_low, linear.row_high, rows, ways, strict=True):
        _add(model, low, high, entries, one and high == 1)
    if start is not None:
        for at, begins in zip(columns, start, strict=True):
            model.add_hint(at, round(begins))
    priced = [
        round(price) * column for price, column in zip(linear.cost, columns, strict=True) if price
    ]
    model.minimize(sum(priced) + round(linear.constant))
    answer = run_cp_sat(model, limits, _SETTINGS)
    if not answer.solution:
        return LinearAnswer(None, None, float(answer.bound or 0), False)
    return LinearAnswer(
        values=[float(answer.value(column)) for column in columns],
        objective=answer.cost,
        bound=float(answer.bound or 0),
        optimal=answer.status == Status.OPTIMAL,
    )


def _add(
    model: cp_model.CpModel,
    low: float,
    high: float,
    entries: list[tuple[cp_model.IntVar, int]],
    ways: bool,
) -> None:
    """A row; one day at most of an order's is told as that, which is more than a sum."""
    if ways and entries:
        days = [column for column, _ in entries]
        if low == 1:
            model.add_exactly_one(days)
        else:
            model.add_at_most_one(days)
        return
    total = sum(value * column for column, value in entries)
    lowest = cp_model.INT32_MIN if math.isinf(low) else round(low)
    highest = cp_model.INT32_MAX if math.isinf(high) else round(high)
    model.add_linear_constraint(total, lowest, highest)
