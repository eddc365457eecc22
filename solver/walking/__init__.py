"""In which order are the picks of a day walked? The walks of the pick sheet.

`solve(problem, limits)` searches, `first_walks` are there at once, `violations` and `cost` judge
without the solver, `s_shape` is the rule of thumb that a walk must beat.
"""

from solver.walking.judge import cost, length, violations
from solver.walking.one_walk import shortest_walk
from solver.walking.problem import Plan, Problem, Stop
from solver.walking.s_shape import s_shape, s_shape_length, snake
from solver.walking.solve import first_walks, solve

__all__ = [
    "Plan",
    "Problem",
    "Stop",
    "cost",
    "first_walks",
    "length",
    "s_shape",
    "s_shape_length",
    "shortest_walk",
    "snake",
    "solve",
    "violations",
]
