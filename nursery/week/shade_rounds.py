"""Which shading, covering and bringing in falls on which day of a week? Rounds of the week sheet.

Shade layers by the kept calendars; covers and trays to bring in by a fresh forecast, so only for
this week and the next. Their minutes count in the rota as those of other rounds do.
"""

from __future__ import annotations

from collections.abc import Iterator

from sqlmodel import Session

from nursery.database import today
from nursery.growing.frost import FrostNight, frost_nights
from nursery.growing.shade_calendar import CAUTION, changes_due
from nursery.week.recurring import Round
from nursery.weeks import Week


def shade_rounds(session: Session, week: Week) -> list[Round]:
    """What is shaded, covered and brought in in this week? In order of day and name. Reads only."""
    found = [*_layers(session, week), *_nights(session, week)]
    return sorted(found, key=lambda one: (one.day, one.name))


def _layers(session: Session, week: Week) -> Iterator[Round]:
    for day, change in changes_due(session, week.monday(), week.sunday()):
        yield Round(
            f"{change.what} by {change.by:%a %d %b}; {CAUTION}",
            change.area,
            day,
            change.minutes,
            change.persons,
            "",
        )


def _nights(session: Session, week: Week) -> Iterator[Round]:
    nights = frost_nights(session, today(session))
    for night in nights:
        if week.monday() <= night.latest <= week.sunday():
            yield Round(
                f"{_short(night)}; {night.caution}",
                night.area,
                night.latest,
                -(-night.minutes // night.persons),
                night.persons,
                "",
            )


def _short(night: FrostNight) -> str:
    morning = night.day
    if not night.bring_in:
        return f"cover {night.trays} trays before dark, off again {morning:%a} morning"
    places = sorted({move.go_to for move in night.moves if move.go_to})
    where = f" to {', '.join(places)}" if places else ""
    return f"bring in {night.trays} trays{where} before dark, out again {morning:%a} morning"
