"""What may not be sold or moved, why, and who says that it may again?

A veto never ends by date. Its earliest end is only the first day on which an authorised person
may look again; when that day has passed, a warning asks for a signature. Re-entry intervals,
quarantine and inspections follow the label and the local plant health law: the licensed person
enters them, and nothing here infers that one is over.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date

from sqlalchemy import ColumnElement, and_, exists, insert, or_
from sqlmodel import Session, col, select

from nursery.batch import Batch, Quarantine
from nursery.database import now, today
from nursery.errors import Fault, Refusal, Refused
from nursery.shed.ledger import lock_batches
from nursery.stock import Lot, Veto, VetoKind

MOST_LETTERS = 200
"""What the row holds of a reason (`nursery.stock.Veto`)."""


@dataclass(frozen=True, slots=True)
class Unsigned:
    """Which veto has passed its earliest end and waits for a signature? It still holds."""

    veto_id: int
    batch_code: str
    kind: VetoKind
    reason: str
    earliest_end: date
    days_past: int

    def __str__(self) -> str:
        return (
            f"Batch '{self.batch_code}': {self.kind} ({self.reason}) may be looked at again since"
            f" {self.earliest_end}; it holds until an authorised person signs it off"
        )


def set_veto(
    session: Session,
    batch: Batch,
    kind: VetoKind,
    reason: str,
    set_by: str,
    earliest_end: date | None = None,
    lot: Lot | None = None,
) -> Veto:
    """Which veto holds from now on the batch, or on one lot of it?

    What it holds counts 0 for every promise until it is signed off: ask
    `promising.supply.deficits` next which promises it touches. Raises `Fault` without a reason or
    a name, for another batch's lot, or an earliest end before today.
    """
    thing = f"Veto on batch '{batch.code}'"
    _named(thing, "the person who sets it", set_by)
    _named(thing, "a reason", reason)
    if lot is not None and lot.batch_id != batch.id:
        raise Fault(thing, "the lot must be one of the batch's own", lot.id, "choose its own lot")
    if earliest_end is not None and earliest_end < today(session):
        raise Fault(thing, "the earliest end must not have passed", earliest_end, "mend the date")
    lock_batches(session, [batch])
    veto = Veto(
        batch_id=batch.id or 0,
        lot_id=lot.id if lot else None,
        kind=kind,
        reason=reason[:MOST_LETTERS],
        set_by=set_by,
        set_at=now(session),
        earliest_end=earliest_end,
    )
    session.add(veto)
    session.flush()
    return veto


def set_vetoes(
    session: Session, batches: Sequence[Batch], kind: VetoKind, reason: str, set_by: str
) -> None:
    """One veto on each of these batches, whole: as `set_veto`, asked for all of them at once."""
    thing = f"Veto on {len(batches)} batches"
    _named(thing, "the person who sets it", set_by)
    _named(thing, "a reason", reason)
    lock_batches(session, batches)
    at = now(session)
    rows = [
        {
            "batch_id": batch.id,
            "kind": kind,
            "reason": reason[:MOST_LETTERS],
            "set_by": set_by,
            "set_at": at,
        }
        for batch in batches
    ]
    if rows:
        session.connection().execute(insert(Veto), rows)


def sign_off_veto(session: Session, veto: Veto, signed_by: str, note: str) -> Veto:
    """Who says that this veto is over, and on what ground? It holds no more from now on.

    Raises `Fault` without a name or a note, `Refused` for a veto that was signed off before
    ("veto_signed_off") or a re-entry interval that still runs ("interval_runs"): nobody may
    shorten what the label says.
    """
    thing = f"Veto on batch '{veto.batch.code}'"
    _named(thing, "the authorised person who signs it off", signed_by)
    _named(thing, "a note of what was found", note)
    lock_batches(session, [veto.batch])
    session.refresh(veto)
    if veto.signed_off_at is not None:
        message = f"{thing} was signed off by {veto.signed_off_by} on {veto.signed_off_at:%Y-%m-%d}"
        raise Refused(Refusal("veto_signed_off", message, "veto", "nothing need be done"))
    end = veto.earliest_end
    if veto.kind is VetoKind.RE_ENTRY and end is not None and today(session) < end:
        message = f"{thing}: the re-entry interval runs until {end}"
        ask = (
            "wait; if the date was typed wrong, the licensed person corrects it (nursery veto-end)"
        )
        raise Refused(Refusal("interval_runs", message, "veto", ask))
    veto.signed_off_by, veto.signed_off_at = signed_by, now(session)
    veto.sign_off_note = note[:MOST_LETTERS]
    session.add(veto)
    session.flush()
    return veto


def correct_earliest_end(
    session: Session, veto: Veto, earliest_end: date, corrected_by: str, why: str
) -> Veto:
    """Which earliest end was meant? For a date typed wrong; who and why is kept in the reason.

    The veto holds on all the same: it ends by a signature, on or after the earliest end. Raises
    Fault without a name or a reason, or where they do not fit beside the reason that is there;
    Refused for a veto that was signed off ("veto_signed_off").
    """
    thing = f"Veto on batch '{veto.batch.code}'"
    _named(thing, "the person who corrects it", corrected_by)
    _named(thing, "a reason for the correction", why)
    lock_batches(session, [veto.batch])
    session.refresh(veto)
    if veto.signed_off_at is not None:
        message = f"{thing} was signed off by {veto.signed_off_by} on {veto.signed_off_at:%Y-%m-%d}"
        raise Refused(Refusal("veto_signed_off", message, "veto", "set a new one if it must hold"))
    was = f"{veto.earliest_end or 'none'}"
    who = corrected_by.strip()
    words = f"{veto.reason}; earliest end was {was}, corrected by {who}: {why.strip()}"
    if len(words) > MOST_LETTERS:
        rule = f"its reasons together have at most {MOST_LETTERS} characters"
        raise Fault(thing, rule, len(words), "say the correction in fewer words")
    veto.earliest_end, veto.reason = earliest_end, words
    session.add(veto)
    session.flush()
    return veto


def linked_batches(session: Session, batch: Batch) -> list[Batch]:
    """Which other open batches share this one's lineage or mother block? By code."""
    ties: list[ColumnElement[bool]] = []
    if batch.lineage:
        ties.append(and_(col(Batch.lineage) == batch.lineage, col(Batch.crop_id) == batch.crop_id))
    if batch.mother_block_id is not None:
        ties.append(col(Batch.mother_block_id) == batch.mother_block_id)
    if not ties:
        return []
    query = select(Batch).where(or_(*ties), col(Batch.id) != batch.id)
    return list(session.exec(query.where(col(Batch.closed_on).is_(None)).order_by(Batch.code)))


def unsigned(session: Session) -> list[Unsigned]:
    """Which vetoes have passed their earliest end and still want a signature? Oldest first."""
    day = today(session)
    query = (
        select(Veto)
        .where(col(Veto.signed_off_at).is_(None), col(Veto.earliest_end) < day)
        .order_by(col(Veto.earliest_end), col(Veto.id))
    )
    return [
        Unsigned(
            veto.id or 0,
            veto.batch.code,
            veto.kind,
            veto.reason,
            veto.earliest_end,
            (day - veto.earliest_end).days,
        )
        for veto in session.exec(query)
        if veto.earliest_end is not None
    ]


def saleable(session: Session, lots: Iterable[int]) -> frozenset[int]:
    """Which of these lots (ids) may be sold: clear of quarantine, not closed, under no veto?"""
    held = exists().where(
        col(Veto.batch_id) == Lot.batch_id,
        col(Veto.signed_off_at).is_(None),
        or_(col(Veto.lot_id).is_(None), col(Veto.lot_id) == Lot.id),
    )
    query = (
        select(Lot.id)
        .join(Batch, col(Lot.batch_id) == col(Batch.id))
        .where(col(Lot.id).in_(sorted(set(lots))), ~held)
        .where(col(Batch.quarantine) == Quarantine.CLEAR, col(Batch.closed_on).is_(None))
    )
    return frozenset(found for found in session.exec(query) if found is not None)


def why_not(session: Session, lot: Lot) -> str | None:
    """Why may this lot not be sold now? In one sentence; None where it may."""
    if lot.id in saleable(session, [lot.id or 0]):
        return None
    batch = lot.batch
    query = select(Veto).where(
        Veto.batch_id == batch.id,
        col(Veto.signed_off_at).is_(None),
        or_(col(Veto.lot_id).is_(None), col(Veto.lot_id) == lot.id),
    )
    veto = session.exec(query.order_by(col(Veto.id))).first()
    if veto is not None:
        return f"Batch '{batch.code}' is under a veto: {veto.kind} ({veto.reason})"
    if batch.closed_on is not None:
        return f"Batch '{batch.code}' was closed on {batch.closed_on}"
    return f"Batch '{batch.code}' has the quarantine status '{batch.quarantine}', not 'clear'"


def _named(thing: str, what: str, value: str) -> None:
    if not value.strip():
        raise Fault(thing, f"needs {what}", value, "give it")
