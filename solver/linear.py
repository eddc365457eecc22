"""What are the best values of a linear model, whole where asked? Solved by OR-Tools' MathOpt.

A `LinearModel` is gathered column by column and row by row as flat lists (fast enough for some
hundred thousand entries) and handed over as one message, which takes a tenth of the time of
building it from expressions. `solver.run` holds the parameters.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

INFINITY = float("inf")


@dataclass
class LinearModel:
    """A minimisation that is being gathered: columns, rows, and the entries of the matrix."""

    cost: list[float] = field(default_factory=list)
    low: list[float] = field(default_factory=list)
    high: list[float] = field(default_factory=list)
    whole: list[bool] = field(default_factory=list)
    row_low: list[float] = field(default_factory=list)
    row_high: list[float] = field(default_factory=list)
    entry_row: list[int] = field(default_factory=list)
    entry_column: list[int] = field(default_factory=list)
    entry_value: list[float] = field(default_factory=list)
    constant: float = 0.0

    def column(
        self, cost: float, low: float = 0.0, high: float = INFINITY, whole: bool = False
    ) -> int:
        """Adds a column and returns its number."""
        self.cost.append(cost)
        self.low.append(low)
        self.high.append(high)
        self.whole.append(whole)
        return len(self.cost) - 1

    def row(self, low: float, high: float, entries: Iterable[tuple[int, float]]) -> int:
        """Adds `low <= sum of value x column <= high`; a column may stand once only."""
        number = len(self.row_low)
        self.row_low.append(low)
        self.row_high.append(high)
        for column, value in entries:
            self.entry_row.append(number)
            self.entry_column.append(column)
            self.entry_value.append(value)
        return number


@dataclass(frozen=True)
class LinearAnswer:
    """What came out: values by column (none if nothing was found), objective, proven bound.

    `prices` are the rows' dual values, of relaxations only; `optimal` within the gap asked for.
    """

    values: Sequence[float] | None
    objective: float | None
    bound: float
    optimal: bool
    prices: Sequence[float] | None = None
