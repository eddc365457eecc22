"""What did a customer complain of, and from which lots did those plants come?

A claim is an event of the promise; it moves no plug and no money. Plants that come back are
discarded, never sold again (common practice). Where several claims point at one lot, look at the
lot: a veto is set by a person.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime
from enum import StrEnum

from sqlalchemy.orm import joinedload
from sqlmodel import Session, col, select

from nursery.batch import Batch
from nursery.errors import Fault, Refusal, Refused
from nursery.order import CustomerOrder, EventKind, Promise, PromiseEvent, PromiseLine, State
from nursery.promising.promise_rows import tell
from nursery.reship import Reship
from nursery.shed.handover import locked
from nursery.stock import Moved, Movement

LONGEST_TEXT, LONGEST_PHOTO = 500, 300
"""Characters of the customer's words, and of where their photo is."""


class ClaimKind(StrEnum):
    """What was wrong."""

    DEAD = "dead"
    WRONG = "wrong"
    LATE = "late"


@dataclass(frozen=True, slots=True)
class ClaimedLot:
    """Plugs of a lot that went to the customer who claims."""

    batch_code: str
    lot_id: int
    plugs: int


@dataclass(frozen=True, slots=True)
class SentAgain:
    """A reship of a claim: its promise, its own order's reference, and where it stands."""

    promise_id: int
    reference: str
    plugs: int
    state: State
    ship_on: date
    reason: str
    made_by: str


@dataclass(frozen=True)
class Claim:
    """One claim, with the lots that the parcel's plants (of that product) came from.

    `product` is "" where all of the parcel is meant, `plugs` how many are claimed. `photo` says
    where a photo is (the shop's own reference or an address; nothing is fetched), `wants_reship`
    that the customer would like the plants again. `reships` are what was sent for it, or will be.
    """

    event_id: int
    promise_id: int
    reference: str
    kind: ClaimKind
    product: str
    plugs: int
    text: str
    at: datetime
    actor: str
    lots: tuple[ClaimedLot, ...]
    photo: str = ""
    wants_reship: bool = False
    reships: tuple[SentAgain, ...] = ()


def record_claim(
    session: Session,
    promise_id: int,
    kind: ClaimKind,
    text: str,
    actor: str,
    plugs: int | None = None,
    product: str = "",
    photo: str = "",
    wants_reship: bool = False,
) -> Claim:
    """Which claim is on the books from now on, traced to the lots that its plants came from?

    `plugs` defaults to all that were sent (of that product, by the shop's code) and not claimed
    before: a plug is dead or wrong once, and late once. A product that was ordered and for which
    another was sent means that other one. Raises `Refused`: "unknown_promise",
    "wrong_state" (nothing has been handed over yet), "unknown_product", "claimed_already",
    "too_many_claimed". `Fault` without words or a name, or for words that are too long.
    """
    for what, given in (("who records it", actor), ("the customer's words", text)):
        if not given.strip():
            raise Fault("Claim", f"needs {what}", given, "give it")
    _refuse_long("text", text, LONGEST_TEXT)
    _refuse_long("photo", photo, LONGEST_PHOTO)
    promise = locked(session, promise_id)
    if promise.state not in (State.HANDED_OVER, State.DELIVERED):
        message = f"promise {promise_id} is {promise.state}: nothing has been sent yet"
        raise _refused("wrong_state", message, "promise", "look up where it stands")
    product = _sent_as(promise, product)
    lines = _lines(promise, product)
    lots = _lots(session, [line.id or 0 for line in lines])
    sent = sum(lot.plugs for lot in lots)
    before = _claimed_before(session, promise, kind, product)
    left = _unclaimed(session, promise, before, product, sent)
    if sent and not left and plugs != 0:
        listed = ", ".join(str(claim.event_id) for claim in before)
        message = f"all {sent} plugs that were sent are claimed already (claim {listed})"
        raise _refused("claimed_already", message, "promise", "look at that claim")
    wanted = left if plugs is None else plugs
    if not 0 <= wanted <= left:
        told = f", {sent - left} of them are claimed already" if left < sent else ""
        message = f"{wanted} plugs are claimed, {sent} were sent{told}"
        raise _refused("too_many_claimed", message, "plugs", "ask how many are meant")
    tell(
        session,
        promise,
        EventKind.CLAIMED,
        actor,
        claim=kind.value,
        product=product,
        plugs=wanted,
        text=text,
        photo=photo.strip(),
        wants_reship=wants_reship,
        lots=[[lot.batch_code, lot.lot_id, lot.plugs] for lot in lots],
    )
    session.flush()
    return claims(session, promise_id)[-1]


def _claimed_before(
    session: Session, promise: Promise, kind: ClaimKind, product: str
) -> list[Claim]:
    """Which claims may be about the same plugs: also dead or wrong, or also late?"""
    late = kind is ClaimKind.LATE
    return [
        claim
        for claim in claims(session, promise.id)
        if claim.plugs
        and (claim.kind is ClaimKind.LATE) == late
        and ("" in (claim.product, product) or claim.product == product)
    ]


def _unclaimed(
    session: Session, promise: Promise, before: Sequence[Claim], product: str, sent: int
) -> int:
    """How many plugs can still be claimed? Claims of the whole parcel may be of any product."""
    if not product:
        return max(0, sent - sum(claim.plugs for claim in before))
    of_product = sum(claim.plugs for claim in before if claim.product)
    whole = sum(lot.plugs for lot in plants_of(session, promise))
    claimed = sum(claim.plugs for claim in before)
    return max(0, min(sent - of_product, whole - claimed))


def claims(
    session: Session, promise_id: int | None = None, after: int = 0, most: int | None = None
) -> list[Claim]:
    """Which claims are on the books, of one promise or of all? In the order they came.

    `after` and `most` ask for a page: at most so many after the claim with this number.
    """
    query = (
        select(PromiseEvent)
        .where(PromiseEvent.kind == EventKind.CLAIMED, col(PromiseEvent.id) > after)
        .options(joinedload(PromiseEvent.promise).joinedload(Promise.order))  # type: ignore[arg-type]
    )
    if promise_id is not None:
        query = query.where(PromiseEvent.promise_id == promise_id)
    rows = session.exec(query.order_by(col(PromiseEvent.id)).limit(most)).all()
    sent = _sent_again(session, [row.id or 0 for row in rows])
    return [_claim(row, sent.get(row.id or 0, [])) for row in rows]


def claim_of(session: Session, claim_id: int) -> Claim:
    """Which claim is this? Raises `Refused` ("unknown_claim")."""
    row = session.get(PromiseEvent, claim_id)
    if row is None or row.kind is not EventKind.CLAIMED:
        message = f"there is no claim {claim_id}"
        raise _refused("unknown_claim", message, "claim", "see `nursery claims --list`")
    return _claim(row, _sent_again(session, [claim_id]).get(claim_id, []))


def _sent_again(session: Session, claims: Sequence[int]) -> dict[int, list[SentAgain]]:
    """What was made of these claims (ids), in the order it was made?"""
    rows = session.exec(
        select(Reship, Promise, CustomerOrder)
        .join(Promise, col(Reship.promise_id) == col(Promise.id))
        .join(CustomerOrder, col(Promise.order_id) == col(CustomerOrder.id))
        .where(col(Reship.claim_id).in_(claims))
        .order_by(col(Reship.id))
    )
    found: dict[int, list[SentAgain]] = {}
    for row, promise, order in rows:
        one = SentAgain(
            promise_id=row.promise_id,
            reference=order.reference,
            plugs=row.plugs,
            state=promise.state,
            ship_on=promise.ship_on,
            reason=row.reason,
            made_by=row.made_by,
        )
        found.setdefault(row.claim_id, []).append(one)
    return found


def claims_of(session: Session, batch: Batch) -> list[Claim]:
    """Which claims are there on plants of this batch?"""
    return [
        claim
        for claim in claims(session)
        if any(lot.batch_code == batch.code for lot in claim.lots)
    ]


def _refuse_long(what: str, text: str, most: int) -> None:
    if len(text) > most:
        rule = f"{what}: at most {most} characters, this has {len(text)}"
        raise Fault("Claim", rule, f"{text[:40]}...", "shorten it")
    if "\0" in text:
        raise Fault(
            "Claim", f"{what}: no database keeps a NUL character", text[:40], "leave it out"
        )


def _claim(row: PromiseEvent, reships: Sequence[SentAgain]) -> Claim:
    detail = row.detail
    found = detail.get("lots")
    return Claim(
        event_id=row.id or 0,
        promise_id=row.promise_id,
        reference=row.promise.order.reference,
        kind=ClaimKind(str(detail["claim"])),
        product=str(detail["product"]),
        plugs=int(str(detail["plugs"])),
        text=str(detail["text"]),
        at=row.at,
        actor=row.actor,
        lots=tuple(ClaimedLot(*each) for each in found) if isinstance(found, list) else (),
        photo=str(detail.get("photo", "")),
        wants_reship=bool(detail.get("wants_reship", False)),
        reships=tuple(reships),
    )


def _sent_as(promise: Promise, product: str) -> str:
    """The code of what was sent where this product was ordered; its own where it was sent itself.

    A customer who agreed to other plants may name what they ordered or what came.
    """
    if product in {line.product.code for line in promise.lines}:
        return product
    asked = (one for one in promise.lines if one.instead_of and one.instead_of.code == product)
    return next((line.product.code for line in asked), product)


def _lines(promise: Promise, product: str) -> list[PromiseLine]:
    mine = [line for line in promise.lines if product in ("", line.product.code)]
    if not mine:
        known = ", ".join(
            f"{line.product.code} (instead of {line.instead_of.code})"
            if line.instead_of
            else line.product.code
            for line in promise.lines
        )
        message = f"promise {promise.id} has no product {product!r}"
        raise _refused("unknown_product", message, "product", f"it has: {known}")
    return mine


def plants_of(session: Session, promise: Promise) -> list[ClaimedLot]:
    """Which lots do the plants of this parcel come from, as they were picked?"""
    return _lots(session, [line.id or 0 for line in promise.lines])


def _lots(session: Session, lines: list[int]) -> list[ClaimedLot]:
    """What was picked for these lines, lot by lot, less picks that were undone."""
    rows = session.exec(
        select(Batch.code, Movement.lot_id, Movement.plugs)
        .join(Movement, col(Movement.batch_id) == col(Batch.id))
        .where(col(Movement.promise_line_id).in_(lines), Movement.kind == Moved.PICKED)
    )
    taken: dict[tuple[str, int], int] = {}
    for code, lot, plugs in rows:
        taken[code, lot or 0] = taken.get((code, lot or 0), 0) - plugs
    return [ClaimedLot(code, lot, plugs) for (code, lot), plugs in sorted(taken.items()) if plugs]


def _refused(code: str, message: str, field: str, next: str) -> Refused:
    return Refused(Refusal(code, message, field, next))
