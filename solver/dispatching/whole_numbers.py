"""A part of the dispatch model in whole numbers: CP-SAT proves what HiGHS is slow at.

Where packing minutes bind and plugs do not, CP-SAT with a strong relaxation proves some hundred
orders in half of HiGHS's time; where plugs are short it is the other way round (measured), so both
run side by side.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from solver.late import Late
from solver.linear import LinearAnswer, LinearModel
from solver.run import Limits, Status, run_cp_sat

if TYPE_CHECKING:
    from ortools.sat.python import cp_model
else:
    cp_model = Late("ortools.sat.python.cp_model")

_SETTINGS = {"linearization_level": 2}  # all rows in its relaxation


def run_whole_numbers(linear: LinearModel, limits: Limits) -> LinearAnswer:
    """The best values of a model whose costs, limits and entries are whole numbers, all of them.

    Lots to days are whole at no loss: with the ship days chosen they are a flow.
    """
    model = cp_model.CpModel()
    columns = [
        model.new_int_var(round(low), round(high), "")
        for low, high in zip(linear.low, linear.high, strict=True)
    ]
    rows: list[list[tuple[cp_model.IntVar, int]]] = [[] for _ in linear.row_low]
    for row, column, value in zip(
        linear.entry_row, linear.entry_column, linear.entry_value, strict=True
    ):
        rows[row].append((columns[column], round(value)))
    for low, high, entries in zip(linear.row_low, linear.row_high, rows, strict=True):
        _add(model, low, high, entries)
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
    model: cp_model.CpModel, low: float, high: float, entries: list[tuple[cp_model.IntVar, int]]
) -> None:
    total = sum(value * column for column, value in entries)
    lowest = cp_model.INT32_MIN if math.isinf(low) else round(low)
    highest = cp_model.INT32_MAX if math.isinf(high) else round(high)
    model.add_linear_constraint(total, lowest, highest)
