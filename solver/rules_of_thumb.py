"""What would a careful person with a sheet plan? The opponents that a plan must beat.

`backward(problem)` is the propagation plan that counts back from each demand week.
"""

from solver.propagation.backward import backward

__all__ = ["backward"]
