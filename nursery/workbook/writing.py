"""Sheets written to a file: an .xlsx workbook, or a folder of CSV files with the same names."""

import csv
from collections.abc import Mapping, Sequence
from datetime import date, datetime, time
from pathlib import Path
from zoneinfo import ZoneInfo

from openpyxl import Workbook
from openpyxl.comments import Comment
from openpyxl.styles import Alignment, Font, PatternFill
from openpyxl.utils import get_column_letter
from openpyxl.worksheet.datavalidation import DataValidation
from openpyxl.worksheet.worksheet import Worksheet

from nursery.calendars import time_zone
from nursery.errors import Fault
from nursery.workbook.sheet import Column, Sheet, Type, Value, Values
from nursery.workbook.short_sheets import SHORT_SHEETS
from nursery.workbook.specification import SHEETS

ROW = "Row"
"""Heading of the first column: rows that say units, allowed or example there are not data."""

AS_EXPORTED = "As exported"
"""Heading of the hidden last column: a digest of the row as the database had it."""

NOT_DATA = ("units", "allowed", "example")
_GREY = PatternFill("solid", fgColor="E8E8E8")
_LAST_ROW = 5000
_LEGEND = (
    "Each sheet is one table. Fill in the rows under the headings; leave out sheets you have no"
    " use for.",
    "Rows that say 'units', 'allowed' or 'example' in the column Row are not read.",
    "Rows name rows of other sheets by what stands in their first columns: a crop by its"
    " botanical name and 'Cultivar'.",
    "Dates are dates (2027-03-01), weeks ISO weeks (2027-W14), temperatures °C, money whole"
    " cents, shares from 0 to 1.",
    "Loading never deletes and never resets the ledger: counted plugs are a count with a time.",
    "Sprays, lifting and plant health: local rules and licensed people decide, not this file.",
)


def write_workbook(
    path: Path | str,
    tables: Mapping[str, Sequence[Values]],
    *,
    sheets: Sequence[Sheet] = SHEETS,
    marks: Mapping[str, Sequence[str]] | None = None,
    example: bool = False,
) -> None:
    """Which file holds these rows, each a mapping from heading to value, sheet by sheet?

    A path that ends in .xlsx becomes a workbook, any other a folder of CSV files. Moments
    with a zone are written in the time zone that the Site row names, those without as they
    are. `marks` go into the hidden column, one a row. Raises `ValueError` for a sheet or a
    heading that is not specified.
    """
    _refuse_unknown(tables, sheets)
    zone = _zone_of(tables)
    grids = {
        sheet.name: _grid(
            sheet, tables.get(sheet.name, ()), zone, (marks or {}).get(sheet.name), example
        )
        for sheet in sheets
    }
    path = Path(path)
    if path.suffix.lower() == ".xlsx":
        _write_xlsx(path, sheets, grids)
    else:
        _write_csv(path, grids)


def write_template(path: Path | str, short: bool = False) -> None:
    """Which empty file may a nursery fill in? Headings, units, allowed values, one example."""
    write_workbook(path, {}, sheets=SHORT_SHEETS if short else SHEETS, example=True)


def _refuse_unknown(tables: Mapping[str, Sequence[Values]], sheets: Sequence[Sheet]) -> None:
    known = {sheet.name: set(sheet.headings) for sheet in sheets}
    for name, rows in tables.items():
        if name not in known:
            raise ValueError(f"no sheet is called {name!r}; there are {', '.join(known)}")
        strange = {heading for row in rows for heading in row} - known[name]
        if strange:
            raise ValueError(f"sheet {name!r} has no column {', '.join(sorted(strange))!r}")


def _zone_of(tables: Mapping[str, Sequence[Values]]) -> ZoneInfo:
    rows = tables.get("Site", ())
    named = rows[0].get("Time zone") if rows else None
    try:
        return time_zone(str(named or "UTC"))
    except Fault:  # a faulty Site is still written as it is, for `load` to report
        return ZoneInfo("UTC")


def _grid(
    sheet: Sheet,
    rows: Sequence[Values],
    zone: ZoneInfo,
    marks: Sequence[str] | None,
    example: bool,
) -> list[list[Value]]:
    columns = sheet.columns
    grid: list[list[Value]] = [
        [ROW, *sheet.headings, *([AS_EXPORTED] if marks is not None else [])],
        ["units", *(column.unit for column in columns)],
        ["allowed", *(column.rule for column in columns)],
    ]
    if example:
        grid.append(["example", *(_written(c, c.example, zone) for c in columns)])
    for place, row in enumerate(rows):
        cells = [_written(column, row.get(column.heading), zone) for column in columns]
        grid.append([None, *cells, *([marks[place]] if marks is not None else [])])
    return grid


def _written(column: Column, value: Value, zone: ZoneInfo) -> Value:
    """What stands in the cell for this value?"""
    if value is None or value == "":
        return None
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, datetime):
        return moment_text(value, zone) if column.type is Type.MOMENT else value
    if isinstance(value, str):
        return str(value)
    return value


def moment_text(at: datetime, zone: ZoneInfo) -> str:
    """How is a moment written? The nursery's own time; with its offset only where it is needed."""
    local = at.astimezone(zone) if at.tzinfo is not None else at.replace(tzinfo=zone)
    exact = "microseconds" if local.microsecond else "seconds" if local.second else "minutes"
    # In the hour that comes twice, or at an offset with seconds, only the offset tells which.
    twice = local.replace(fold=0).utcoffset() != local.replace(fold=1).utcoffset()
    plain = local if twice else local.replace(tzinfo=None)
    return plain.isoformat(sep=" ", timespec=exact)


def _write_csv(folder: Path, grids: Mapping[str, list[list[Value]]]) -> None:
    folder.mkdir(parents=True, exist_ok=True)
    for name, grid in grids.items():
        with (folder / f"{name}.csv").open("w", encoding="utf-8-sig", newline="") as file:
            writer = csv.writer(file)
            writer.writerows([[_plain(value) for value in row] for row in grid])


def _plain(value: Value) -> str:
    if value is None:
        return ""
    if isinstance(value, time):
        return value.isoformat("minutes" if not (value.second or value.microsecond) else "auto")
    if isinstance(value, date):
        return value.isoformat()
    return str(value)


def _write_xlsx(
    path: Path, sheets: Sequence[Sheet], grids: Mapping[str, list[list[Value]]]
) -> None:
    book = Workbook()
    legend = book.active
    legend.title = "Legend"
    for place, sentence in enumerate(_LEGEND, start=1):
        legend.cell(place, 1, sentence)
    for sheet in sheets:
        _fill(book.create_sheet(sheet.name), sheet, grids[sheet.name])
        place += 1
        _text(legend, place, 1, sheet.name)
        _text(legend, place, 2, sheet.help)
    path.parent.mkdir(parents=True, exist_ok=True)
    book.save(path)


def _fill(page: Worksheet, sheet: Sheet, grid: list[list[Value]]) -> None:
    for row, cells in enumerate(grid, start=1):
        for place, value in enumerate(cells, start=1):
            if value is not None:
                _text(page, row, place, value)
    for place, heading in enumerate(grid[0], start=1):
        head = page.cell(1, place)
        head.font = Font(bold=True)
        page.column_dimensions[get_column_letter(place)].width = max(12, len(str(heading)) + 3)
    for row in range(2, 5):
        if len(grid) >= row and grid[row - 1][0] in NOT_DATA:
            for place in range(1, len(grid[0]) + 1):
                page.cell(row, place).fill = _GREY
                page.cell(row, place).font = Font(italic=True, color="555555")
                page.cell(row, place).alignment = Alignment(wrap_text=True, vertical="top")
    page.row_dimensions[3].height = 45
    page.freeze_panes = "B2"
    if grid[0][-1] == AS_EXPORTED:
        page.column_dimensions[get_column_letter(len(grid[0]))].hidden = True
    for place, column in enumerate(sheet.columns, start=2):
        _guide(page, place, column)


def _text(page: Worksheet, row: int, place: int, value: Value) -> None:
    cell = page.cell(row, place, value)
    if isinstance(value, str):
        cell.data_type = "s"  # a text that begins with = is still a text
        if value.isdigit():
            cell.number_format = "@"


def _guide(page: Worksheet, place: int, column: Column) -> None:
    """Drop-down lists and help, so that most mistakes are never typed."""
    if column.help:
        page.cell(1, place).comment = Comment(column.help, "nursery")
    words = column.words or (("yes", "no") if column.type is Type.YES_NO else ())
    if not words:
        return
    rule = DataValidation(
        type="list",
        formula1='"' + ",".join(words) + '"',
        allow_blank=not column.needed,
        showErrorMessage=True,
        errorTitle=column.heading,
        error=f"One of: {', '.join(words)}"[:250],
    )
    letter = get_column_letter(place)
    rule.add(f"{letter}4:{letter}{_LAST_ROW}")
    page.add_data_validation(rule)
