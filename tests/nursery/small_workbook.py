"""A small nursery as a workbook: the template's own examples, made whole; invented."""

import copy
import sqlite3
from datetime import date
from pathlib import Path

from nursery.database import Database
from nursery.workbook import SHEETS, Report, load, write_workbook
from nursery.workbook.sheet import Values
from tests.builders import MILD_MAX, MILD_MIN, set_clock

Tables = dict[str, list[Values]]
FIRST_ROW = 4
"""Rows 1 to 3 of a written sheet are headings, units and allowed values."""


def examples() -> Tables:
    """The example row of every sheet, with the normals of a whole year."""
    tables: Tables = {
        sheet.name: [{column.heading: column.example for column in sheet.columns}]
        for sheet in SHEETS
    }
    january = tables["Normals"][0]
    tables["Normals"] = [
        {**january, "Month": month, "Minimum": low, "Maximum": high}
        for month, (low, high) in enumerate(zip(MILD_MIN, MILD_MAX, strict=True), start=1)
    ]
    tables["Vetoes"] = []
    tables["Substitutes"] = []  # its example names a second product
    return copy.deepcopy(tables)


def load_tables(db: Database, path: Path, tables: Tables, good_rows: bool = False) -> Report:
    """Write these rows to a file and load it."""
    write_workbook(path, tables)
    return load(db, path, good_rows=good_rows)


def opened(
    db: Database, path: Path, at: date = date(2027, 3, 1), tables: Tables | None = None
) -> Tables:
    """Site and stations are loaded and the clock stands at this day, 10 o'clock; the tables."""
    tables = tables or examples()
    first = {name: tables[name] for name in ("Stations", "Site")}
    report = load_tables(db, path, first)
    assert report.taken, report.lines()
    with db.writing() as session:
        set_clock(session, at, hour=10)
    return tables


def dump(db: Database) -> str:
    """Everything in the database, as SQL."""
    connection = sqlite3.connect(db.address.removeprefix("sqlite:///"))
    try:
        return "\n".join(connection.iterdump())
    finally:
        connection.close()
