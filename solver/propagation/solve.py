"""Which plan is cheapest, and how far from the best can it be? The search within a time limit."""

from __future__ import annotations

from solver.propagation.backward import backward
from solver.propagation.judge import cost, violations
from solver.propagation.model import Taken, build, crop_runs, starts_of
from solver.propagation.plan import Plan
from solver.propagation.problem import Problem
from solver.run import Clock, Limits, Outcome, Status, keeping_the_best, run_linear


def solve(problem: Problem, limits: Limits) -> Outcome[Plan]:
    """The best plan found within the limits, judged, with a bound proven for the full model."""
    clock = Clock(limits)
    best = backward(problem)
    bound = 0
    with keeping_the_best(clock):
        model = build(problem, crop_runs(problem), Taken.by_work_in_progress(problem))
        answer = run_linear(model.linear, max(0.1, clock.left() - 1.0), seed=limits.seed)
        bound = max(0, round(answer.bound - 0.5))
        if answer.values is not None:
            plan = Plan(starts_of(model, list(answer.values)))
            price = cost(problem, plan)
            if not violations(problem, plan) and price < (best.cost or 0):
                best = Plan(plan.starts, price)
    plan = Plan(best.starts, best.cost, min(bound, best.cost or 0))
    status = Status.OPTIMAL if plan.cost == plan.bound else Status.FEASIBLE
    return Outcome(plan, plan.cost, plan.bound, clock.seconds(), status)
