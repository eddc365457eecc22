"""What is counted next, in which order, and what does a count change?

The round walks the benches. For each part of a batch (its growing plugs, or one of its lots) it
says what the books expect, so that "as expected" is one answer. Implausible counts are refused
by the ledger and the last good one stays; a count far from the books is kept and a second one
is asked for.
"""

from dataclasses import dataclass
from datetime import date, datetime

from sqlalchemy import func
from sqlalchemy.orm import contains_eager, joinedload
from sqlmodel import Session, col, select

from nursery.batch import Batch, Count
from nursery.database import now
from nursery.errors import Fault
from nursery.growing_area import Bench, GrowingArea
from nursery.shed.ledger import record_count
from nursery.stock import Grade, Lot, Moved, Movement, Pool

FAR_SHARE = 0.10
"""A difference over this share of the books asks for a second count (an estimate)."""

FAR_PLUGS = 10
"""Smaller differences than this are let be (an estimate)."""


@dataclass(frozen=True, slots=True)
class Place:
    """One stop of the counting round: a part of a batch, where it stands, what is expected.

    `lot_id` None: the plugs still growing. `last_counted` is None where nobody has counted yet;
    `recount` says that something since asks for a count (found plugs, or a far difference).
    """

    area: str
    bench: str
    batch_id: int
    batch_code: str
    crop: str
    lot_id: int | None
    ready_on: date | None
    grade: Grade | None
    expected: int
    cells: int
    last_counted: datetime | None
    recount: bool


@dataclass(frozen=True, slots=True)
class Counted:
    """What did this count change? `recount` asks for a second one, since it is far off."""

    count: Count
    difference: int
    recount: bool


def count_round(session: Session, area: str | None = None) -> list[Place]:
    """Which parts of which batches are counted, in walking order (one area, or all of them)?

    Parts that hold nothing and have been counted are left out; so are closed batches.
    Batches that stand on no bench come last. Raises `Fault` for an area that is not there.
    """
    if area is not None:
        _refuse_unknown(session, area)
    query = (
        select(Batch, Bench, GrowingArea)
        .join(Bench, col(Batch.bench_id) == col(Bench.id), isouter=True)
        .join(GrowingArea, col(Bench.area_id) == col(GrowingArea.id), isouter=True)
        .where(col(Batch.closed_on).is_(None))
        .options(joinedload(Batch.crop), joinedload(Batch.tray_format))  # type: ignore[arg-type]
    )
    if area is not None:
        query = query.where(GrowingArea.name == area)
    rows = sorted(session.exec(query), key=_walk)
    lots = _lots(session)
    held = _held(session)
    last = _last_counts(session)
    due = _recounts(session)
    return [
        _place(batch, bench, home, lot, held, last, due)
        for batch, bench, home in rows
        for lot in (None, *lots.get(batch.id or 0, ()))
        if _is_counted(batch, lot, held, last, lots)
    ]


def count(
    session: Session,
    batch: Batch,
    plugs: int,
    counter: str,
    counted_at: datetime | None = None,
    lot: Lot | None = None,
) -> Counted:
    """What does this count of a part change, and is a second one asked for?

    `counted_at` is the moment it was made, now where it is left out. Raises as
    `shed.ledger.record_count`.
    """
    made = record_count(session, batch, plugs, counter, counted_at or now(session), lot)
    difference = made.plugs - made.expected
    return Counted(made, difference, is_far(difference, made.expected))


def as_expected(session: Session, batch: Batch, counter: str, lot: Lot | None = None) -> Counted:
    """What is written when the counter finds just what the books expect? A count, no movement."""
    query = select(func.sum(Movement.plugs)).where(
        Movement.batch_id == batch.id, col(Movement.lot_id) == (lot.id if lot else None)
    )
    return count(session, batch, int(session.exec(query).one() or 0), counter, lot=lot)


def is_far(difference: int, expected: int) -> bool:
    """Is a count so far from the books that it should be made again? A first one never is."""
    return expected > 0 and abs(difference) > max(FAR_PLUGS, FAR_SHARE * expected)


def _refuse_unknown(session: Session, area: str) -> None:
    names = sorted(session.exec(select(GrowingArea.name)).all())
    if area not in names:
        listed = ", ".join(names) or "none"
        raise Fault("Growing area", f"must be one of {listed}", area, "name one of them")


def _walk(row: tuple[Batch, Bench | None, GrowingArea | None]) -> tuple[bool, int, str, str]:
    batch, bench, _ = row
    if bench is None:
        return (True, 0, "", batch.code)
    return (False, bench.walk_order, bench.name, batch.code)


def _is_counted(
    batch: Batch,
    lot: Lot | None,
    held: dict[tuple[int, int | None], int],
    last: dict[tuple[int, int | None], datetime],
    lots: dict[int, list[Lot]],
) -> bool:
    key = (batch.id or 0, lot.id if lot else None)
    if held.get(key, 0) > 0:
        return True
    return lot is None and key not in last and not lots.get(batch.id or 0)


def _place(
    batch: Batch,
    bench: Bench | None,
    area: GrowingArea | None,
    lot: Lot | None,
    held: dict[tuple[int, int | None], int],
    last: dict[tuple[int, int | None], datetime],
    due: set[tuple[int, int | None]],
) -> Place:
    key = (batch.id or 0, lot.id if lot else None)
    return Place(
        area=area.name if area else "",
        bench=bench.name if bench else "",
        batch_id=batch.id or 0,
        batch_code=batch.code,
        crop=batch.crop.name,
        lot_id=key[1],
        ready_on=lot.ready_on if lot else None,
        grade=lot.pool.grade if lot else None,
        expected=held.get(key, 0),
        cells=batch.trays * batch.tray_format.cells,
        last_counted=last.get(key),
        recount=key in due,
    )


def _lots(session: Session) -> dict[int, list[Lot]]:
    query = select(Lot).join(Pool).options(contains_eager(Lot.pool))  # type: ignore[arg-type]
    found: dict[int, list[Lot]] = {}
    for lot in session.exec(query.order_by(col(Lot.last_sale_on), Pool.grade, col(Lot.id))):
        found.setdefault(lot.batch_id, []).append(lot)
    return found


def _held(session: Session) -> dict[tuple[int, int | None], int]:
    query = select(Movement.batch_id, Movement.lot_id, func.sum(Movement.plugs))
    rows = session.exec(query.group_by(col(Movement.batch_id), col(Movement.lot_id)))
    return {(batch, lot): int(plugs) for batch, lot, plugs in rows}


def _last_counts(session: Session) -> dict[tuple[int, int | None], datetime]:
    query = select(Count.batch_id, Count.lot_id, func.max(Count.counted_at))
    query = query.where(col(Count.withdrawn_at).is_(None))
    rows = session.exec(query.group_by(col(Count.batch_id), col(Count.lot_id)))
    return {(batch, lot): at for batch, lot, at in rows}


def _recounts(session: Session) -> set[tuple[int, int | None]]:
    """Parts where plugs were found since the last count, or whose last count was far off.

    A far count is settled by a second one of the same part, which then expects the first.
    """
    due: dict[tuple[int, int | None], bool] = {}
    made = select(Count).where(col(Count.withdrawn_at).is_(None))
    for each in session.exec(made.order_by(col(Count.counted_at), col(Count.id))):
        due[each.batch_id, each.lot_id] = is_far(each.plugs - each.expected, each.expected)
    last = _last_counts(session)
    found = session.exec(select(Movement).where(Movement.kind == Moved.FOUND))
    for row in found:
        key = (row.batch_id, row.lot_id)
        if key not in last or row.happened_at > last[key]:
            due[key] = True
    return {key for key, wanted in due.items() if wanted}
