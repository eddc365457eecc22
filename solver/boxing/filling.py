"""What fills one box with the most worth?"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from operator import mul

import numpy as np

from solver.boxing.problem import Box, Item, Problem
from solver.linear import INFINITY, LinearModel
from solver.run import run_linear

_MOST_STEPS = 20_000_000
"""Steps of the table up to which it is quicker than a solver."""


def best_filling(
    problem: Problem, box: Box, weight: int, worth: Sequence[float], seconds: float
) -> tuple[float, list[int]] | None:
    """How many of each item make this box worth most, within its room and `weight` grams?

    `worth` is by item; what is worth nothing stays out. The most worth, and the count by item. None
    where the time ran out.
    """
    rooms = [item.room for item in problem.items]
    weights = [item.weight for item in problem.items]
    for sizes, limit, others, most in (
        (rooms, box.room, weights, weight),
        (weights, weight, rooms, box.room),
    ):
        found = _by_one_limit(problem.items, sizes, limit, worth)
        if found is not None and sum(map(mul, others, found[1])) <= most:
            return found
    return _by_solver(problem, box, weight, worth, seconds)


def _by_one_limit(
    items: Sequence[Item], sizes: Sequence[int], limit: int, worth: Sequence[float]
) -> tuple[float, list[int]] | None:
    """The same with one of the two limits only: the bounded knapsack by its table, exact.

    Counts are in parts of 1, 2, 4, ... (Martello & Toth 1990, Knapsack Problems, 3.2, from memory).
    None where the table would be long.
    """
    wanted = [at for at, size in enumerate(sizes) if worth[at] > 0 and size <= limit]
    parts = [(at, part) for at in wanted for part in _parts(items[at].count, sizes[at], limit)]
    if not parts:
        return 0.0, [0] * len(items)
    if len(parts) * (limit + 1) > _MOST_STEPS:
        return None
    best = np.zeros(limit + 1)
    taken = np.zeros((len(parts), limit + 1), dtype=bool)
    for step, (at, part) in enumerate(parts):
        size = sizes[at] * part
        with_it = best[: limit + 1 - size] + worth[at] * part
        taken[step, size:] = with_it > best[size:]
        best[size:] = np.maximum(best[size:], with_it)
    counts, left = [0] * len(items), limit
    for step in range(len(parts) - 1, -1, -1):
        if taken[step, left]:
            at, part = parts[step]
            counts[at] += part
            left -= sizes[at] * part
    return float(best[limit]), counts


def _parts(count: int, size: int, limit: int) -> Iterator[int]:
    """1, 2, 4, ... and a rest: their sums are every count that is wanted and has room."""
    left = min(count, limit // size) if size else count
    part = 1
    while left > 0:
        yield min(part, left)
        left -= part
        part *= 2


def _by_solver(
    problem: Problem, box: Box, weight: int, worth: Sequence[float], seconds: float
) -> tuple[float, list[int]] | None:
    model = LinearModel()
    for item, each in zip(problem.items, worth, strict=True):
        model.column(-each, 0.0, float(item.count), whole=True)
    entries = list(enumerate(problem.items))
    model.row(-INFINITY, float(box.room), [(at, float(item.room)) for at, item in entries])
    model.row(-INFINITY, float(weight), [(at, float(item.weight)) for at, item in entries])
    answer = run_linear(model, max(0.01, seconds))
    if answer.values is None or not answer.optimal:
        return None
    return -(answer.objective or 0.0), [round(value) for value in answer.values]
