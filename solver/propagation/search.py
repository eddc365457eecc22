"""How is a plan made from the relaxation and made better? Few crops at a time, on all workers.

`Search` holds the present state and gives out tasks: a first pass that makes the fractional
shares of the relaxation whole, a few crops at a time, with the others as the relaxation has them;
then neighbourhoods of the plan; and in between crops at the relaxation's prices, whose proven
costs add up to a bound for the full model.
"""

from __future__ import annotations

import random
from dataclasses import dataclass, field
from enum import StrEnum

import numpy as np

from solver.propagation.problem import Problem
from solver.propagation.state import Share, State
from solver.propagation.tasks import (
    Change,
    Changed,
    CropBound,
    Floor,
    Part,
    Prices,
    Relaxed,
    priced_constant,
)

SIZES = {Part.BATCHES: 250.0, Part.TRAYS: 500.0, Part.BOTH: 90.0}
"""Crop-weeks that a task takes at first, by what it decides."""
BALANCE_AFTER = 12
"""Changes of batches after which the trays of all crops are balanced, or more for many crops."""
NEVER = 10**9


@dataclass
class Bounds:
    """The best proven bound of the full model, from relaxations and from crops at prices."""

    problem: Problem
    best: float = 0.0
    prices: Prices | None = None
    floors: list[Floor] = field(default_factory=list)
    least: dict[int, float] = field(default_factory=dict)

    def relaxed(self, relaxed: Relaxed) -> None:
        """Takes a relaxation's objective."""
        self.best = max(self.best, relaxed.objective)

    def price_at(self, prices: Prices) -> None:
        """Takes new prices, at which every crop is to be priced anew."""
        self.prices = prices
        self.least = {}

    def crop(self, found: CropBound) -> bool:
        """Takes one crop's floor at the present prices; true if it is higher than the last."""
        at = found.floor.crop
        self.floors.append(found.floor)
        before = self.least.get(at, -np.inf)
        self.least[at] = max(found.floor.least, before)
        self._add_up()
        return found.floor.least > before

    def _add_up(self) -> None:
        if self.prices is not None and len(self.least) == len(self.problem.crops):
            total = sum(self.least.values()) + priced_constant(self.problem, self.prices)
            self.best = max(self.best, total)


@dataclass
class Neighbourhoods:
    """Which crops, and which weeks, should be planned anew next?

    `size` is how many crop-weeks one task takes; it follows how hard the last ones were.
    """

    problem: Problem
    random: random.Random
    workers: int = 1
    size: dict[Part, float] = field(default_factory=lambda: dict(SIZES))

    def easy(self, part: Part, optimal: bool, seconds: float, limit: float) -> None:
        """Adjusts the size: larger after a quick proof, smaller after a time-out."""
        if optimal and seconds < 0.5 * limit:
            self.size[part] *= 1.15
        elif not optimal:
            self.size[part] *= 0.93
        most = float(self.problem.weeks * len(self.problem.crops))
        self.size[part] = min(max(self.size[part], min(50.0, most)), most)

    def choose(
        self, state: State, busy: set[int], part: Part
    ) -> tuple[tuple[int, ...], tuple[int, int] | None]:
        """Crops that share full places or hours with one another, whole or in a week window."""
        free = [at for at in range(len(self.problem.crops)) if at not in busy]
        if not free:
            return (), None
        weeks = self.problem.weeks
        window = self._window()
        length = weeks if window is None else window[1] - window[0]
        most = -(-len(self.problem.crops) // self.workers)
        number = max(1, min(len(free), most, round(self.size[part] / max(1, length))))
        if self.random.random() < 0.3:
            return tuple(self.random.sample(free, number)), window
        seed = self.random.choice(free)
        scores = self._affinity(state, seed, free, window)
        chosen = sorted(free, key=lambda at: -scores[at])[: max(0, number - 1)]
        return tuple({seed, *chosen}), window

    def _window(self) -> tuple[int, int] | None:
        weeks = self.problem.weeks
        if weeks < 20 or self.random.random() < (0.6 if weeks <= 30 else 0.25):
            return None
        length = min(weeks, self.random.choice((10, 14, 20, 26)))
        first = self.random.randrange(-4, weeks - length + 1)
        return max(0, first), max(0, first) + length

    def _affinity(
        self, state: State, seed: int, free: list[int], window: tuple[int, int] | None
    ) -> dict[int, float]:
        """How much do other crops use what the seed crop uses and what is full?"""
        first, end = window or (0, self.problem.weeks)
        room = np.array([area.places for area in self.problem.areas], dtype=float)
        full = (state.places >= 0.97 * room).astype(float)[:, first:end]
        regular = np.array(self.problem.regular_minutes, dtype=float)
        late = (state.minutes >= 0.98 * regular).astype(float)[first:end]
        mine = state.shares[seed]
        places = mine.places[:, first:end] / (mine.places.max() + 1) * full
        minutes = mine.minutes[first:end] / (mine.minutes.max() + 1) * late
        scores = {}
        for at in free:
            other = state.shares[at]
            shared = float((places * other.places[:, first:end]).sum()) / (other.places.max() + 1)
            shared += float(minutes @ other.minutes[first:end]) / (other.minutes.max() + 1)
            scores[at] = shared * (0.3 + self.random.random()) + 0.05 * self.random.random()
        return scores


class Stage(StrEnum):
    """Where the search is: a first pass over the relaxation, batches, trays, or both at once."""

    FIRST = "first"
    BATCHES = "batches"
    TRAYS = "trays"
    BOTH = "both"


@dataclass
class Search:
    """The present state of the search and what the workers are at.

    While batches are searched, trays may be of any fraction; the trays stage makes them whole.
    `unmade` are the crops that the present pass has yet to go through; `rounded` is the best
    whole plan, to fall back on.
    """

    problem: Problem
    neighbourhoods: Neighbourhoods
    state: State
    rounded: State
    stage: Stage = Stage.FIRST
    waiting: list[tuple[int, ...]] = field(default_factory=list)
    unmade: set[int] = field(default_factory=set)
    busy: set[int] = field(default_factory=set)
    tasks: int = 0
    likely: list[frozenset[tuple[str, int]]] = field(default_factory=list)
    fractional: State | None = None
    unbalanced: int = 0
    balancing: bool = False

    def whole(self) -> bool:
        """Is the present state a whole plan?"""
        return self.stage == Stage.BOTH

    def first_pass(self, relaxed: list[Share], group: int) -> None:
        """Makes the batches of a relaxation whole, a group of crops at a time."""
        self.state = State(self.problem, list(relaxed))
        self.likely = [
            frozenset(k for k, n in share.batch.items() if n > 0.01) for share in relaxed
        ]
        self._pass(Stage.FIRST, group)

    def trays_pass(self, group: int) -> None:
        """Makes the trays of the present batches whole, a group of crops at a time."""
        self.fractional = self.state
        self._pass(Stage.TRAYS, group)

    def back_to_batches(self) -> None:
        """Goes on where the batches were before their trays were made whole.

        Trays of any fraction let a batch move that whole trays hold; the whole plan is kept.
        """
        self.rounded = self.state
        if self.fractional is not None:
            self.state = self.fractional
        self.stage = Stage.BATCHES

    def _pass(self, stage: Stage, group: int) -> None:
        order = sorted(range(len(self.state.shares)), key=lambda at: -self.state.shares[at].own)
        parts = max(1, -(-len(order) // max(1, group)))
        self.stage = stage
        self.tasks = parts
        self.unmade = set(order)
        self.waiting = [tuple(order[at::parts]) for at in range(parts)]

    def next_change(self, seconds: float) -> Change | None:
        """The next task of crops to be planned anew, None where there is none to give."""
        window = None
        part = _part(self.stage)
        if self.to_balance():
            part = Part.FLOWS
            every = range(len(self.state.shares))
            crops = tuple(at for at in every if at not in self.busy)
            if crops:
                self.unbalanced, self.balancing = 0, True
        elif self.waiting:
            crops = self.waiting.pop(0)
        elif self.unmade:
            return None
        else:
            if part == Part.BOTH and self.neighbourhoods.random.random() < 0.5:
                part = Part.TRAYS
            crops, window = self.neighbourhoods.choose(self.state, self.busy, part)
        if not crops:
            return None
        self.busy |= set(crops)
        shares = self.rounded.shares if self.stage == Stage.FIRST else self.state.shares
        return Change(
            crops=crops,
            taken=self.state.taken_without(crops),
            hints={at: shares[at] for at in crops},
            window=window,
            seconds=seconds,
            seed=self.neighbourhoods.random.randrange(10**6),
            part=part,
            hinted=self.stage != Stage.TRAYS,
            likely=frozenset(key for at in crops for key in self.likely[at]),
            restricted=self.stage == Stage.FIRST or self.neighbourhoods.random.random() < 0.5,
        )

    def to_balance(self) -> bool:
        """Are the trays of all crops to be balanced before anything else?"""
        return self.stage == Stage.BATCHES and self.unbalanced >= self._patience()

    def _patience(self) -> int:
        return max(BALANCE_AFTER, len(self.state.shares) // 4)

    def changed(self, change: Change, changed: Changed) -> bool:
        """Takes a finished task; true if the state is better or nearer to whole."""
        self.busy -= set(change.crops)
        if self.unmade:
            return self._made(change, changed)
        if change.part == Part.FLOWS:
            self.balancing = False
            if changed.shares is None:
                self.unbalanced = -NEVER  # too large for the time
        fractional = change.part in (Part.BATCHES, Part.FLOWS)
        if changed.shares is None or fractional != (self.stage == Stage.BATCHES):
            return False
        new = self.state.replaced(changed.shares)
        if new.keeps_rules() and new.cost() < self.state.cost() - 0.5:
            self.state = new
            self.unbalanced += change.part == Part.BATCHES
            return True
        return False

    def _made(self, change: Change, changed: Changed) -> bool:
        """Takes a group of a pass; what cannot be made is taken from the rounded plan."""
        if _part(self.stage) != change.part:
            return False
        spare = {at: self.rounded.shares[at] for at in change.crops}
        new = self.state.replaced(changed.shares or spare)
        if not new.keeps_rules():
            new = self.state.replaced(spare)
        self.unmade -= set(change.crops)
        self.state = new
        if self.unmade:
            return True
        if self.stage == Stage.FIRST:
            self.unbalanced = self._patience()
        self.stage = Stage.BATCHES if self.stage == Stage.FIRST else Stage.BOTH
        good = new.keeps_rules() and new.cost() < self.rounded.cost()
        if not good:
            self.state = self.rounded
        elif self.stage == Stage.BOTH:
            self.rounded = new
        return True


def _part(stage: Stage) -> Part:
    parts = {Stage.TRAYS: Part.TRAYS, Stage.BOTH: Part.BOTH}
    return parts.get(stage, Part.BATCHES)
