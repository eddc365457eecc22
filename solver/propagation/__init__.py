"""How many trays of which protocol start in which week? The propagation plan.

`solve(problem, limits)` searches, `violations` and `cost` judge without the solver.
"""

from solver.propagation.judge import cost, violations
from solver.propagation.plan import Plan, Start
from solver.propagation.problem import Area, Crop, Mother, Problem, Protocol, Stage
from solver.propagation.report import CostByKind, Report, breakdown
from solver.propagation.solving import solve

__all__ = [
    "Area",
    "CostByKind",
    "Crop",
    "Mother",
    "Plan",
    "Problem",
    "Protocol",
    "Report",
    "Stage",
    "Start",
    "breakdown",
    "cost",
    "solve",
    "violations",
]
