"""How much more does a pool surely have, while promise after promise is taken from it?

Promising q plugs on one day lowers what may be promised on any day by q at most. So a pool's vector
less what was promised since it was built is never too high: it is built anew only where that is
not enough. Used by one writer, under the pool's lock.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import date, datetime, timedelta

from nursery.availability import extra
from nursery.promising.ship_days import Way
from nursery.promising.supply import PoolSupply

OUT_OF_DATE = timedelta(seconds=1)
"""For so long may a reservation that ran out still count where there is plenty: less is left then
than might be. Where a wish came short, it counts no longer once it has run out."""


class Held:
    """A pool as it was read at a moment, and how many plugs of it were promised since."""

    def __init__(self, held: PoolSupply, at: datetime) -> None:
        self.version = held.version
        self._at, self._lapses = at, held.next_lapse
        self._short = False
        self._since = 0
        self._committed = held.committed.copy()
        self._build(held)

    def has_lapses(self, at: datetime) -> bool:
        """Has a reservation on it run out for a while, or was the clock set back?"""
        return out_of_date(self._at, self._lapses, at, self._short)

    def is_short(self, at: datetime) -> bool:
        """Has one run out at all? From now on that counts at once."""
        self._short = True
        return self.has_lapses(at)

    def now(self) -> PoolSupply:
        """What does the pool hold and owe by now?"""
        if self._since:
            self._build(replace(self._held, committed=self._committed.copy()))
        return self._held

    def counted_has(self, way: Way, plugs: int) -> bool:
        """Are so many plugs there on pack day and ship day, all of them ready and counted?"""
        pack, ship = self._index(way.leg.pack_on), self._index(way.leg.ship_on)
        if min(self._sure[pack], self._sure[ship]) - self._since >= plugs:
            return True
        left = self.now().counted_available
        return min(int(left[pack]), int(left[ship])) >= plugs

    def chance(self, way: Way, plugs: int) -> float:
        """How likely are so many plugs there that day, beside all that is promised? As `Desk`."""
        if self.counted_has(way, plugs):
            return 1.0
        now_held = replace(self._held, committed=self._committed.copy())
        return now_held.chance(way.leg.pack_on, way.leg.ship_on, plugs)

    def take(self, day: date, plugs: int, until: datetime | None = None) -> None:
        """So many plugs are promised on this day, for good or until then."""
        self._committed[self._held.index(day)] += plugs
        self._since += plugs
        if until is not None:
            self._lapses = min(self._lapses or until, until)

    def _index(self, day: date) -> int:
        return min(max(0, day.toordinal() - self._first), self._last)

    def _build(self, held: PoolSupply) -> None:
        """Work out what counted lots can give beside all that is promised.

        Growing lots serve some promises too, so that they may have more: `counted_available`
        knows, but no bound holds for it when more is promised.
        """
        counted = held.counted
        lots = held.ready[counted], held.last_sale[counted], held.plugs[counted]
        self._held, self._since = held, 0
        self._first, self._last = held.first_day.toordinal(), held.committed.size - 1
        self._sure: list[int] = extra(*lots, held.committed).tolist()


def out_of_date(read_at: datetime, lapses: datetime | None, at: datetime, short: bool) -> bool:
    """Must what was read then be read again, since reservations in it have run out?"""
    if at < read_at - OUT_OF_DATE:
        return True
    return lapses is not None and lapses < at and (short or at - read_at >= OUT_OF_DATE)
