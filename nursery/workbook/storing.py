"""Rows that have been checked, written to the database; what it refuses is a fault as well."""

from collections.abc import Callable
from dataclasses import replace
from functools import partial
from typing import Any

from sqlalchemy.exc import SQLAlchemyError
from sqlmodel import Session, SQLModel, select

from nursery.batch import Batch, Quarantine
from nursery.columns import Kind
from nursery.crop import Protocol
from nursery.errors import Fault, Refused
from nursery.locks import lock_pools
from nursery.pools import make_bought_in_pools, pool_of
from nursery.promising.basket import plain
from nursery.stock import Grade, Pool
from nursery.workbook.counting import Counting
from nursery.workbook.draft import Draft, Record
from nursery.workbook.faults import RowFault, SheetCount
from nursery.workbook.sheet import Key, Reference, Sheet, Value
from nursery.workbook.specification import SHEETS


class NotTaken(Exception):
    """The database refused rows: everything is undone."""


class Storing:
    """Writes the rows of a draft, sheet by sheet; counts what was new, changed or the same."""

    def __init__(self, session: Session, draft: Draft) -> None:
        self.session = session
        self.draft = draft
        self.ids: dict[str, dict[Key, int]] = {}
        self.counts: list[SheetCount] = []
        self.counting = Counting(session, draft, self.guarded)
        self.failed = False
        self._prefixes: list[tuple[str, str, Value]] | None = None
        self.refused: dict[int, RowFault] = {}
        """What was refused, by the identity of the record."""

    def write(self) -> list[SheetCount]:
        """How many rows of each sheet were written? Raises `NotTaken` where one was refused."""
        if self._moves():
            pools = self.session.exec(select(Pool.id)).all()
            lock_pools(self.session, [pool for pool in pools if pool is not None])
        for sheet in SHEETS:
            records = [record for record in self.draft.of(sheet.name) if not record.bad]
            if records:
                self.counts.append(self._sheet(sheet, records))
            if self.failed:  # what follows would only fail for want of the rows refused here
                raise NotTaken
        counted = self.counting.finish()
        self.counts = [
            replace(
                count,
                changed=count.changed + counted.get(count.sheet, 0),
                unchanged=count.unchanged - counted.get(count.sheet, 0),
            )
            for count in self.counts
        ]
        self._block()
        if self.failed:
            raise NotTaken
        return self.counts

    def _moves(self) -> bool:
        """Does the file say anything that the database does not? Then supply may change."""
        return bool(self.draft.blocked) or any(
            record.stored is None
            or record.changes()
            or (record.sheet.counted and self.counting.says_something(record))
            for record in self.draft.all()
            if not record.bad
        )

    def _sheet(self, sheet: Sheet, records: list[Record]) -> SheetCount:
        new = [record for record in records if record.stored is None]
        changed = [record for record in records if record.changes()]
        if sheet.name == "Lots":
            for record in new:
                self.guarded(record, partial(self.counting.open_lot, record))
        else:
            self._add(sheet, new)
        for record in changed:
            self.guarded(record, partial(self._change, record))
        return SheetCount(
            sheet.name, len(new), len(changed), len(records) - len(new) - len(changed)
        )

    def _add(self, sheet: Sheet, records: list[Record]) -> None:
        """All at once, since that is quick; one by one where one of them is refused."""
        if not records:
            return
        try:
            with self.session.begin_nested():
                self._insert(sheet, records)
        except (SQLAlchemyError, Fault, Refused):
            for record in records:
                self.guarded(record, partial(self._insert, sheet, [record]))

    def _insert(self, sheet: Sheet, records: list[Record]) -> None:
        rows = [sheet.model(**self._fields(record)) for record in records]
        self.session.add_all(rows)
        self.session.flush()
        known = self.ids.setdefault(sheet.name, {})
        for record, row in zip(records, rows, strict=True):
            known[sheet.label_of(record.values)] = row.id  # type: ignore[attr-defined]
            if isinstance(row, Batch):
                self.counting.opened(record, row)
            if isinstance(row, Protocol):
                make_bought_in_pools(self.session, [row.crop_id])
        if sheet.name == "Products":
            for record in records:
                self._pool(record)

    def _change(self, record: Record) -> None:
        assert record.stored is not None
        row = self.session.get_one(record.sheet.model, record.stored.id)
        for field, value in self._fields(record).items():
            setattr(row, field, value)
        self.session.add(row)
        self.session.flush()
        if record.sheet.name == "Products":
            self._pool(record)
        if isinstance(row, Protocol):
            make_bought_in_pools(self.session, [row.crop_id])

    def _fields(self, record: Record) -> dict[str, Any]:
        fields: dict[str, Any] = {
            column.field: _kept(record.sheet.model, column.field, record.values[column.heading])
            for column in record.sheet.columns
            if column.field
        }
        for reference in record.sheet.references:
            fields[reference.field] = self.id_of(record, reference)
        if record.sheet.name == "Orders":
            moved = {"Country", "Postcode"} & set(record.changes())
            if record.stored is None or moved:
                fields["zone_id"] = self._zone(fields["country"], fields["postcode"])
        return fields

    def _zone(self, country: str, postcode: str) -> int | None:
        """In which zone is this address? The longest prefix wins, even where the zone is blocked:
        an order that nobody may send is still on the book."""
        if self._prefixes is None:
            rows = [values for values, _ in self.draft.whole("Zone prefixes").values()]
            self._prefixes = [
                (str(v["Country"]), plain(str(v["Prefix"] or "")), v["Zone"])
                for v in rows
                if "Zone" in v
            ]
        fitting = [
            (len(prefix), zone)
            for there, prefix, zone in self._prefixes
            if there == country and plain(postcode).startswith(prefix)
        ]
        if not fitting:
            return None
        label = (max(fitting, key=lambda fit: fit[0])[1],)
        return self.ids.get("Zones", {}).get(label) or self.draft.stored_id("Zones", label)

    def id_of(self, record: Record, reference: Reference) -> int | None:
        """Under which id is the row that this row names, new or old?"""
        label = record.sheet.target(reference, record.values)
        if label is None:
            return None
        new = self.ids.get(reference.sheet, {}).get(label)
        return new if new is not None else self.draft.stored_id(reference.sheet, label)

    def _pool(self, record: Record) -> None:
        crop = self.id_of(record, record.sheet.references[0])
        if crop is not None:
            pool_of(self.session, crop, Grade(str(record.values["Grade"])))
            make_bought_in_pools(self.session, [crop])

    def _block(self) -> None:
        """A batch that the file sees in two places is blocked until somebody clears it."""
        for code in sorted(self.draft.blocked):
            batch = self.session.exec(select(Batch).where(Batch.code == code)).first()
            if batch is not None and batch.quarantine is not Quarantine.UNKNOWN:
                batch.quarantine = Quarantine.UNKNOWN
                self.session.add(batch)
                self.session.flush()
                self.draft.notes.append(
                    f"Batch {code!r} stands in two places: its quarantine is 'unknown' now, it is"
                    " blocked until somebody writes 'clear'."
                )

    def guarded(self, record: Record, act: Callable[[], object], heading: str = "") -> None:
        """Do this for a row; what the database or the ledger refuses becomes the row's fault."""
        try:
            with self.session.begin_nested():
                act()
            return
        except Refused as refused:
            rule, next = refused.refusal.message, refused.refusal.next or "correct it"
        except Fault as fault:
            rule, next = f"{fault.thing}: {fault.rule}", fault.next
        except SQLAlchemyError as error:
            why = str(getattr(error, "orig", None) or error).splitlines()[0][:120]
            rule, next = f"the database refuses the row ({why})", "correct the row"
        self.failed = True
        self.draft.blame(record, heading, rule, next)
        self.refused[id(record)] = self.draft.faults[-1]


def _kept(model: type[SQLModel], field: str, value: Value) -> Any:
    """The value as the row keeps it: words from a list as members of the list."""
    kind = model.__table__.c[field].type  # type: ignore[attr-defined]
    return kind.words(str(value)) if isinstance(kind, Kind) and value is not None else value
