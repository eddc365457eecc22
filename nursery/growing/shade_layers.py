"""How many shade layers are on in an area on any day, by the kept calendar?"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Mapping, Sequence
from datetime import date, timedelta

import numpy as np
from numpy.typing import NDArray
from sqlmodel import Session, col, select

from nursery.growing_area import GrowingArea
from nursery.shading import ShadeChange

Changes = tuple[tuple[date, int], ...]
"""From which day on are how many layers on? In the order of days."""

YEAR_DAYS = 364
"""A year back in whole weeks: a calendar changes on Mondays."""


def kept_changes(session: Session) -> Mapping[int, Changes]:
    """Which calendar is kept for which area (id)? Areas without one are left out."""
    rows = session.exec(select(ShadeChange).order_by(col(ShadeChange.on_day))).all()
    found: dict[int, list[tuple[date, int]]] = {}
    for row in rows:
        found.setdefault(row.area_id, []).append((row.on_day, row.layers))
    return {area: tuple(changes) for area, changes in found.items()}


def layers_at(changes: Changes, before: int, day: date) -> int:
    """How many layers are on on this day? `before` before the first row of the calendar.

    After the last row it is as it was a year of weeks earlier, if the calendar goes back so far.
    """
    if not changes or day < changes[0][0]:
        return before
    earlier = day - timedelta(days=YEAR_DAYS)
    while day > changes[-1][0] and earlier >= changes[0][0]:
        day, earlier = earlier, earlier - timedelta(days=YEAR_DAYS)
    return changes[bisect_right(changes, (day, 99)) - 1][1]


def layers_by_day(changes: Changes, before: int, start: date, days: int) -> NDArray[np.int64]:
    """The same for each day from the start on: [days]."""
    each = (layers_at(changes, before, start + timedelta(days=n)) for n in range(days))
    return np.fromiter(each, dtype=np.int64, count=days)


def layers_now(area: GrowingArea, kept: Mapping[int, Sequence[tuple[date, int]]], day: date) -> int:
    """How many layers are on in this area on this day: by its calendar, else its usual ones?"""
    return layers_at(tuple(kept.get(area.id or 0, ())), area.shade_layers, day)
