"""Which heat or cold packs go into the parcels of a ship day?

Judged by the weather as it is known when this is asked, not when the day was promised: a pack that
opened a held day is left out where the forecast has turned mild, and put in where it has turned. It
is the cheapest that keeps the day within the site's risk; where none does, the lead decides.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import timedelta

from sqlmodel import Session

from nursery.database import now, site, today
from nursery.order import Promise
from nursery.promising.basket import Limits
from nursery.promising.holds import ForecastError, Outlook, read_outlook
from nursery.promising.packs import Pack, hours_packed, listed_packs, openings, with_packs
from nursery.shed.journey import Journeys
from nursery.shed.wanted import Wanted
from nursery.travelling import Against

_PAST_ARRIVAL = 3


@dataclass(frozen=True, slots=True)
class ParcelPacks:
    """The packs of one parcel, and why; `says` is for the sheet ("" where none is needed).

    Every one of its `boxes` gets them. Chances are those of heat and frost on the way without a
    pack, shares. `helpless` says that the way is over the risk and no pack brings it under.
    """

    promise_id: int
    order_reference: str
    packs: tuple[Pack, ...]
    heat_chance: float
    frost_chance: float
    says: str
    helpless: bool = False
    boxes: int = 1

    @property
    def each_g(self) -> int:
        """How many grams do the packs of one box weigh?"""
        return sum(pack.weight_g for pack in self.packs)

    @property
    def weight_g(self) -> int:
        """How many grams do the packs add to the parcel?"""
        return self.boxes * self.each_g

    @property
    def cost_cents(self) -> int:
        """What do the packs cost?"""
        return self.boxes * sum(pack.cost_cents for pack in self.packs)

    def in_boxes(self, boxes: int) -> ParcelPacks:
        """The same where the parcel takes so many boxes: as many packs."""
        says = ", ".join(pack.words(boxes) for pack in self.packs) if self.packs else self.says
        return replace(self, boxes=boxes, says=says)


class PackChoice:
    """Which packs go into each of these parcels, by the weather as it is known now?"""

    def __init__(
        self, session: Session, parcels: Sequence[Sequence[Wanted]], journeys: Journeys
    ) -> None:
        self._journeys = journeys
        self._packs, self._risk = listed_packs(session), site(session).hold_risk
        self._outlook = _outlook(session, parcels, journeys)

    def of(self, lines: Sequence[Wanted]) -> ParcelPacks:
        """The packs of the parcel with these lines."""
        stations = self._journeys.stations(lines[0].order.zone)
        return _parcel(lines, stations, self._outlook, self._packs, self._risk)


def choose(
    outlook: Outlook,
    stations: frozenset[int],
    limits: Limits,
    promise: Promise,
    packs: Sequence[Pack],
    risk: float,
) -> tuple[tuple[Pack, ...], float, float, bool]:
    """Which packs keep this promise's way within the risk?

    The packs (none where none are needed, or none help), the chances of heat and of frost without
    them, and whether the way is within the risk with them.
    """
    heat, frost = _chances(outlook, stations, limits, promise)
    against = [
        kind for kind, chance in ((Against.HEAT, heat), (Against.FROST, frost)) if chance > risk
    ]
    if not against:
        return (), heat, frost, True
    hours = hours_packed(promise.pack_on, promise.arrives_until)
    for some in openings(packs, against, hours):
        if max(_chances(outlook, stations, with_packs(limits, some), promise)) <= risk:
            return some, heat, frost, True
    return (), heat, frost, False


def _chances(
    outlook: Outlook, stations: frozenset[int], limits: Limits, promise: Promise
) -> tuple[float, float]:
    warmer = promise.service.warmer_c
    return outlook.holds(stations, limits, promise.ship_on, promise.arrives_until, warmer)


def _parcel(
    lines: Sequence[Wanted],
    stations: frozenset[int],
    outlook: Outlook,
    packs: Sequence[Pack],
    risk: float,
) -> ParcelPacks:
    promise = lines[0].promise
    limits = Limits(
        heat_c=min(each.product.heat_limit_c for each in lines),
        frost_c=max(each.product.frost_limit_c for each in lines),
        days_in_box=min(each.product.max_days_in_box for each in lines),
    )
    some, heat, frost, within = choose(outlook, stations, limits, promise, packs, risk)
    if some:
        says = ", ".join(str(pack) for pack in some)
    elif within:
        says = ""
    else:
        what = "heat" if heat > risk else "frost"
        says = f"{max(heat, frost):.0%} chance of {what} on the way and no pack helps: ask the lead"
    return ParcelPacks(
        promise.id or 0,
        lines[0].order.reference,
        some,
        round(heat, 3),
        round(frost, 3),
        says,
        helpless=not within,
    )


def _outlook(session: Session, parcels: Sequence[Sequence[Wanted]], journeys: Journeys) -> Outlook:
    here, day = site(session), today(session)
    promises = [lines[0].promise for lines in parcels]
    stations = {one for each in promises for one in journeys.stations(each.order.zone)}
    last = max((promise.arrives_until for promise in promises), default=day)
    first = min((promise.ship_on for promise in promises), default=day)
    start = min(day, first)
    days = (last - start).days + _PAST_ARRIVAL
    shelf = timedelta(hours=here.forecast_shelf_hours)
    error = ForecastError(here.forecast_error_c, here.forecast_drift_c)
    return read_outlook(session, stations, start, days, now(session), shelf, error)
