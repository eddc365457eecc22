"""How likely is it that a pool has the plugs for one more promise, on its day?

What is promised first is kept first: a promise made later takes nothing from one made before. So
the chance is that of serving the plugs *beside* all that is promised already, over joint draws of
what growing batches give (`growing.prospects`) with what counted lots hold (less the allowance).
In each draw, as in `nursery.availability`:

    served more on day d = L(end) - L(d-1) - R(d+1)

where L(end) is the waste that no assignment can avoid. While every promise can be kept it equals
S - D, which gives `availability.extra`; where not all can, it still says how much the greatest
number of plugs served grows with the asked ones (max-flow min-cut), and that is what is left for
whoever comes last.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from nursery.availability import Days
from nursery.climate import Floats

_MOST_DAYS = 32
"""Days kept for one pool: 2 kB each."""


@dataclass(frozen=True)
class Draws:
    """What a pool's lots might be: day indices and plugs, arrays [lots, draws]."""

    ready: Days
    last_sale: Days
    plugs: Days


@dataclass(frozen=True)
class Chances:
    """Asked for one pool as it stands, day by day; what was worked out for a day is kept."""

    _size: int
    _forward: tuple[Days, Days]
    _backward: tuple[Days, Days]
    _left: dict[int, Days] = field(default_factory=dict, compare=False, repr=False)

    @classmethod
    def of(cls, draws: Draws, committed: Days) -> Chances:
        """For these draws, with so many plugs promised on each day (day indices from 0)."""
        end = committed.size - 1
        plugs = np.where((draws.last_sale >= 0) & (draws.ready <= end), draws.plugs, 0)
        ready = np.clip(draws.ready, 0, end)
        last_sale = np.clip(draws.last_sale, ready, end)
        return cls(
            committed.size,
            _waste(ready, last_sale, plugs, committed),
            _waste(end - last_sale, end - ready, plugs, committed[::-1]),
        )

    def enough(self, pack: int, ship: int, plugs: int) -> float:
        """How likely are so many plugs more there when it is packed, saleable when it leaves?

        Never quite 0 or 1: so many draws cannot tell (rule of succession, half a draw each way).
        """
        left = np.minimum(self.left(pack), self.left(ship))
        return float((np.count_nonzero(left >= plugs) + 0.5) / (left.size + 1))

    def left(self, day: int) -> Days:
        """How many plugs more can this day be given in each draw? [draws] None of no lot."""
        if not len(self._forward[1]):
            return np.zeros(self._forward[1].shape[1], dtype=np.int64)
        found = self._left.get(day)
        if found is None:
            if len(self._left) >= _MOST_DAYS:
                self._left.clear()
            wasted = self._forward[1][-1]
            before = _upto(self._forward, day - 1)
            after = _upto(self._backward, self._size - 2 - day)
            found = self._left[day] = wasted - before - after
        return found


def _waste(ready: Days, last_sale: Days, plugs: Days, committed: Days) -> tuple[Days, Days]:
    """Last sale days, ascending, and the waste that cannot be avoided by each; [lots, draws].

    Of last sale days that are equal only the last one's waste is whole; it is the greatest.
    """
    order = np.argsort(last_sale, axis=0, kind="stable")
    ready, ends, plugs = (np.take_along_axis(each, order, 0) for each in (ready, last_sale, plugs))
    asked = np.concatenate(([0], np.cumsum(committed)))
    asked_before = asked[ready]
    inside, before = np.zeros_like(plugs), np.zeros_like(plugs)
    wasted, found = np.zeros(plugs.shape[1], dtype=np.int64), np.empty_like(plugs)
    for j in range(len(ends)):
        inside += np.where(ready <= ready[j], plugs[j], 0)
        surplus = before + inside - asked[ends[j] + 1] + asked_before
        begun = ready <= ends[j]
        wasted = np.maximum(wasted, np.where(begun, surplus, 0).max(axis=0))
        before = np.where(begun, before, wasted)
        found[j] = wasted
    return ends, found


def _upto(waste: tuple[Days, Days], day: int) -> Days:
    ends, wasted = waste
    passed = np.count_nonzero(ends <= day, axis=0)
    known: Days = np.where(passed, wasted[passed - 1, np.arange(passed.size)], 0)
    return known


def spread(values: Floats | Days, draws: int) -> Days:
    """The same in every draw: [lots] to [lots, draws]."""
    column = np.asarray(values, dtype=np.int64)[:, None]
    return np.broadcast_to(column, (column.shape[0], draws))
