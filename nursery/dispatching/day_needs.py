"""What more does it take to pack an order on one of its open days than on another?

By the function that the pick sheet asks (`shed.packer`): a cold day asks for heat packs in every
box, a dry way for another wrap or a tighter box. Days that ask for the same are told apart from the
others first, once a way; then each order is packed once for each kind of day, and only where it
has days that ask for more than its products list.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import date

from sqlmodel import Session

from nursery.promising.basket import Limits
from nursery.promising.ship_days import Rules, Way, decided
from nursery.shed.journey import Journeys, Trip, trip_of
from nursery.shed.packer import Goods, Packed, Packer, own_wrap

_Asks = tuple[object, ...]
"""What a way asks for: packs, and how each wrap fares in each kind of box; () where nothing."""


@dataclass(frozen=True, slots=True)
class More:
    """What a day takes beyond the least of an order's days: cents and whole minutes.

    `says` what is put in, or changed, on such a day ("" where it is packed as its products list).
    """

    cents: int
    minutes: int
    says: str


@dataclass(frozen=True, slots=True)
class DayNeeds:
    """The minutes that an order takes to pack on its least day, and the days that take more."""

    minutes: int
    more: Mapping[date, More]


class Needs:
    """What does each order take on each of its days? By the weather as the desk knows it.

    The ways of one desk and day must be the same objects each time: they are judged once.
    """

    def __init__(self, session: Session, rules: Rules) -> None:
        self._rules = rules
        self._packer = Packer(session, rules.outlook, Journeys(session))
        self._asked: dict[tuple[int, frozenset[str]], int] = {}
        self._kept: list[Way] = []  # ways whose id is a key: it must not become another's
        self._trips: dict[Trip, dict[str, _Asks]] = {}
        self._numbers: dict[_Asks, int] = {}
        self._found: dict[tuple[object, ...], More] = {}

    def of(self, goods: Goods, limits: Limits, minutes: int, ways: Mapping[date, Way]) -> DayNeeds:
        """What do these goods take on each of these days, by the way that is open then?

        `minutes` are those of packing them as their products list.
        """
        own = frozenset(own_wrap(product) for product, _ in goods)
        known = self._asked
        asked = {}
        for day, way in ways.items():
            number = known.get((id(way), own))
            number = self._ask(limits, own, way) if number is None else number
            if number:
                asked[day] = number
        if not asked:
            return DayNeeds(minutes, {})
        sorts = tuple((product.id, many) for product, many in goods)
        plain = More(0, minutes, "")
        found = {
            day: self._more(sorts, goods, way, asked[day]) if day in asked else plain
            for day, way in ways.items()
        }
        cents = min(one.cents for one in found.values())
        least = min(one.minutes for one in found.values())
        more = {
            day: More(one.cents - cents, one.minutes - least, one.says)
            for day, one in found.items()
            if one.cents > cents or one.minutes > least
        }
        return DayNeeds(least, more)

    def _ask(self, limits: Limits, own: frozenset[str], way: Way) -> int:
        """What does this way ask of plants in these wraps? A number a kind of way; 0: nothing."""
        trip = trip_of(way)
        fares = self._trips.setdefault(trip, {})
        for name in own:
            if name not in fares:
                fares[name] = self._packer.fares(name, trip)
        asks: _Asks = tuple(fares[name] for name in sorted(own))
        packs = () if self._calm(way) else self._packer.packs(_bare(limits), trip).packs
        number = self._numbers.setdefault((packs, *asks), len(self._numbers) + 1)
        number = number if packs or any(asks) else 0
        self._asked[id(way), own] = number
        self._kept.append(way)
        return number

    def _calm(self, way: Way) -> bool:
        """Is it known already that the way is within the risk without packs? The desk judged it."""
        if way.packs or decided(self._rules, way.lane, way.leg.ship_on) is not None:
            return False  # its chances are those with packs, or a person's word
        return max(way.heat_chance, way.frost_chance) <= self._rules.hold_risk

    def _more(self, sorts: object, goods: Goods, way: Way, asks: int) -> More:
        """What do they take beyond packing them as listed, by the same service? Minutes in all."""
        key = (sorts, way.lane.service_id, way.lane.zone_id, asks)
        if key not in self._found:
            trip = trip_of(way)
            packed = self._packer.packed(goods, trip)
            more = packed.cost_cents + packed.postage_cents - self._packer.as_listed(goods, trip)
            self._found[key] = More(more, packed.minutes, _said(goods, packed))
        return self._found[key]


def _bare(limits: Limits) -> Limits:
    """Without the band of caution: that is for promises made anew, not for packing."""
    return replace(limits, caution_c=0.0)


def _said(goods: Goods, packed: Packed) -> str:
    """Which packs go in, which wraps are others than listed, which box is a tighter one?"""
    said = [packed.packs.says] if packed.packs.packs else []
    for (product, _), taken in zip(goods, packed.wraps, strict=True):
        listed = own_wrap(product)
        if taken is not None and taken.wrap.name != listed:
            instead = f"{taken.wrap.name} instead of {listed}" if listed else taken.wrap.name
            said.append(instead)
    return ", ".join(dict.fromkeys([*said, *([packed.box_says] if packed.box_says else [])]))
