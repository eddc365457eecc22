"""Counted plugs of a workbook: a count with a time goes to the ledger, and resets nothing."""

from collections.abc import Callable
from datetime import date, datetime, timedelta
from functools import partial

from sqlalchemy import ColumnElement, func
from sqlmodel import Session, col, select

from nursery.batch import Batch, Count
from nursery.errors import Fault
from nursery.pools import pool_of
from nursery.shed.ledger import held, make_lot, record_count
from nursery.stock import Grade, Lot, Movement, Pool
from nursery.workbook.draft import Draft, Record
from nursery.workbook.picture import MARK, digest

WHO = "workbook"
"""Who counted, where the sheet does not say."""

_BEFORE = timedelta(seconds=1)

Guarded = Callable[[Record, Callable[[], object], str], None]
"""Does something for a row; what is refused becomes a fault under this heading."""


class Counting:
    """Opens ledgers of new batches and lots, and records counts that are newer than the last."""

    def __init__(self, session: Session, draft: Draft, guarded: Guarded) -> None:
        self.session = session
        self.draft = draft
        self.guarded = guarded
        self.new_batches: set[str] = set()
        self.counted: dict[str, int] = {}

    def opened(self, record: Record, batch: Batch) -> None:
        """This batch is new: its first count, and its lots', open its ledger."""
        self.new_batches.add(batch.code)

    def open_lot(self, record: Record) -> None:
        """A new batch's lot opens with its own count; an old one's leaves the growing plugs."""
        batch = self._batch(str(record.values["Batch"]))
        grade = Grade(str(record.values["Grade"]))
        bought_in = batch.protocol.sold_as_bought_in
        pool = pool_of(self.session, batch.crop_id, grade, bought_in)
        plugs = int(str(record.values["Counted plugs"] or 0))
        ready, last = record.values["Ready on"], record.values["Last sale on"]
        assert isinstance(ready, date) and isinstance(last, date)
        if batch.code in self.new_batches or not plugs or not self._has_ledger(batch):
            self.session.add(
                Lot(batch_id=batch.id or 0, pool_id=pool.id or 0, ready_on=ready, last_sale_on=last)
            )
            self.session.flush()
            return
        # Just before its count: a count of the growing plugs at the same walk is without them.
        at = self._at(record) - _BEFORE
        make_lot(self.session, batch, pool, plugs, ready, last, self._who(record), at)

    def finish(self) -> dict[str, int]:
        """How many rows of Batches and Lots brought a count and were unchanged otherwise?"""
        heading = "Counted plugs"
        for sheet in ("Batches", "Lots"):
            for record in self.draft.of(sheet):
                if not record.bad and self.says_something(record):
                    self.guarded(record, partial(self._count, record), heading)
        return self.counted

    def says_something(self, record: Record) -> bool:
        """Is there a count in the row that is neither as exported nor as the database has it?"""
        plugs, at = record.values.get("Counted plugs"), record.values.get("Counted at")
        if not isinstance(plugs, int):
            return False
        if record.stored is None:
            return True
        there = record.stored.values
        if plugs == there["Counted plugs"] and at in (None, there["Counted at"]):
            return False
        as_exported = record.mark[MARK:] == digest(record.sheet, record.values)[MARK:]
        return not (record.mark and as_exported)

    def _count(self, record: Record) -> None:
        lots = record.sheet.name == "Lots"
        batch = self._batch(str(record.values["Batch" if lots else "Code"]))
        lot = self._lot(batch, record) if lots else None
        plugs, at = int(str(record.values["Counted plugs"])), self._at(record)
        if not self._is_new(batch, lot, plugs, at, record.values.get("Counted at") is None):
            return
        record_count(self.session, batch, plugs, self._who(record), at, lot)
        if record.stored is not None and not record.changes():
            sheet = record.sheet.name
            self.counted[sheet] = self.counted.get(sheet, 0) + 1

    def _is_new(
        self, batch: Batch, lot: Lot | None, plugs: int, at: datetime, untimed: bool
    ) -> bool:
        """Does the count say something that the books do not? Raises `Fault` for a stale one."""
        moved, counted = self._last_move(batch, lot), self._last_count(batch, lot)
        last = max((when for when in (moved, counted) if when is not None), default=None)
        if last is None:
            return True
        if untimed:
            return plugs != held(self.session, batch, lot)
        then = self._held_at(batch, lot, at)
        if at > last:
            return True
        if plugs == then:
            return False
        if at < last and (counted is None or at > counted):
            return True
        rule = f"the database has {then} plugs at that time"
        if counted is not None:
            rule += f" (last counted {counted:%Y-%m-%d %H:%M} UTC)"
        raise Fault("Count", rule, plugs, "give the time of the new count")

    def _last_count(self, batch: Batch, lot: Lot | None) -> datetime | None:
        query = select(func.max(Count.counted_at)).where(
            Count.batch_id == batch.id, col(Count.lot_id) == (lot.id if lot else None)
        )
        at: datetime | None = self.session.exec(query).one()
        return at

    def _last_move(self, batch: Batch, lot: Lot | None) -> datetime | None:
        query = select(func.max(Movement.happened_at)).where(*self._part(batch, lot))
        at: datetime | None = self.session.exec(query).one()
        return at

    def _held_at(self, batch: Batch, lot: Lot | None, at: datetime) -> int:
        """What did the books hold of this part at that moment?"""
        query = select(func.sum(Movement.plugs)).where(
            *self._part(batch, lot), col(Movement.happened_at) <= at
        )
        return int(self.session.exec(query).one() or 0)

    def _part(self, batch: Batch, lot: Lot | None) -> tuple[ColumnElement[bool], ...]:
        return (
            col(Movement.batch_id) == batch.id,
            col(Movement.lot_id) == (lot.id if lot else None),
        )

    def _has_ledger(self, batch: Batch) -> bool:
        query = select(Movement.id).where(Movement.batch_id == batch.id).limit(1)
        return self.session.exec(query).first() is not None

    def _batch(self, code: str) -> Batch:
        return self.session.exec(select(Batch).where(Batch.code == code)).one()

    def _lot(self, batch: Batch, record: Record) -> Lot:
        query = (
            select(Lot)
            .join(Pool)
            .where(
                Lot.batch_id == batch.id,
                Pool.grade == Grade(str(record.values["Grade"])),
                Lot.ready_on == record.values["Ready on"],
            )
        )
        return self.session.exec(query).one()

    def _at(self, record: Record) -> datetime:
        at = record.values.get("Counted at")
        return at if isinstance(at, datetime) else self.draft.now

    def _who(self, record: Record) -> str:
        return str(record.values.get("Counter") or WHO)
