"""Questions with a cost, answered within a time limit; one module or folder a question.

Each has a frozen problem and plan that round-trip through JSON, `solve(problem, limits)`, and
`violations` and `cost`, which are written without the solver and judge every plan.
"""
