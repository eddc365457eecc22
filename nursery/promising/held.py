"""How much more does a pool surely have, while promise after promise is taken from it?

Promising q plugs on one day lowers what may be promised on any day by q at most. So a pool's vector
less what was promised since it was built is never too high: it is built anew only where that is
not enough. Used by one writer, under the pool's lock.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import date

from nursery.promising.ship_days import Way
from nursery.promising.supply import PoolSupply


class Held:
    """A pool, and how many plugs of it were promised since its vectors were built."""

    def __init__(self, held: PoolSupply) -> None:
        self._held = held
        self._since = 0
        self._committed = held.committed.copy()
        self._all_counted = bool(held.counted.all())

    def counted_has(self, way: Way, plugs: int) -> bool:
        """Are so many plugs there on pack day and ship day, all of them ready and counted?"""
        # Growing lots may take over what counted ones served, so that no bound holds for these.
        if self._all_counted and self._left(way) - self._since >= plugs:
            return True
        self._build_anew()
        return self._left(way) >= plugs

    def take(self, day: date, plugs: int) -> None:
        """So many plugs are promised on this day."""
        self._committed[self._held.index(day)] += plugs
        self._since += plugs

    def _left(self, way: Way) -> int:
        """As `desk.Desk` counts them: there when packed, still saleable when it leaves."""
        left, last = self._held.counted_available, self._committed.size - 1
        days = (way.leg.pack_on, way.leg.ship_on)
        return min(int(left[min(max(0, self._held.index(day)), last)]) for day in days)

    def _build_anew(self) -> None:
        if self._since:
            self._held = replace(self._held, committed=self._committed.copy())
            self._since = 0
