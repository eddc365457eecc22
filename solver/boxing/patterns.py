"""Which boxes does a large order take? Whole boxes are chosen among ways to fill one.

Column generation (Gilmore & Gomory 1961): the linear relaxation over all ways to fill a box is
solved by adding, again and again, the way that its prices value most; its value bounds every plan.
The best whole choice among the ways that were found is the plan.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from math import ceil

from solver.boxing.filling import best_filling
from solver.boxing.problem import Band, Packed, Plan, Problem
from solver.linear import INFINITY, LinearModel
from solver.run import Clock, run_linear

_ENOUGH = 1e-6

Way = tuple[str, tuple[tuple[str, int], ...], int]
"""A kind of box, what is in it, and what it costs with its postage."""


def by_patterns(problem: Problem, clock: Clock, first: Plan) -> tuple[Plan | None, int]:
    """A plan, if one was found in time, and a proven bound (0 where the time was too short)."""
    ways = [_priced(problem, box) for box in first.boxes]
    ways += [_priced(problem, box) for box in _alone(problem)]
    bound = 0
    while clock.left():
        answer = run_linear(_master(problem, ways), clock.left(), relaxed=True)
        if answer.prices is None or not answer.optimal:
            break
        found = _worth_adding(problem, list(answer.prices), clock)
        if found is None:
            break
        if not found:
            bound = ceil(answer.bound - _ENOUGH * max(1.0, abs(answer.bound)))
            break
        ways += found
    whole = run_linear(_master(problem, ways), max(0.1, clock.left()), gap=1e-9)
    plan = None if whole.values is None else _plan(problem, ways, whole.values)
    return plan, bound


def _priced(problem: Problem, box: Packed) -> Way:
    kind = problem.box_of[box.box]
    weighs = kind.weight + sum(problem.item_of[key].weight * n for key, n in box.holds)
    return box.box, box.holds, kind.price + problem.postage(weighs)


def _alone(problem: Problem) -> list[Packed]:
    """A bundle of each item in a box of its own, so that the relaxation always has an answer."""
    return [
        Packed(next(b.key for b in problem.boxes if problem.fits(item, b)), ((item.key, 1),))
        for item in problem.items
        if item.count
    ]


def _master(problem: Problem, ways: list[Way]) -> LinearModel:
    """Boxes of each way so that everything is packed at least as often as is wanted."""
    model = LinearModel()
    rows: dict[str, list[tuple[int, float]]] = {item.key: [] for item in problem.items}
    for _, holds, price in ways:
        column = model.column(float(price), whole=True)
        for key, count in holds:
            rows[key].append((column, float(count)))
    for item in problem.items:
        model.row(float(item.count), INFINITY, rows[item.key])
    return model


def _worth_adding(problem: Problem, prices: list[float], clock: Clock) -> list[Way] | None:
    """For each kind of box and band the way that is worth most beyond its price, if any is.

    None where the time ran out, so that nothing is known.
    """
    found = []
    for box in problem.boxes:
        for band in problem.bands or (Band(problem.heaviest, 0),):
            room = min(band.up_to, problem.heaviest) - box.weight
            if room < 0:
                continue
            filled = best_filling(problem, box, room, prices, clock.left())
            if filled is None:
                return None
            worth, counts = filled
            if worth <= box.price + band.price + _ENOUGH * max(1.0, worth):
                continue
            filling = zip(problem.items, counts, strict=True)
            holds = tuple((item.key, n) for item, n in filling if n)
            found.append(_priced(problem, Packed(box.key, holds)))
    return found


def _plan(problem: Problem, ways: list[Way], values: Sequence[float]) -> Plan:
    """The boxes of a whole choice; what would be packed once too often is left out."""
    left = Counter({item.key: item.count for item in problem.items})
    boxes = []
    for (kind, holds, _), many in zip(ways, values, strict=True):
        for _ in range(round(many)):
            inside = {key: min(count, left[key]) for key, count in holds}
            left.subtract(inside)
            kept = tuple(sorted((key, count) for key, count in inside.items() if count))
            if kept:
                boxes.append(Packed(kind, kept))
    return Plan(tuple(boxes))
