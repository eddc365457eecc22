"""Which frost nights and changes of shade must somebody know of, and by when at the latest?

In plain values: `nursery.week.warnings` makes its warnings of them.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, timedelta

from sqlmodel import Session

from nursery.growing.frost import FrostNight, Move, frost_nights
from nursery.growing.shade_calendar import CAUTION, changes_due

SHADE_DAYS = 7
"""So many days before a shade layer is due somebody is told."""
_NAMED = 4


@dataclass(frozen=True, slots=True)
class Told:
    """One warning: the thing, what is coming, what to do, the last day that is in time."""

    thing: str
    text: str
    what_to_do: str
    latest: date


def frost_told(session: Session, day: date) -> Iterator[Told]:
    """Which frames are covered or brought in before which night? One a frame and night."""
    for night in frost_nights(session, day):
        yield Told(
            night.area,
            f"{night.area}: {night.trays} trays of {_codes(night)} will feel {night.felt_c:.1f} °C"
            f" in the night to {night.day:%a %d %b} ({night.covered_c:.1f} °C under a cover)",
            f"{_how(night)} before dark on {night.latest:%a %d %b}; the day does not count for"
            f" hardening off. {night.caution}",
            night.latest,
        )


def shade_told(session: Session, day: date) -> Iterator[Told]:
    """Which shade layers go on or off in the next days, by the kept calendars?"""
    for done_on, change in changes_due(session, day, day + timedelta(days=SHADE_DAYS)):
        yield Told(
            change.area,
            f"its shade calendar has {change.layers} layers from {change.by:%a %d %b} on, "
            f"{change.before} are on",
            f"{change}; {CAUTION}",
            done_on,
        )


def _codes(night: FrostNight) -> str:
    codes = [code for code, _, _ in night.batches]
    return ", ".join(codes[:_NAMED]) + (" ..." if len(codes) > _NAMED else "")


def _how(night: FrostNight) -> str:
    if not night.bring_in:
        return f"cover {night.area}"
    said = [_move(move) for move in night.moves if move.go_to][:_NAMED]
    short = sum(move.trays for move in night.moves if not move.go_to)
    more = " ..." if len([m for m in night.moves if m.go_to]) > _NAMED else ""
    whole = f"bring the trays in: {'; '.join(said)}{more}" if said else "no place is free indoors"
    return whole + (f"; cover {short} trays doubly, no place is free for them" if short else "")


def _move(move: Move) -> str:
    return f"{move.trays} of {move.batch} to {move.go_to}, {move.on}"
