"""How is a relaxation that is too large for one model cut into slices, and put together again?

Each slice is some of the crops with their part of every shared resource. The slices' shares
together are a fractional plan; their prices, weighted by the parts, are near the whole
relaxation's, and any prices give a proven bound once each crop is priced with them.
"""

from __future__ import annotations

import numpy as np

from solver.propagation.problem import Problem
from solver.propagation.state import Floats, Share, State
from solver.propagation.tasks import Prices, Relaxed, Slice

LARGEST = 5500
"""Crop-weeks that one linear relaxation takes without much delay."""


def slices(problem: Problem, state: State) -> list[Slice]:
    """Slices of the crops, with parts in proportion to what a plan lets them take."""
    number = -(-len(problem.crops) * problem.weeks // LARGEST)
    order = sorted(range(len(state.shares)), key=lambda at: -state.shares[at].own)
    members = [tuple(order[at::number]) for at in range(number)]
    places = [sum(state.shares[at].places.sum(axis=1) for at in crops) for crops in members]
    minutes = [sum(state.shares[at].minutes.sum() for at in crops) for crops in members]
    starts = [sum(state.shares[at].starts.sum() for at in crops) for crops in members]
    all_places = np.maximum(sum(places), 1e-9)
    even = 1.0 / number
    return [
        Slice(
            crops=crops,
            places=tuple(
                float(part) if total > 1e-6 else even
                for part, total in zip(places[at] / all_places, all_places, strict=True)
            ),
            minutes=float(minutes[at] / sum(minutes)) if sum(minutes) else even,
            starts=float(starts[at] / sum(starts)) if sum(starts) else even,
        )
        for at, crops in enumerate(members)
    ]


def together(problem: Problem, parts: list[tuple[Slice, Relaxed]]) -> Relaxed:
    """The slices' answers as one; its objective is no bound and is given as 0."""
    places = np.zeros((len(problem.areas), problem.weeks))
    minutes, starts = np.zeros(problem.weeks), np.zeros(problem.weeks)
    propagules: dict[str, Floats] = {}
    shares: dict[int, Share] = {}
    for part, answer in parts:
        places += answer.prices.places * np.array(part.places)[:, None]
        minutes += answer.prices.minutes * part.minutes
        starts += answer.prices.starts * part.starts
        for mother, worth in answer.prices.propagules.items():
            propagules[mother] = np.maximum(propagules.get(mother, worth), worth)
        shares.update(answer.shares)
    return Relaxed(shares, Prices(places, minutes, starts, propagules), 0.0)
