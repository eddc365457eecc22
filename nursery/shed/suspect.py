"""A quarantine pest is suspected in a batch: what is frozen with it, and what must be shown?

The lead says by which ties batches count as linked: the same mother block, the same lineage, or
the same growing area in the same days. Open ones get a quarantine veto, which an authorised person
alone signs off; closed ones are listed, because their plants are with customers. A suspicion is
reported to the plant health authority at once, and what happens next is the inspector's decision
(Regulation (EU) 2016/2031, articles 14 and 15, for the Union; local law elsewhere).
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass
from datetime import date
from enum import StrEnum

from sqlalchemy import func
from sqlalchemy.orm import selectinload
from sqlmodel import Session, and_, col, select

from nursery.batch import Batch
from nursery.database import site, today
from nursery.errors import Fault
from nursery.growing_area import Bench, GrowingArea
from nursery.records import StageRecord
from nursery.shed.ledger import lock_batches
from nursery.shed.trace import OrderTouched, orders_by_batch
from nursery.shed.veto import MOST_LETTERS, set_vetoes
from nursery.stock import Movement, Veto, VetoKind

CAUTION = (
    "Report the suspicion to your plant health authority at once; move, treat and destroy nothing"
    " unless it says so. This list helps the inspector and decides nothing."
)


class Tie(StrEnum):
    """By what is another batch linked to the suspected one?"""

    MOTHER = "mother block"
    LINEAGE = "lineage"
    AREA = "area"


EVERY_TIE = frozenset(Tie)


@dataclass(frozen=True, slots=True)
class Listed:
    """One batch on the inspector's list: why, where it stands, what is left, who has its plants."""

    batch_code: str
    crop: str
    why: tuple[str, ...]
    mother_block: str
    lineage: str
    origin_country: str
    started_on: date
    closed_on: date | None
    area: str
    bench: str
    plugs: int
    frozen: bool
    orders: tuple[OrderTouched, ...]


@dataclass(frozen=True)
class InspectorsList:
    """The suspected batch first, then those linked with it, by code."""

    nursery: str
    registration: str
    made_on: date
    ties: tuple[Tie, ...]
    batches: tuple[Listed, ...]
    caution: str = CAUTION

    def lines(self) -> list[str]:
        """The list as it is printed."""
        by = ", ".join(tie.value for tie in self.ties)
        said = [
            f"Inspector's list of {self.nursery}, registration"
            f" {self.registration or 'not recorded'}, {self.made_on}",
            f"Linked by: {by}",
            self.caution,
        ]
        for each in self.batches:
            said.extend(_lines(each))
        sent = sum(order.plugs for each in self.batches for order in each.orders)
        here = sum(each.plugs for each in self.batches)
        return [*said, f"{len(self.batches)} batches, {here} plugs here, {sent} plugs sent"]


def _lines(each: Listed) -> Iterator[str]:
    where = f"{each.area}, {each.bench}" if each.bench else "on no bench"
    state = f"closed {each.closed_on}" if each.closed_on else where
    held = "under quarantine" if each.frozen else "not frozen"
    came = [
        f"mother block {each.mother_block}" if each.mother_block else "",
        f"lineage {each.lineage}" if each.lineage else "",
        f"origin {each.origin_country or 'not recorded'}",
    ]
    yield f"Batch {each.batch_code}: {each.crop}; {state}; {each.plugs} plugs; {held}"
    yield f"    why: {'; '.join(each.why)}"
    yield f"    from: {', '.join(part for part in came if part)}; started {each.started_on}"
    for order in each.orders:
        yield (
            f"    sent: {order.plugs} plugs, order {order.reference}, {order.country}"
            f" {order.postcode}, ship day {order.ship_on}, tracking {order.tracking or 'none'}"
        )


def suspect(
    session: Session,
    batch: Batch,
    pest: str,
    set_by: str,
    ties: Collection[Tie] = EVERY_TIE,
) -> InspectorsList:
    """What is frozen when this pest is suspected in this batch? The list for the inspector.

    A batch that is frozen for it already gets no second veto. Raises `Fault` without a pest, a
    name or a tie.
    """
    thing = f"Suspicion on batch '{batch.code}'"
    if not pest.strip():
        raise Fault(thing, "needs the pest that is suspected", pest, "name it")
    linked = linked_by(session, batch, ties)
    reason = f"suspected: {pest.strip()}"
    open_ones = [each for each, _ in linked if each.closed_on is None]
    lock_batches(session, open_ones)
    already = _frozen(session, open_ones, reason)
    fresh = [each for each in open_ones if (each.id or 0) not in already]
    set_vetoes(session, fresh, VetoKind.QUARANTINE, reason, set_by)
    return inspectors_list(session, batch, ties)


def inspectors_list(
    session: Session, batch: Batch, ties: Collection[Tie] = EVERY_TIE
) -> InspectorsList:
    """What would an inspector ask of this batch and those linked with it? Changes nothing."""
    home = site(session)
    return InspectorsList(
        nursery=home.name,
        registration=home.passport_registration,
        made_on=today(session),
        ties=tuple(tie for tie in Tie if tie in ties),
        batches=_listed(session, linked_by(session, batch, ties)),
    )


Linked = list[tuple[Batch, tuple[str, ...]]]
"""Batches, and why each is linked."""


def linked_by(session: Session, batch: Batch, ties: Collection[Tie]) -> Linked:
    """Which batches, open or closed, are linked with this one, and by what? Itself first."""
    if not ties:
        raise Fault("Inspector's list", "needs a tie", "", f"choose of {', '.join(Tie)}")
    why: dict[int, list[str]] = {}
    if Tie.MOTHER in ties and batch.mother_block is not None:
        query = select(Batch.id).where(Batch.mother_block_id == batch.mother_block_id)
        for key in session.exec(query):
            why.setdefault(key or 0, []).append(f"same mother block {batch.mother_block.code}")
    if Tie.LINEAGE in ties and batch.lineage:
        query = select(Batch.id).where(
            Batch.lineage == batch.lineage, Batch.crop_id == batch.crop_id
        )
        for key in session.exec(query):
            why.setdefault(key or 0, []).append(f"same lineage {batch.lineage}")
    if Tie.AREA in ties:
        for key, text in _beside(session, batch):
            why.setdefault(key, []).append(text)
    why.pop(batch.id or 0, None)
    shown = (
        selectinload(Batch.crop),  # type: ignore[arg-type]
        selectinload(Batch.mother_block),  # type: ignore[arg-type]
        selectinload(Batch.bench).selectinload(Bench.area),  # type: ignore[arg-type]
    )
    asked = select(Batch).where(col(Batch.id).in_(why)).order_by(Batch.code)
    rows = session.exec(asked.options(*shown))
    return [(batch, ("suspected",)), *((row, tuple(why[row.id or 0])) for row in rows)]


@dataclass(frozen=True, slots=True)
class _Stay:
    batch_id: int
    area_id: int
    first: date
    last: date


def _beside(session: Session, batch: Batch) -> Iterator[tuple[int, str]]:
    """Batches that stood in an area on days when this one stood there, each area once."""
    names = {row.id: row.name for row in session.exec(select(GrowingArea))}
    stays = _stays(session)
    seen: set[tuple[int, int]] = set()
    for mine in (stay for stay in stays if stay.batch_id == batch.id):
        for other in stays:
            key = (other.batch_id, other.area_id)
            first, last = max(mine.first, other.first), min(mine.last, other.last)
            if other.batch_id == batch.id or other.area_id != mine.area_id or first > last:
                continue
            if key not in seen:
                seen.add(key)
                yield other.batch_id, f"both in {names[other.area_id]} from {first} to {last}"


def _stays(session: Session) -> list[_Stay]:
    """Where batches stood, by their records and by where they stand now."""
    day = today(session)
    past = session.exec(
        select(
            col(Batch.id),
            col(StageRecord.area_id),
            col(StageRecord.entered_on),
            col(StageRecord.left_on),
        )
        .join(StageRecord, col(StageRecord.batch_code) == col(Batch.code))
        .where(col(StageRecord.area_id).is_not(None))
    )
    found = [_Stay(key or 0, area or 0, first, last or day) for key, area, first, last in past]
    now_there = session.exec(
        select(
            col(Batch.id),
            col(Bench.area_id),
            col(Batch.stage_entered_on),
            col(Batch.closed_on),
        ).join(Bench, col(Batch.bench_id) == col(Bench.id))
    )
    return found + [
        _Stay(key or 0, area, first, last or day) for key, area, first, last in now_there
    ]


def _listed(session: Session, linked: Linked) -> tuple[Listed, ...]:
    """Each of these batches as the inspector reads it. Asks as often for many as for one."""
    batches = [batch for batch, _ in linked]
    plugs, frozen = _balances(session, batches), _frozen(session, batches)
    sent = orders_by_batch(session, batches)
    return tuple(
        Listed(
            batch_code=batch.code,
            crop=batch.crop.name,
            why=why,
            mother_block=batch.mother_block.code if batch.mother_block else "",
            lineage=batch.lineage,
            origin_country=batch.origin_country,
            started_on=batch.started_on,
            closed_on=batch.closed_on,
            area=batch.bench.area.name if batch.bench else "",
            bench=batch.bench.name if batch.bench else "",
            plugs=plugs.get(batch.id or 0, 0),
            frozen=(batch.id or 0) in frozen,
            orders=sent[batch.id or 0],
        )
        for batch, why in linked
    )


def _balances(session: Session, batches: Sequence[Batch]) -> dict[int, int]:
    """How many plugs have these batches (ids), by the last row of each one's ledger?"""
    ids = [batch.id or 0 for batch in batches]
    last = (
        select(Movement.batch_id, func.max(col(Movement.sequence)).label("sequence"))
        .where(col(Movement.batch_id).in_(ids))
        .group_by(col(Movement.batch_id))
        .subquery()
    )
    query = select(Movement.batch_id, Movement.balance).join(
        last,
        and_(
            col(Movement.batch_id) == last.c.batch_id,
            col(Movement.sequence) == last.c.sequence,
        ),
    )
    return dict(session.exec(query).all())


def _frozen(
    session: Session, batches: Sequence[Batch], reason: str | None = None
) -> frozenset[int]:
    """Which of these batches (ids) does a quarantine veto hold whole, for this reason if given?"""
    query = select(Veto.batch_id).where(
        col(Veto.batch_id).in_([batch.id or 0 for batch in batches]),
        Veto.kind == VetoKind.QUARANTINE,
        col(Veto.lot_id).is_(None),
        col(Veto.signed_off_at).is_(None),
    )
    if reason is not None:
        query = query.where(Veto.reason == reason[:MOST_LETTERS])
    return frozenset(session.exec(query))
