"""What happened to a batch, from its mother plants to the customers who have its plants?"""

import difflib
from collections.abc import Iterable, Sequence
from dataclasses import asdict, dataclass, replace
from datetime import date, datetime

import orjson
from sqlalchemy.orm import selectinload
from sqlmodel import Session, col, or_, select

from nursery.batch import Batch, Count
from nursery.day_entry import DayAction
from nursery.errors import Refusal, Refused
from nursery.growing.cold import holds_of
from nursery.order import CustomerOrder, Product, Promise, PromiseLine, State, line_notes
from nursery.reship import Reship
from nursery.shed.claims import Claim, claims_of
from nursery.shed.veto import linked_batches
from nursery.stock import Lot, Moved, Movement, Veto
from nursery.week.day_book import DayLine, batch_lines


@dataclass(frozen=True, slots=True)
class MovementRow:
    """One row of the ledger as it stands; `lot_id` None: growing plugs."""

    sequence: int
    kind: Moved
    plugs: int
    balance: int
    lot_id: int | None
    actor: str
    reason: str
    happened_at: datetime
    recorded_at: datetime


@dataclass(frozen=True, slots=True)
class CountRow:
    """One count: what was there, what the books expected, who counted."""

    lot_id: int | None
    counted_at: datetime
    counter: str
    plugs: int
    expected: int


@dataclass(frozen=True, slots=True)
class VetoRow:
    """One veto; it holds while nobody has signed it off."""

    kind: str
    reason: str
    lot_id: int | None
    set_by: str
    set_at: datetime
    earliest_end: date | None
    signed_off_by: str | None
    signed_off_at: datetime | None
    note: str


@dataclass(frozen=True, slots=True)
class ColdRow:
    """One decision to hold a lot cold, and the last sale dates before and after it."""

    lot_id: int
    days: int
    store_c: float
    last_sale_before: date
    last_sale_after: date
    decided_by: str
    decided_at: datetime
    reason: str
    withdrawn_at: datetime | None = None


@dataclass(frozen=True, slots=True)
class LotRow:
    """One lot of the batch and what is left of it."""

    lot_id: int
    grade: str
    ready_on: date
    last_sale_on: date
    plugs: int


@dataclass(frozen=True, slots=True)
class OrderTouched:
    """An order that had, or still waits for, plants of this batch.

    `plugs` were picked for it out of the batch, less picks that were undone; 0 for one that only
    waits for the batch's pool. `reship_of` names the order whose claim it was made for, if any;
    `notes` say how these plants are other than ordered (bought in, or instead of a product).
    """

    reference: str
    country: str
    postcode: str
    promise_id: int
    state: State
    ship_on: date
    plugs: int
    tracking: str
    reship_of: str = ""
    notes: tuple[str, ...] = ()


@dataclass(frozen=True)
class Trace:
    """The whole story of one batch. `waiting` orders may yet be given its plugs."""

    batch_code: str
    crop: str
    lineage: str
    mother_block: str
    origin_country: str
    quarantine: str
    started_on: date
    stage: str
    bench: str
    balance: int
    linked: tuple[str, ...]
    lots: tuple[LotRow, ...]
    movements: tuple[MovementRow, ...]
    counts: tuple[CountRow, ...]
    vetoes: tuple[VetoRow, ...]
    orders: tuple[OrderTouched, ...]
    waiting: tuple[OrderTouched, ...]
    cold_holds: tuple[ColdRow, ...] = ()
    day_book: tuple[DayLine, ...] = ()
    claims: tuple[Claim, ...] = ()

    def to_json(self) -> str:
        """The story for other programs."""
        return orjson.dumps(asdict(self), option=orjson.OPT_INDENT_2).decode()

    def lines(self) -> list[str]:
        """The story for people: where it comes from, what happened in time order, who has it."""
        return [*self._origin(), *self._events(), *self._customers()]

    def _origin(self) -> list[str]:
        came = [
            f"lineage {self.lineage}" if self.lineage else "",
            f"mother block {self.mother_block}" if self.mother_block else "",
            f"origin {self.origin_country}" if self.origin_country else "",
        ]
        where = self.bench or "no bench"
        stands = f"{self.stage}, {where}, {self.balance} plugs, quarantine {self.quarantine}"
        said = [
            f"Batch {self.batch_code}: {self.crop}, started {self.started_on}",
            f"From: {', '.join(each for each in came if each) or 'not recorded'}",
            f"Now: {stands}",
        ]
        if self.linked:
            said.append(f"Same lineage or mother block: {', '.join(self.linked)}")
        return said + [
            f"Lot {lot.lot_id}, grade {lot.grade}: {lot.plugs} plugs left, for sale from"
            f" {lot.ready_on} to {lot.last_sale_on}"
            for lot in self.lots
        ]

    def _events(self) -> list[str]:
        told = [(row.happened_at, row.sequence, _of_movement(row)) for row in self.movements]
        told += [(row.counted_at, 0, _of_count(row)) for row in self.counts]
        told += [(row.decided_at, 0, _of_cold(row)) for row in self.cold_holds]
        told += [
            (row.withdrawn_at, 0, _of_cold_no_longer(row))
            for row in self.cold_holds
            if row.withdrawn_at is not None
        ]
        # What moved plugs is told by the ledger's own rows.
        told += [
            (line.recorded_at, 0, str(line)) for line in self.day_book if line.action in _NOT_TOLD
        ]
        told += [(claim.at, 0, _of_claim(claim)) for claim in self.claims]
        for veto in self.vetoes:
            told.append((veto.set_at, 0, f"veto by {veto.set_by}: {veto.kind}, {veto.reason}"))
            if veto.signed_off_at is not None:
                signed = f"veto signed off by {veto.signed_off_by}: {veto.note}"
                told.append((veto.signed_off_at, 0, signed))
        return [f"{at:%Y-%m-%d %H:%M} UTC  {text}" for at, _, text in sorted(told)]

    def _customers(self) -> list[str]:
        had = [
            f"Order {each.reference} ({each.country} {each.postcode}) has {each.plugs} plugs,"
            f" {each.state}, ship day {each.ship_on}, tracking {each.tracking or 'none'}"
            + (f"; a reship of order {each.reship_of}" if each.reship_of else "")
            + "".join(f"; {note}" for note in each.notes)
            for each in self.orders
        ]
        waits = ", ".join(each.reference for each in self.waiting)
        return [*had, f"Orders that wait for its pools: {waits}"] if waits else had


def _of_claim(claim: Claim) -> str:
    what = f"{claim.plugs} plugs {claim.kind.value}" if claim.plugs else claim.kind.value
    photo = f" (photo: {claim.photo})" if claim.photo else ""
    again = "".join(
        f"; {each.plugs} sent again as order {each.reference}, {each.state}, ship day"
        f" {each.ship_on}, by {each.made_by}: {each.reason}"
        for each in claim.reships
    )
    return f"order {claim.reference} claims {what}: {claim.text}{photo}{again}"


_NOT_TOLD = (DayAction.MOVED, DayAction.GAPPED_UP)
"""Entries of the day book that leave no row of their own in the batch's ledger."""


def _of_movement(row: MovementRow) -> str:
    part = "growing plugs" if row.lot_id is None else f"lot {row.lot_id}"
    why = f" ({row.reason})" if row.reason else ""
    return f"{row.plugs:+d} {row.kind}, {part}, by {row.actor}{why}; {row.balance} in all"


def _of_count(row: CountRow) -> str:
    part = "growing plugs" if row.lot_id is None else f"lot {row.lot_id}"
    return f"count of {part} by {row.counter}: {row.plugs}, the books had {row.expected}"


def _of_cold(row: ColdRow) -> str:
    why = f" ({row.reason})" if row.reason else ""
    return (
        f"lot {row.lot_id} held cold for {row.days} days at {row.store_c:g} °C by {row.decided_by}"
        f"{why}: last sale {row.last_sale_before} becomes {row.last_sale_after}"
    )


def _of_cold_no_longer(row: ColdRow) -> str:
    return (
        f"lot {row.lot_id} no longer held cold for {row.days} days: taken back, last sale "
        f"{row.last_sale_before} again"
    )


def trace(session: Session, batch_code: str) -> Trace:
    """What happened to this batch, and which orders have its plants?

    Its lineage, lots, ledger, counts, vetoes, the orders that were picked from it and those that
    wait for its pools. Raises `Refused` ("unknown_batch") with the codes that come near.
    """
    batch = batch_called(session, batch_code)
    movements = session.exec(
        select(Movement).where(Movement.batch_id == batch.id).order_by(col(Movement.sequence))
    ).all()
    lots = session.exec(
        select(Lot).where(Lot.batch_id == batch.id).order_by(col(Lot.ready_on), col(Lot.id))
    ).all()
    orders = orders_of(session, batch)
    return Trace(
        batch_code=batch.code,
        crop=batch.crop.name,
        lineage=batch.lineage,
        mother_block=batch.mother_block.code if batch.mother_block else "",
        origin_country=batch.origin_country,
        quarantine=batch.quarantine,
        started_on=batch.started_on,
        stage=batch.stage.kind,
        bench=batch.bench.name if batch.bench else "",
        balance=movements[-1].balance if movements else 0,
        linked=tuple(other.code for other in linked_batches(session, batch)),
        lots=tuple(
            LotRow(lot.id or 0, lot.pool.grade, lot.ready_on, lot.last_sale_on, lot.plugs)
            for lot in lots
        ),
        movements=tuple(_movement(row) for row in movements),
        counts=_counts(session, batch),
        vetoes=_vetoes(session, batch),
        orders=orders,
        waiting=_waiting(session, lots, {each.promise_id for each in orders}),
        cold_holds=tuple(
            ColdRow(
                lot_id=lot.id or 0,
                days=hold.days,
                store_c=hold.store_c,
                last_sale_before=hold.last_sale_before,
                last_sale_after=hold.last_sale_after,
                decided_by=hold.decided_by,
                decided_at=hold.decided_at,
                reason=hold.reason,
                withdrawn_at=hold.withdrawn_at,
            )
            for lot in lots
            for hold in holds_of(session, lot)
        ),
        day_book=tuple(batch_lines(session, batch)),
        claims=tuple(claims_of(session, batch)),
    )


def batch_called(session: Session, code: str) -> Batch:
    """Which batch has this code? Raises `Refused` ("unknown_batch") with codes that come near."""
    batch = session.exec(select(Batch).where(Batch.code == code)).first()
    if batch is None:
        raise Refused(_unknown(session, code))
    return batch


def _movement(row: Movement) -> MovementRow:
    return MovementRow(
        sequence=row.sequence,
        kind=row.kind,
        plugs=row.plugs,
        balance=row.balance,
        lot_id=row.lot_id,
        actor=row.actor,
        reason=row.reason,
        happened_at=row.happened_at,
        recorded_at=row.recorded_at,
    )


def _counts(session: Session, batch: Batch) -> tuple[CountRow, ...]:
    query = select(Count).where(Count.batch_id == batch.id)
    rows = session.exec(query.order_by(col(Count.counted_at), col(Count.id)))
    return tuple(CountRow(r.lot_id, r.counted_at, r.counter, r.plugs, r.expected) for r in rows)


def _vetoes(session: Session, batch: Batch) -> tuple[VetoRow, ...]:
    query = select(Veto).where(Veto.batch_id == batch.id).order_by(col(Veto.set_at), col(Veto.id))
    return tuple(
        VetoRow(
            kind=row.kind,
            reason=row.reason,
            lot_id=row.lot_id,
            set_by=row.set_by,
            set_at=row.set_at,
            earliest_end=row.earliest_end,
            signed_off_by=row.signed_off_by,
            signed_off_at=row.signed_off_at,
            note=row.sign_off_note,
        )
        for row in session.exec(query)
    )


def orders_of(session: Session, batch: Batch) -> tuple[OrderTouched, ...]:
    """Which orders were picked out of this batch? By reference."""
    return orders_by_batch(session, [batch])[batch.id or 0]


def orders_by_batch(
    session: Session, batches: Iterable[Batch]
) -> dict[int, tuple[OrderTouched, ...]]:
    """Which orders were picked out of each of these batches (ids)? By reference.

    An order that has plugs of several batches is in each list with those of that batch.
    """
    picked: dict[int, dict[int, int]] = {batch.id or 0: {} for batch in batches}
    notes: dict[tuple[int, int], tuple[str, ...]] = {}
    sent = selectinload(PromiseLine.product).selectinload(Product.crop)  # type: ignore[arg-type]
    asked = selectinload(PromiseLine.instead_of).selectinload(Product.crop)  # type: ignore[arg-type]
    rows = session.exec(
        select(Movement.batch_id, PromiseLine, Movement.plugs)
        .join(PromiseLine, col(Movement.promise_line_id) == col(PromiseLine.id))
        .where(col(Movement.batch_id).in_(picked), Movement.kind == Moved.PICKED)
        .options(sent, asked)
    )
    for batch, line, plugs in rows:
        mine = picked[batch]
        mine[line.promise_id] = mine.get(line.promise_id, 0) - plugs
        said = line_notes(line.product, line.instead_of, line.bought_in)
        key = batch, line.promise_id
        notes[key] = tuple(dict.fromkeys((*notes.get(key, ()), *said)))
    whose = {promise: 0 for mine in picked.values() for promise, plugs in mine.items() if plugs}
    touched = _touched(session, whose)
    return {
        batch: tuple(
            replace(order, plugs=mine[order.promise_id], notes=notes[batch, order.promise_id])
            for order in touched
            if mine.get(order.promise_id)
        )
        for batch, mine in picked.items()
    }


def _waiting(session: Session, lots: Sequence[Lot], besides: set[int]) -> tuple[OrderTouched, ...]:
    """Orders with plugs still to be picked out of the pools of the batch's lots."""
    pools = sorted({lot.pool_id for lot in lots})
    rows = session.exec(
        select(PromiseLine.promise_id)
        .join(Promise, col(PromiseLine.promise_id) == col(Promise.id))
        .where(
            col(PromiseLine.pool_id).in_(pools), col(PromiseLine.picked) < col(PromiseLine.plugs)
        )
        .where(or_(Promise.state == State.CONFIRMED, Promise.state == State.RESERVED))
    )
    return _touched(session, dict.fromkeys(set(rows) - besides, 0))


def _touched(session: Session, plugs: dict[int, int]) -> tuple[OrderTouched, ...]:
    of = reshipped_orders(session, plugs)
    query = (
        select(Promise, CustomerOrder)
        .join(CustomerOrder, col(Promise.order_id) == col(CustomerOrder.id))
        .where(col(Promise.id).in_(sorted(plugs)))
        .order_by(CustomerOrder.reference, col(Promise.id))
    )
    return tuple(
        OrderTouched(
            reference=order.reference,
            country=order.country,
            postcode=order.postcode,
            promise_id=promise.id or 0,
            state=promise.state,
            ship_on=promise.ship_on,
            plugs=plugs[promise.id or 0],
            tracking=promise.tracking,
            reship_of=of.get(promise.id or 0, ""),
        )
        for promise, order in session.exec(query)
    )


def reshipped_orders(session: Session, promises: Iterable[int]) -> dict[int, str]:
    """Which of these promises (ids) are reships, and of which order (its reference)?"""
    rows = session.exec(
        select(Reship.promise_id, CustomerOrder.reference)
        .join(Promise, col(Reship.first_promise_id) == col(Promise.id))
        .join(CustomerOrder, col(Promise.order_id) == col(CustomerOrder.id))
        .where(col(Reship.promise_id).in_(sorted(set(promises))))
    )
    return dict(rows.all())


def _unknown(session: Session, code: str) -> Refusal:
    known = session.exec(select(Batch.code).order_by(Batch.code)).all()
    folded = {each.casefold(): each for each in known}
    near = difflib.get_close_matches(code.casefold(), list(folded), n=3, cutoff=0.5)
    said = f"did you mean {', '.join(folded[each] for each in near)}?" if near else "check the code"
    return Refusal("unknown_batch", f"no batch has the code {code!r}", "batch_code", said)
