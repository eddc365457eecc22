"""Which plugs and which day are kept for whom? The life of a promise until it is picked."""

from __future__ import annotations

from datetime import date

from sqlmodel import Session

from nursery.basket import ANY_DAY, NO_CONSENT, Basket, Consent, Destination, Window
from nursery.order import Promise


def reserve(
    session: Session,
    reference: str,
    basket: Basket,
    destination: Destination,
    ship_on: date,
    service: str,
    actor: str,
    window: Window = ANY_DAY,
    consent: Consent = NO_CONSENT,
    label_reference: str = "",
) -> Promise:
    """Which plugs and day are kept while the customer pays? A reservation, for so many minutes.

    Makes the order `reference` (the shop's own) with its lines; with consent to split, a part may
    be added to an order that is there. `service` is a carrier service's name. Raises Refused: what
    `quote` raises, `unknown_service`, `order_exists`, `no_plugs` and `day_closed` (these two as
    `OtherOptions`).
    """
    raise NotImplementedError


def confirm(session: Session, promise_id: int, actor: str) -> Promise:
    """Is it promised for good? Also after the reservation lapsed, if plugs and day are still there.

    A second confirm changes nothing. Raises Refused: `unknown_promise`, `not_changeable`, `lapsed`
    (as `OtherOptions`, with the days that can be had now).
    """
    raise NotImplementedError


def amend(
    session: Session,
    promise_id: int,
    actor: str,
    basket: Basket | None = None,
    destination: Destination | None = None,
    ship_on: date | None = None,
    service: str | None = None,
) -> Promise:
    """What is promised now that the customer wants other plants, another address or another day?

    One operation, until picked; what is None stays. Raises Refused: what `reserve` raises,
    `unknown_promise`, `not_changeable`, `lapsed`, `split_order`.
    """
    raise NotImplementedError


def cancel(session: Session, promise_id: int, actor: str, reason: str = "") -> Promise:
    """What becomes of a promise the customer no longer wants? Its plugs are free again.

    Reserved or confirmed ones, until picked; a second cancel changes nothing. Raises Refused:
    `unknown_promise`, `not_changeable`.
    """
    raise NotImplementedError


def release(session: Session, promise_id: int, actor: str) -> Promise:
    """What becomes of a reservation that is given up before payment? It is cancelled at once.

    One that lapsed stays lapsed. Raises Refused: `unknown_promise`, `not_changeable`.
    """
    raise NotImplementedError


def promise_order(
    session: Session, order_id: int, ship_on: date, service: str, actor: str, judged: bool = False
) -> Promise:
    """Which promise does an order on the book get, for all its lines that have none? Confirmed.

    `judged` says that the caller holds the locks and has judged the plan as a whole, so that days
    and plugs are not asked again order by order. Raises Refused as `reserve` does.
    """
    raise NotImplementedError


def re_date(
    session: Session,
    promise_id: int,
    ship_on: date,
    service: str,
    actor: str,
    reason: str,
    judged: bool = False,
) -> Promise:
    """Which day does a promise get when the nursery cannot keep its own? An event on it.

    It keeps the first day it was given. `judged` as in `promise_order`. Raises Refused.
    """
    raise NotImplementedError
