"""Which boxes does an order take, and what goes into which?

`solve(problem, limits)` searches, `violations` and `cost` judge without the solver, `first_boxes`
are there at once, and so is the `least_cost` of any plan.
"""

from solver.boxing.judge import cost, violations, weight
from solver.boxing.problem import Band, Box, Item, Packed, Plan, Problem
from solver.boxing.solve import first_boxes, least_cost, solve

__all__ = [
    "Band",
    "Box",
    "Item",
    "Packed",
    "Plan",
    "Problem",
    "cost",
    "first_boxes",
    "least_cost",
    "solve",
    "violations",
    "weight",
]
