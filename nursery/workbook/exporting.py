"""The workbook out: everything a nursery types, as the database has it, ready to load again."""

from pathlib import Path

from nursery.database import Database
from nursery.workbook.picture import Picture, digest
from nursery.workbook.sheet import Key, Sheet, Values
from nursery.workbook.specification import SHEETS
from nursery.workbook.writing import write_workbook


def export(db: Database, path: Path | str) -> None:
    """Which file holds everything that a nursery types, as it is now?

    An .xlsx workbook, or a folder of CSV files. Each row carries a hidden mark, a digest of
    what the database had: by it `load` sees what changed since. Counted plugs are what the
    ledger holds, at the time of its last movement; the ledger's history stays where it is.
    """
    tables: dict[str, list[Values]] = {}
    marks: dict[str, list[str]] = {}
    with db.reading() as session:
        picture = Picture(session)
        for sheet in SHEETS:
            rows = [stored.values for stored in picture.rows(sheet).values()]
            rows.sort(key=lambda values, sheet=sheet: _order(sheet, sheet.key_of(values)))  # type: ignore[misc]
            tables[sheet.name] = rows
            marks[sheet.name] = [digest(sheet, values) for values in rows]
    write_workbook(path, tables, marks=marks)


def _order(sheet: Sheet, key: Key) -> tuple[tuple[bool, int, str], ...]:
    """Rows stand by their natural keys: numbers as numbers, the rest as text."""
    return tuple(
        (isinstance(part, int), part if isinstance(part, int) else 0, str(part)) for part in key
    )
