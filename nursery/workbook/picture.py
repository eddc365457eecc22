"""The database as the workbook would show it: every row by its natural key."""

import hashlib
from dataclasses import dataclass
from datetime import UTC, date, datetime, time
from enum import StrEnum
from typing import Any

from sqlalchemy import func
from sqlmodel import Session, SQLModel, col, select

from nursery.batch import Count
from nursery.stock import Movement, Pool
from nursery.workbook.sheet import Key, Sheet, Type, Value, Values
from nursery.workbook.specification import BY_NAME

MARK = 12
"""Characters of a mark that stand for the row's fields; as many more stand for its count."""


@dataclass(frozen=True)
class Stored:
    """A row of the database: its id and what the workbook shows of it."""

    id: int
    values: Values


class Picture:
    """What does the database hold, sheet by sheet? Each sheet is read once, when first asked."""

    def __init__(self, session: Session) -> None:
        self.session = session
        self._rows: dict[str, dict[Key, Stored]] = {}
        self._labels: dict[str, dict[int, Key]] = {}
        self._ids: dict[str, dict[Key, int]] = {}
        self._marks: dict[str, dict[str, Key]] = {}

    def rows(self, sheet: Sheet) -> dict[Key, Stored]:
        """Which rows of this sheet are in the database, by natural key?"""
        if sheet.name not in self._rows:
            rows = self.session.exec(select(sheet.model)).all()
            counts = _counts(self.session, sheet)
            grades = _grades(self.session) if sheet.name == "Lots" else {}
            self._rows[sheet.name] = {}
            for row in rows:
                values = self._values(sheet, row)
                identity = row.id  # type: ignore[attr-defined]
                if sheet.counted:
                    values.update(counts.get(identity, dict.fromkeys(sheet.counted)))
                if grades:
                    values["Grade"] = grades[row.pool_id]  # type: ignore[attr-defined]
                self._rows[sheet.name][sheet.key_of(values)] = Stored(identity, values)
        return self._rows[sheet.name]

    def labels(self, sheet: Sheet) -> dict[int, Key]:
        """By which label do other rows name each row of this sheet? By id."""
        if sheet.name not in self._labels:
            stored = self.rows(sheet).values()
            self._labels[sheet.name] = {row.id: sheet.label_of(row.values) for row in stored}
        return self._labels[sheet.name]

    def ids(self, sheet: Sheet) -> dict[Key, int]:
        """Under which id is the row with each label kept?"""
        if sheet.name not in self._ids:
            self._ids[sheet.name] = {label: id_ for id_, label in self.labels(sheet).items()}
        return self._ids[sheet.name]

    def marks(self, sheet: Sheet) -> dict[str, Key]:
        """Which row has which mark (of its fields) now?"""
        if sheet.name not in self._marks:
            self._marks[sheet.name] = {
                digest(sheet, stored.values)[:MARK]: key for key, stored in self.rows(sheet).items()
            }
        return self._marks[sheet.name]

    def _values(self, sheet: Sheet, row: SQLModel) -> Values:
        values: Values = {column.heading: None for column in sheet.columns}
        for reference in sheet.references:
            target: int | None = getattr(row, reference.field)
            if target is not None:
                label = self.labels(BY_NAME[reference.sheet])[target]
                values.update(zip(reference.columns, label, strict=True))
        for column in sheet.columns:
            if column.field:
                values[column.heading] = _value(getattr(row, column.field))
        return values


def _value(held: Any) -> Value:
    if isinstance(held, StrEnum):
        return str(held.value)
    value: Value = held
    return value


def _grades(session: Session) -> dict[int | None, str]:
    return {pool.id: pool.grade.value for pool in session.exec(select(Pool)).all()}


def _counts(session: Session, sheet: Sheet) -> dict[int, Values]:
    """What is known of each batch's growing plugs, or of each lot: how many, since when, by whom?

    The moment is that of the last movement or count, whichever came later, so that the row
    says what the ledger held then.
    """
    if not sheet.counted:
        return {}
    lots = sheet.name == "Lots"
    known: dict[int, Values] = {}
    plugs, counted_at, counter = sheet.counted
    for rows, when, who in (
        (Movement, Movement.happened_at, Movement.actor),
        (Count, Count.counted_at, Count.counter),
    ):
        part = rows.lot_id if lots else rows.batch_id
        query = select(part, when, who).order_by(col(when), col(rows.id))
        if not lots:
            query = query.where(col(rows.lot_id).is_(None))
        for identity, at, name in session.exec(query).all():
            if identity is None:
                continue
            last = known.setdefault(identity, {plugs: 0, counted_at: at, counter: name})
            before = last[counted_at]
            if isinstance(before, datetime) and at >= before:
                last[counted_at], last[counter] = at, name
    owner = col(Movement.lot_id if lots else Movement.batch_id)
    sums = select(owner, func.sum(Movement.plugs)).group_by(owner)
    if not lots:
        sums = sums.where(col(Movement.lot_id).is_(None))
    for identity, total in session.exec(sums).all():
        if identity is not None:
            known[identity][plugs] = int(total)
    return known


def digest(sheet: Sheet, values: Values) -> str:
    """Which mark stands for this row? Its fields, then its count, twelve characters each."""
    fields = [heading for heading in sheet.headings if heading not in sheet.counted]
    return _digest(sheet, values, tuple(fields)) + _digest(sheet, values, sheet.counted)


def _digest(sheet: Sheet, values: Values, headings: tuple[str, ...]) -> str:
    text = "\x1f".join(canonical(sheet, heading, values.get(heading)) for heading in headings)
    return hashlib.sha256(text.encode()).hexdigest()[:MARK]


def canonical(sheet: Sheet, heading: str, value: Value) -> str:
    """One text for one value, however it was typed: 28 and 28.0 are the same number."""
    if value is None or value == "":
        return ""
    if isinstance(value, datetime):
        return value.astimezone(UTC).isoformat()
    if isinstance(value, date | time):
        return value.isoformat()
    if isinstance(value, bool):
        return "yes" if value else "no"
    if sheet.by_heading[heading].type in (Type.NUMBER, Type.SHARE) and not isinstance(value, str):
        return f"{float(value) + 0.0:.12g}"  # spreadsheets keep 15 digits; -0.0 is 0.0
    return str(value)
