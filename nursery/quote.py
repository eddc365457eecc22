"""On which days can this basket leave for this address, and when will it arrive?"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

from sqlmodel import Session

from nursery.basket import ANY_DAY, NO_CONSENT, Basket, BasketLine, Consent, Destination, Window
from nursery.errors import Refusal
from nursery.ship_days import Reason


@dataclass(frozen=True, slots=True)
class ShipOption:
    """A ship day that can be had now, by which service, and what is promised with it.

    It arrives between `arrives_from` and `arrives_until`; `chances` has the share of parcels that
    arrive on each day. `days_in_box` counts to `arrives_until`. `probability` is the chance that
    the promise is kept (see `nursery.ship_days`). `lines` is what leaves that day.
    """

    ship_on: date
    pack_on: date
    arrives_from: date
    arrives_until: date
    chances: tuple[tuple[date, float], ...]
    days_in_box: int
    probability: float
    service: str
    price_cents: int
    lines: tuple[BasketLine, ...]


@dataclass(frozen=True, slots=True)
class ClosedDay:
    """A day on which the whole basket cannot leave, and every reason why."""

    day: date
    reasons: tuple[Reason, ...]


@dataclass(frozen=True, slots=True)
class Quote:
    """What can be promised now: whole-basket options, best first, and why other days are closed.

    Best is the earliest last day of arrival, then the lower price. `parts` is filled only where
    the customer may be sent parts and they would have something earlier: one option a part, to be
    reserved one after another under the same order reference. Nothing is kept by a quote.
    """

    zone: str
    holiday_region: str
    first_day: date
    last_day: date
    options: tuple[ShipOption, ...]
    closed_days: tuple[ClosedDay, ...]
    parts: tuple[ShipOption, ...] = ()


@dataclass(frozen=True)
class OtherOptions(Refusal):
    """A refusal that comes with what can be had instead."""

    options: tuple[ShipOption, ...] = ()


def quote(
    session: Session,
    basket: Basket,
    destination: Destination,
    first_day: date | None = None,
    last_day: date | None = None,
    window: Window = ANY_DAY,
    consent: Consent = NO_CONSENT,
) -> Quote:
    """On which days from `first_day` to `last_day` can this basket leave for this address?

    Today and the site's horizon where they are None. Raises Refused: `unknown_product`,
    `bad_quantity`, `no_plants`, `no_postcode`, `no_zone`, `zone_blocked`, `no_service`,
    `no_calendar`, `bad_days`.
    """
    raise NotImplementedError
