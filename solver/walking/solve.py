"""In which order are the day's picks walked, when a trolley may have to go several times?

One walk is ordered exactly (`one_walk`). Where one trolley does not hold all, the shortest walk by
all stops is cut into loads as well as it can be (a shortest path over where to cut; Beasley 1983),
then OR-Tools' routing search moves stops between walks, and each walk is ordered exactly again. The
bound is the greater of the shortest walk without a trolley's limit and of the way out and back to
each stop, weighed by its load (Haimovich & Rinnooy Kan 1985).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from math import ceil

from solver.run import Clock, Limits, Outcome, Status, keeping_the_best, run_routing
from solver.walking.judge import cost, length, violations
from solver.walking.one_walk import Known, shortest_walk
from solver.walking.problem import Plan, Problem
from solver.walking.s_shape import s_shape


def solve(problem: Problem, limits: Limits) -> Outcome[Plan]:
    """Which walks are shortest together? Always gives a plan, judged without the solver.

    Proven where one trolley holds everything. A stop or Ctrl-C keeps the best plan so far.
    """
    clock = Clock(limits)
    plan, bound = _first(problem)
    clock.report(cost(problem, plan), bound)
    with keeping_the_best(clock):
        if cost(problem, plan) > bound and clock.left():
            plan = _routed(problem, plan, clock.left())
    best = cost(problem, plan)
    clock.report(best, bound)
    status = Status.STOPPED if clock.stopped() else Status.FEASIBLE
    status = Status.OPTIMAL if best <= bound else status
    return Outcome(replace(plan, cost=best, bound=bound), best, bound, clock.seconds(), status)


def first_walks(problem: Problem) -> Plan:
    """Which walks are there at once, and the same ones every time? One walk is the shortest."""
    plan, bound = _first(problem)
    return replace(plan, cost=cost(problem, plan), bound=bound)


def _first(problem: Problem) -> tuple[Plan, int]:
    """The walks that are there at once, and a bound."""
    order = shortest_walk(problem, problem.stops)
    bound = max(length(problem, order), _out_and_back(problem))
    plan = _again(problem, s_shape(problem))
    if cost(problem, plan) > bound:
        plan = min(plan, Plan(_cut(problem, order)), key=lambda one: cost(problem, one))
    return (plan if cost(problem, plan) <= bound else _routed(problem, plan)), bound


def _out_and_back(problem: Problem) -> int:
    """Twice the way to each stop, by the share of a trolley that its load is, all together."""
    weighed = sum(2 * problem.from_table(stop) * stop.load for stop in problem.stops)
    return ceil(weighed / problem.trolley)


def _again(problem: Problem, plan: Plan) -> Plan:
    """The same loads, each walked in its best order."""
    stops = problem.stop_of
    return Plan(tuple(shortest_walk(problem, [stops[key] for key in walk]) for walk in plan.walks))


def _cut(problem: Problem, order: Sequence[str]) -> tuple[tuple[str, ...], ...]:
    """This order in loads that a trolley holds, cut where it costs least."""
    stops = [problem.stop_of[key] for key in order]
    least: list[tuple[int, int]] = [(0, 0)]
    walks: dict[tuple[int, int], tuple[str, ...]] = {}
    known: Known = {}
    for end in range(1, len(stops) + 1):
        choices, load = [], 0
        for first in range(end - 1, -1, -1):
            load += stops[first].load
            if load > problem.trolley:
                break
            walk = shortest_walk(problem, stops[first:end], known)
            walks[first, end] = walk
            choices.append((least[first][0] + length(problem, walk), first))
        least.append(min(choices))
    found, end = [], len(stops)
    while end:
        first = least[end][1]
        found.append(walks[first, end])
        end = first
    return tuple(found[::-1])


def _routed(problem: Problem, plan: Plan, seconds: float | None = None) -> Plan:
    """Moves stops between walks; the plan that was given where nothing shorter is found."""
    place = {stop.key: at for at, stop in enumerate(problem.stops, start=1)}
    ways = [[0, *(problem.from_table(stop) for stop in problem.stops)]]
    for one in problem.stops:
        to = (problem.between(one, other) for other in problem.stops)
        ways.append([problem.from_table(one), *to])
    loads = [0, *(stop.load for stop in problem.stops)]
    given = [[place[key] for key in walk] for walk in plan.walks]
    found = run_routing(ways, loads, problem.trolley, given, seconds)
    keys = [stop.key for stop in problem.stops]
    routed = _again(problem, Plan(tuple(tuple(keys[at - 1] for at in walk) for walk in found)))
    good = not violations(problem, routed) and cost(problem, routed) < cost(problem, plan)
    return routed if good else plan
