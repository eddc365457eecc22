"""What do the services that move batches leave behind, for `growing.learning` to learn from?

What nobody counted is not guessed: the ledger of a batch that was never counted says that all of it
is alive, so plugs are kept only where somebody counted them near the day of the move. Plugs that
were regraded, potted on, planted out, sold or picked lived; those counted off, rejected or
discarded did not.
"""

from datetime import date, datetime, timedelta

from sqlalchemy import func
from sqlmodel import Session, col, select

from nursery.batch import Batch, Count
from nursery.records import FlushRecord, StageRecord
from nursery.shed.ledger import held
from nursery.stock import Lot, Moved, Movement

COUNT_NEAR_DAYS = 7
"""A count so many days before a move still says how many plugs moved (an estimate)."""

TAKEN_BACK = "the move was taken back"
"""Why a record of a move that never was is not learned from."""

ALIVE_OUT = (
    Moved.REGRADED,
    Moved.POTTED_ON,
    Moved.PLANTED_OUT,
    Moved.SOLD_AT_GATE,
    Moved.PICKED,
)
"""Ways in which growing plugs leave a batch alive. Counted off, rejected, discarded: lost."""


def entered_stage(session: Session, batch: Batch, plugs: int | None = None) -> StageRecord:
    """Which record says that the batch has just come into its stage, with so many plugs?

    `plugs` None where nobody counted them. A move that was undone and is made again has its
    record written anew.
    """
    row = _row(session, batch) or StageRecord(
        batch_code=batch.code, stage_id=batch.stage_id, entered_on=batch.stage_entered_on
    )
    row.entered_on, row.left_on = batch.stage_entered_on, None
    row.plugs_out, row.plugs_in = None, plugs or None
    row.area_id = _area(batch)
    row.from_sequence = _last_sequence(session, batch)
    if row.left_out == TAKEN_BACK:
        row.left_out = ""
    session.add(row)
    session.flush()
    return row


def left_stage(session: Session, batch: Batch, day: date) -> int | None:
    """How many plugs does the batch take out of its stage on this day, if somebody counted them?

    Call it while the batch still stands in the stage that it leaves.
    """
    row = _row(session, batch) or StageRecord(
        batch_code=batch.code,
        stage_id=batch.stage_id,
        entered_on=batch.stage_entered_on,
        area_id=_area(batch),
    )
    row.left_on = max(day, row.entered_on)
    counted = _counted_near(session, batch, row.entered_on, day)
    _set_plugs(session, batch, row, counted)
    session.add(row)
    session.flush()
    return held(session, batch) if counted else None


def became_ready(session: Session, batch: Batch, day: date) -> None:
    """Note what the ledger says of the batch's ready plugs, some of which are so since this day.

    The first of them end the batch's last stage; how many lived is known once none grows any more.
    """
    passage = _row(session, batch)
    if passage is not None and passage.left_on is None:
        passage.left_on = max(day, passage.entered_on)
        session.add(passage)
    _flush(session, batch)
    all_gone(session, batch)


def stands_again(session: Session, batch: Batch, never_in: int | None = None) -> None:
    """Note that the batch stands as it did before, and was never in the stage `never_in` (its id).

    Called when an entry of the day book is taken back, with the batch as it stands then.
    """
    query = select(StageRecord).where(
        StageRecord.batch_code == batch.code, StageRecord.stage_id == never_in
    )
    wrong = session.exec(query).first() if never_in is not None else None
    if wrong is not None:
        wrong.left_out = TAKEN_BACK
        session.add(wrong)
    row = _row(session, batch)
    if row is not None and never_in != batch.stage_id and held(session, batch) > 0:
        row.plugs_out = None
        if batch.ready_on is None and batch.closed_on is None:
            row.left_on = None
        session.add(row)
    _flush(session, batch)


def _flush(session: Session, batch: Batch) -> None:
    """The batch's flush as its ledger has it now: written anew, since entries may be undone."""
    query = select(FlushRecord).where(FlushRecord.batch_code == batch.code)
    known = {row.week: row for row in session.exec(query).all()}
    for row in known.values():
        row.plugs = 0
    made = session.exec(
        select(col(Lot.ready_on), func.sum(Movement.plugs))
        .join(Lot, col(Movement.lot_id) == col(Lot.id))
        .where(Movement.batch_id == batch.id, Movement.kind == Moved.REGRADED)
        .group_by(col(Lot.ready_on))
    ).all()
    first = min((day for day, plugs in made if plugs > 0), default=batch.stage_entered_on)
    for day, plugs in made:
        week = (max(day, first) - first).days // 7
        if week not in known:
            known[week] = FlushRecord(
                batch_code=batch.code, protocol_id=batch.protocol_id, week=week, plugs=0
            )
        known[week].plugs += max(0, int(plugs))
    session.add_all(known.values())
    session.flush()


def all_gone(session: Session, batch: Batch) -> None:
    """Note, where no plug of the batch grows any more, how many of its last stage lived."""
    row = _row(session, batch)
    if row is None or held(session, batch) > 0:
        return
    if row.left_on is None:
        row.left_on = batch.ready_on or batch.closed_on
    if row.left_on is None:
        return
    _set_plugs(session, batch, row, counted=True)
    session.add(row)
    session.flush()


def _set_plugs(session: Session, batch: Batch, row: StageRecord, counted: bool) -> None:
    """How many of those that came lived: still growing, or gone alive.

    Plugs that were set over from another batch are taken off again, as if all of them had lived.
    """
    row.plugs_out = None
    if not counted or row.plugs_in is None:
        return
    rows = session.exec(
        select(Movement.kind, Movement.plugs).where(
            Movement.batch_id == batch.id,
            col(Movement.lot_id).is_(None),
            col(Movement.sequence) > row.from_sequence,
        )
    ).all()
    alive = -sum(plugs for kind, plugs in rows if kind in ALIVE_OUT)
    lived = held(session, batch) + alive
    # More alive than came: more cells were filled than the books had (or the count is wrong).
    row.plugs_out = max(0, min(lived, row.plugs_in))


def _row(session: Session, batch: Batch) -> StageRecord | None:
    query = select(StageRecord).where(
        StageRecord.batch_code == batch.code, StageRecord.stage_id == batch.stage_id
    )
    return session.exec(query).first()


def _counted_near(session: Session, batch: Batch, entered: date, day: date) -> bool:
    last: datetime | None = session.exec(
        select(func.max(Count.counted_at)).where(
            Count.batch_id == batch.id,
            col(Count.lot_id).is_(None),
            col(Count.withdrawn_at).is_(None),
        )
    ).one()
    if last is None:
        return False
    counted = last.date()
    return counted >= entered and counted >= day - timedelta(days=COUNT_NEAR_DAYS)


def _last_sequence(session: Session, batch: Batch) -> int:
    query = select(func.max(Movement.sequence)).where(Movement.batch_id == batch.id)
    return int(session.exec(query).one() or 0)


def _area(batch: Batch) -> int | None:
    return batch.bench.area_id if batch.bench is not None else None
