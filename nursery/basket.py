"""What does the customer want, where does it go, and what does that ask of the way there?"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date

from nursery.growing_area import Site

PLANT_HEALTH = "Plant health law may forbid it or ask for papers; ask the licensed person."


@dataclass(frozen=True, slots=True)
class BasketLine:
    """So many of a product, by the shop's code. Lines that are no plants are passed over."""

    code: str
    quantity: int
    is_plant: bool = True


@dataclass(frozen=True, slots=True)
class Basket:
    """What one customer wants together: all of it leaves, or nothing does."""

    lines: tuple[BasketLine, ...]


@dataclass(frozen=True, slots=True)
class Destination:
    """Where does it go? A country (ISO 3166-1, two letters) and a postcode."""

    country: str
    postcode: str


@dataclass(frozen=True, slots=True)
class Window:
    """Between which days, both included, must it arrive? None leaves that end open."""

    not_before: date | None = None
    not_after: date | None = None


@dataclass(frozen=True, slots=True)
class Consent:
    """What has the customer agreed to? Nothing, unless said."""

    may_split: bool = False
    may_substitute: bool = False


ANY_DAY = Window()
NO_CONSENT = Consent()


@dataclass(frozen=True, slots=True)
class Limits:
    """What do the most delicate plants of a parcel stand? °C, and days in the box."""

    heat_c: float
    frost_c: float
    days_in_box: int


@dataclass(frozen=True, slots=True)
class Item:
    """One product of a basket, found in the books. `plugs` = quantity x plugs of the product."""

    product_id: int
    pool_id: int
    code: str
    quantity: int
    plugs: int
    limits: Limits
    pack_minutes: float


@dataclass(frozen=True, slots=True)
class Parcel:
    """A basket (or a part of it) as the books see it: its items, its limits, its minutes."""

    items: tuple[Item, ...]
    minutes: int

    @property
    def limits(self) -> Limits:
        """What do the most delicate plants in it stand?"""
        return Limits(
            heat_c=min(item.limits.heat_c for item in self.items),
            frost_c=max(item.limits.frost_c for item in self.items),
            days_in_box=min(item.limits.days_in_box for item in self.items),
        )

    @property
    def plugs(self) -> Mapping[int, int]:
        """How many plugs of which pool? Several products of one pool are added up."""
        wanted: dict[int, int] = {}
        for item in self.items:
            wanted[item.pool_id] = wanted.get(item.pool_id, 0) + item.plugs
        return wanted

    @property
    def lines(self) -> tuple[BasketLine, ...]:
        """Which basket would ask for just this parcel?"""
        return tuple(BasketLine(item.code, item.quantity) for item in self.items)


def pack_minutes(site: Site, items: Iterable[Item]) -> int:
    """How many minutes does this parcel take to pack? The site's a parcel, plus each product's
    and its wrap's, whole minutes upwards."""
    return math.ceil(site.parcel_minutes + sum(i.quantity * i.pack_minutes for i in items) - 1e-9)


def parcel_of(site: Site, items: Iterable[Item]) -> Parcel:
    """Which parcel do these items make? In the order of their products."""
    listed = tuple(sorted(items, key=lambda item: item.product_id))
    return Parcel(listed, pack_minutes(site, listed))
