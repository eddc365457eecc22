"""Which day does each open order ship, and which lots does it take? The dispatch plan.

`solve(problem, limits)` searches, `violations` and `cost` judge without the solver.
"""

from solver.dispatching.judge import Take, cost, lots_taken, violations
from solver.dispatching.problem import Line, Lot, Order, Plan, Pool, Problem
from solver.dispatching.solve import solve

__all__ = [
    "Line",
    "Lot",
    "Order",
    "Plan",
    "Pool",
    "Problem",
    "Take",
    "cost",
    "lots_taken",
    "solve",
    "violations",
]
