"""Which tray places does each batch take, and on which bench? The bench map.

`solve(problem, limits)` searches, `violations` and `cost` judge without the solver, `first_map` is
there at once.
"""

from solver.benching.judge import Shortage, cost, in_one_block, shortages, violations
from solver.benching.problem import Apart, Area, Bench, Block, Plan, Problem, Stand, merged
from solver.benching.solve import first_map, solve

__all__ = [
    "Apart",
    "Area",
    "Bench",
    "Block",
    "Plan",
    "Problem",
    "Shortage",
    "Stand",
    "cost",
    "first_map",
    "in_one_block",
    "merged",
    "shortages",
    "solve",
    "violations",
]
