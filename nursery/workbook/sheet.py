"""What a sheet of the workbook is: its name, its natural key, its columns and their rules."""

from dataclasses import dataclass
from datetime import date, time
from enum import StrEnum
from functools import cached_property

from pydantic_core import PydanticUndefined
from sqlalchemy import Boolean, Date, Float, Integer, String, Time
from sqlmodel import SQLModel

from nursery.columns import Kind, UtcDateTime

Value = str | int | float | bool | date | time | None
"""What a cell holds once it is read (a moment is a datetime with its zone, which is a date)."""

Values = dict[str, Value]
"""One row: what it holds under each heading."""

Key = tuple[Value, ...]
"""A natural key: how other rows, in this file or in the database, name a row."""


class Type(StrEnum):
    """How a cell is read and written."""

    TEXT = "text"
    WHOLE = "whole number"
    NUMBER = "number"
    SHARE = "share"
    DAY = "date"
    TIME = "time of day"
    MOMENT = "date and time"
    WEEK = "week"
    YES_NO = "yes or no"
    WORD = "word from a list"


_FORM = {
    Type.TEXT: "text",
    Type.WHOLE: "a whole number",
    Type.NUMBER: "a number",
    Type.SHARE: "a share such as 0.15 (or 15 %)",
    Type.DAY: "a date such as 2027-03-01",
    Type.TIME: "a time of day such as 15:30",
    Type.MOMENT: "a date and time such as 2027-03-01 08:15 (the nursery's own time)",
    Type.WEEK: "an ISO week such as 2027-W14",
    Type.YES_NO: "yes or no",
}


@dataclass(frozen=True)
class Column:
    """One column: `field` is the row's attribute ("" where it only helps to name another row).

    `low` and `high` are included, `above` and `below` are not. `needed` columns may not be
    blank; the others fall back on `default`. `longest` is in characters.
    """

    heading: str
    field: str
    type: Type = Type.TEXT
    example: Value = None
    unit: str = ""
    needed: bool = False
    default: Value = None
    words: tuple[str, ...] = ()
    low: float | None = None
    high: float | None = None
    above: float | None = None
    below: float | None = None
    longest: int | None = None
    celsius: bool = False
    help: str = ""

    @property
    def rule(self) -> str:
        """Which values may stand here, in words?"""
        form = f"one of: {', '.join(self.words)}" if self.words else _FORM[self.type]
        bounds = [
            f"{sign} {limit:g}"
            for sign, limit in (
                (">=", self.low),
                (">", self.above),
                ("<=", self.high),
                ("<", self.below),
            )
            if limit is not None
        ]
        size = [f"at most {self.longest} characters"] if self.longest else []
        blank = ["needed"] if self.needed else [f"blank means {_shown(self.default)}"]
        return ", ".join((" and ".join((form, *bounds)), *size, *blank))


def _shown(value: Value) -> str:
    if value in (None, ""):
        return "none"
    return ("yes" if value else "no") if isinstance(value, bool) else str(value)


@dataclass(frozen=True)
class Reference:
    """Which columns name a row of another sheet, and in which field is its id kept?"""

    field: str
    sheet: str
    columns: tuple[str, ...]
    needed: bool = True


@dataclass(frozen=True)
class Sheet:
    """One table of the workbook. Sheets stand in the order in which their rows refer back.

    `key` are the headings of the natural key (none: the sheet has one row). `counted` are
    the headings that are a count with a time: they go to the ledger, never to the row.
    """

    name: str
    model: type[SQLModel]
    key: tuple[str, ...]
    columns: tuple[Column, ...]
    references: tuple[Reference, ...] = ()
    counted: tuple[str, ...] = ()
    help: str = ""

    @cached_property
    def by_heading(self) -> dict[str, Column]:
        """Which column stands under each heading?"""
        return {column.heading: column for column in self.columns}

    @cached_property
    def headings(self) -> tuple[str, ...]:
        """Which headings has the sheet, from left to right?"""
        return tuple(column.heading for column in self.columns)

    def key_of(self, values: Values) -> Key:
        """What is this row's natural key?"""
        return tuple(values.get(heading) for heading in self.key)

    def label_of(self, values: Values) -> Key:
        """How do rows of other sheets name this row? A crop by "Botanical name 'Cultivar'"."""
        key = self.key_of(values)
        return (crop_label(key),) if self.name == "Crops" else key

    def target(self, reference: Reference, values: Values) -> Key | None:
        """Which row does this row name? None where it names none (which may be allowed)."""
        named = tuple(values.get(heading) for heading in reference.columns)
        return None if any(part in (None, "") for part in named) else named


def crop_label(key: Key) -> str:
    """What is a crop with this botanical name and cultivar called? As `Crop.name`."""
    botanical, cultivar = key
    return f"{botanical} '{cultivar}'" if cultivar else str(botanical)


def column(
    model: type[SQLModel],
    heading: str,
    field: str,
    example: Value = None,
    *,
    type: Type | None = None,
    unit: str = "",
    low: float | None = None,
    high: float | None = None,
    above: float | None = None,
    below: float | None = None,
    celsius: bool = False,
    help: str = "",
) -> Column:
    """Which column holds this field of the row? Type, default, words, length come from the row."""
    kept = model.__table__.c[field]  # type: ignore[attr-defined]
    default = model.model_fields[field].default
    if default is PydanticUndefined:
        default = None
    words = tuple(str(w.value) for w in kept.type.words) if isinstance(kept.type, Kind) else ()
    return Column(
        heading=heading,
        field=field,
        type=type or _type_of(kept.type),
        example=example,
        unit=unit,
        needed=default is None and not kept.nullable,
        default=str(default.value) if isinstance(default, StrEnum) else default,
        words=words,
        low=low,
        high=high,
        above=above,
        below=below,
        longest=None if words or type is Type.WEEK else getattr(kept.type, "length", None),
        celsius=celsius,
        help=help,
    )


def _type_of(kept: object) -> Type:
    for kind, type_ in (
        (Kind, Type.WORD),
        (UtcDateTime, Type.MOMENT),
        (Boolean, Type.YES_NO),
        (Integer, Type.WHOLE),
        (Float, Type.NUMBER),
        (Date, Type.DAY),
        (Time, Type.TIME),
        (String, Type.TEXT),
    ):
        if isinstance(kept, kind) or isinstance(getattr(kept, "impl_instance", None), kind):
            return type_
    raise TypeError(f"no cell holds a {kept!r}")


def naming(
    heading: str,
    example: Value = None,
    *,
    type: Type = Type.TEXT,
    needed: bool = True,
    help: str = "",
) -> Column:
    """Which column names (part of) the key of a row elsewhere?"""
    low = 1 if type is Type.WHOLE else None
    return Column(heading, "", type, example, needed=needed, low=low, help=help)
