"""Which heat or cold pack opens a day that is held, and what do the plants then stand? Pure.

A heat pack moves the frost limit down, a cold pack the heat limit up, by what it covers; never past
the temperature outside up to which it is trusted, and only if it lasts until the parcel is opened.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import date

from sqlmodel import Session, col, select

from nursery.promising.basket import Limits
from nursery.travelling import Against, TravelPack

PACKED_AT, OPENED_AT = 12, 18
"""Hours of the day: packed at noon, opened by six on the last day of arrival (estimates)."""


@dataclass(frozen=True, slots=True)
class Pack:
    """A pack as the desk may use it. `hours` that it lasts, °C that it covers, cents, grams."""

    name: str
    against: Against
    hours: float
    covers_c: float
    outside_c: float
    cost_cents: int
    weight_g: int
    minutes: float = 0.0

    def __str__(self) -> str:
        return self.words(1)

    def words(self, many: int) -> str:
        """How are so many of them called for?"""
        return f"{many} {self.name} against {self.against.value}"


def hours_packed(pack_on: date, arrives_until: date) -> int:
    """How many hours are plants in the box, from packing until they are unwrapped?"""
    return 24 * (arrives_until - pack_on).days + OPENED_AT - PACKED_AT


def with_packs(limits: Limits, packs: Iterable[Pack]) -> Limits:
    """What do the plants stand with these packs in the box? Never less than without."""
    for pack in packs:
        if pack.against is Against.HEAT:
            stands = min(limits.heat_c + pack.covers_c, pack.outside_c)
            limits = replace(limits, heat_c=max(limits.heat_c, stands))
        else:
            stands = max(limits.frost_c - pack.covers_c, pack.outside_c)
            limits = replace(limits, frost_c=min(limits.frost_c, stands))
    return limits


def pack_kinds(codes: Sequence[str]) -> list[Against]:
    """Against what are packs wanted where a day is closed for reasons of these codes?

    Nothing where anything but heat and frost stands against it: no pack helps there.
    """
    kinds = [kind for kind in Against if kind.value in codes]
    return kinds if {kind.value for kind in kinds} == set(codes) else []


def openings(
    packs: Sequence[Pack], against: Iterable[Against], hours: float
) -> list[tuple[Pack, ...]]:
    """Which packs might open a day that is held against heat, frost or both? The cheapest first.

    One of each kind that is asked for, each of which lasts so many hours; empty where one kind has
    none that does.
    """
    found: list[tuple[Pack, ...]] = [()]
    for kind in dict.fromkeys(against):
        lasting = [pack for pack in packs if pack.against is kind and pack.hours >= hours]
        found = [(*some, pack) for some in found for pack in lasting]
    return sorted(
        (some for some in found if some),
        key=lambda some: (sum(pack.cost_cents for pack in some), [pack.name for pack in some]),
    )


def listed_packs(session: Session) -> tuple[Pack, ...]:
    """Which packs has the nursery? In the order of their names."""
    rows = session.exec(select(TravelPack).order_by(col(TravelPack.name))).all()
    return tuple(
        Pack(
            row.name,
            row.against,
            row.hours,
            row.covers_c,
            row.outside_c,
            row.cost_cents,
            row.weight_g,
            row.minutes,
        )
        for row in rows
    )
