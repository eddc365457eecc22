"""Which products can be had in another quantity than before, and on which days?

A listener compares what pools hold now with what they held when it last looked, so that everything
between two looks is told at once, whoever changed it: versions of pools and stamps of facts stand
in the database (`promising.supply`). One listener's memory is what `kept_supply` keeps anyway.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np
from sqlmodel import Session

from nursery.availability import Days
from nursery.errors import Refusal, Refused
from nursery.promising.catalogue import Kind, catalogue_of
from nursery.promising.facts import Facts, facts_of
from nursery.promising.supply import PoolSupply, kept_supply

MOST_CODES = 200
_AT_ONCE = 200


@dataclass(frozen=True, slots=True)
class Span:
    """Days in a row, both ends included, and how many of a product may be promised on each."""

    from_day: date
    until_day: date
    quantity: int


@dataclass(frozen=True, slots=True)
class Availability:
    """A product whose quantity has changed, on the days of these spans and no others.

    `version` is that of its pool.
    """

    code: str
    version: int
    spans: tuple[Span, ...]

    @property
    def from_day(self) -> date:
        """From which day on is something different?"""
        return self.spans[0].from_day


class Watch:
    """What one listener has seen of some products, or of all (`codes` None).

    With `as_it_stands` the first look tells every day on which there is anything; without, nothing.
    Quantities are of plugs alone: whether a day is open for an address is asked by a quote. Raises
    Refused `too_many_codes` for more than 200.
    """

    def __init__(self, codes: Iterable[str] | None, as_it_stands: bool = False) -> None:
        self._codes = None if codes is None else list(dict.fromkeys(codes))
        if self._codes is not None and len(self._codes) > MOST_CODES:
            message = f"At most {MOST_CODES} products may be watched by code"
            raise Refused(Refusal("too_many_codes", message, "codes", "watch all: leave it out"))
        self._is_first = not as_it_stands
        self._seen: dict[str, tuple[int, PoolSupply]] = {}

    def look(self, session: Session) -> list[Availability]:
        """What has changed since the last look? By product's code.

        Days that have passed, or have come within the site's horizon meanwhile, are not told.
        Raises Refused `unknown_product`.
        """
        moment, facts = facts_of(session)
        kinds = self._kinds(catalogue_of(session, facts).kinds)
        pools = sorted({kind.item.pool_id for kind in kinds.values()})
        held: dict[int, PoolSupply] = {}
        for at in range(0, len(pools), _AT_ONCE):
            held |= kept_supply(session, moment, facts, pools[at : at + _AT_ONCE])
        found = [
            change
            for code, kind in sorted(kinds.items())
            if (pool := held.get(kind.item.pool_id)) is not None
            and (change := self._changed(code, kind.item.plugs, pool, facts)) is not None
        ]
        is_first, self._is_first = self._is_first, False
        return [] if is_first else found

    def _kinds(self, all_kinds: Mapping[str, Kind]) -> Mapping[str, Kind]:
        if self._codes is None:
            return all_kinds
        unknown = next((code for code in self._codes if code not in all_kinds), None)
        if unknown is not None:
            message = f"There is no product {unknown!r}"
            raise Refused(Refusal("unknown_product", message, "codes", "ask for the products"))
        return {code: all_kinds[code] for code in self._codes}

    def _changed(
        self, code: str, plugs: int, pool: PoolSupply, facts: Facts
    ) -> Availability | None:
        before = self._seen.get(code)
        self._seen[code] = plugs, pool
        if before is not None and before[0] == plugs and before[1] is pool:
            return None
        first, last = facts.today, facts.today + timedelta(days=facts.site.horizon_days - 1)
        if before is not None:
            first, last = max(first, before[1].first_day), min(last, _last_day(before[1]))
        last = min(last, _last_day(pool))
        if last < first:
            return None
        now = _quantities(pool, plugs, first, last)
        then = now * 0 if before is None else _quantities(before[1], before[0], first, last)
        spans = tuple(_spans(first, now, then))
        return Availability(code, pool.version, spans) if spans else None


def _last_day(pool: PoolSupply) -> date:
    return pool.first_day + timedelta(days=pool.committed.size - 1)


def _quantities(pool: PoolSupply, plugs: int, first: date, last: date) -> Days:
    """How many of a product of so many plugs may be promised on each day? [days]"""
    return pool.available[pool.index(first) : pool.index(last) + 1] // plugs


def _spans(first: date, now: Days, then: Days) -> Iterator[Span]:
    """The days that differ, in runs of one quantity."""
    differ = np.flatnonzero(now != then)
    if not differ.size:
        return
    cuts = np.flatnonzero((np.diff(differ) > 1) | (np.diff(now[differ]) != 0)) + 1
    for run in np.split(differ, cuts):
        one, other = (first + timedelta(days=int(run[at])) for at in (0, -1))
        yield Span(one, other, int(now[run[0]]))
