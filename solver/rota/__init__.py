"""Which day is each task done, and by whom? The rota of a week.

`solve(problem, limits)` searches, `violations` and `cost` judge without the solver, `first_rota`
is there at once.
"""

from solver.rota.judge import Hours, cost, hours, undone, violations, worked
from solver.rota.problem import After, Person, Plan, Problem, Task, Turn
from solver.rota.solve import first_rota, solve, still_held

__all__ = [
    "After",
    "Hours",
    "Person",
    "Plan",
    "Problem",
    "Task",
    "Turn",
    "cost",
    "first_rota",
    "hours",
    "solve",
    "still_held",
    "undone",
    "violations",
    "worked",
]
