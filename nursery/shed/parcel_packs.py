"""Which heat or cold packs go into the parcels of a ship day?

Judged by the weather as it is known when this is asked, not when the day was promised: a pack that
opened a held day is left out where the forecast has turned mild, and put in where it has turned. It
is the cheapest that keeps the day within the site's risk; where none does, the lead decides.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta

from sqlmodel import Session

from nursery.database import now, site, today
from nursery.order import Promise
from nursery.promising.basket import Limits
from nursery.promising.holds import ForecastError, Outlook, read_outlook
from nursery.promising.packs import Pack, hours_packed, listed_packs, openings, with_packs
from nursery.shed.pick_sheet import Wanted, wanted_on
from nursery.travelling import Against

_PAST_ARRIVAL = 3


@dataclass(frozen=True, slots=True)
class ParcelPacks:
    """The packs of one parcel, and why; `says` is for the sheet ("" where none is needed).

    Chances are those of heat and frost on the way without a pack, shares.
    """

    promise_id: int
    order_reference: str
    packs: tuple[Pack, ...]
    heat_chance: float
    frost_chance: float
    says: str

    @property
    def weight_g(self) -> int:
        """How many grams do the packs add to the parcel?"""
        return sum(pack.weight_g for pack in self.packs)

    @property
    def cost_cents(self) -> int:
        """What do the packs cost?"""
        return sum(pack.cost_cents for pack in self.packs)


def parcel_packs(session: Session, ship_day: date) -> list[ParcelPacks]:
    """Which packs go into which parcel of this ship day? Every parcel, by order reference."""
    parcels: dict[int, list[Wanted]] = {}
    for each in wanted_on(session, ship_day, ship_day):
        parcels.setdefault(each.promise.id or 0, []).append(each)
    lines = list(parcels.values())
    outlook = _outlook(session, lines)
    packs, risk = listed_packs(session), site(session).hold_risk
    found = [_parcel(session, each, outlook, packs, risk) for each in lines]
    return sorted(found, key=lambda one: (one.order_reference, one.promise_id))


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
    session: Session,
    lines: Sequence[Wanted],
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
    some, heat, frost, within = choose(
        outlook, _stations(session, promise), limits, promise, packs, risk
    )
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
    )


def _stations(session: Session, promise: Promise) -> frozenset[int]:
    ends = (site(session).station_id, promise.order.zone.station_id)
    return frozenset(one for one in ends if one is not None)


def _outlook(session: Session, parcels: Sequence[Sequence[Wanted]]) -> Outlook:
    here, day = site(session), today(session)
    promises = [lines[0].promise for lines in parcels]
    stations = {one for promise in promises for one in _stations(session, promise)}
    last = max((promise.arrives_until for promise in promises), default=day)
    first = min((promise.ship_on for promise in promises), default=day)
    start = min(day, first)
    days = (last - start).days + _PAST_ARRIVAL
    shelf = timedelta(hours=here.forecast_shelf_hours)
    error = ForecastError(here.forecast_error_c, here.forecast_drift_c)
    return read_outlook(session, stations, start, days, now(session), shelf, error)
