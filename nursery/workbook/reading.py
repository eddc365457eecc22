"""Sheets read from a file as they stand, whatever shape it is in; what cannot be read is said."""

import csv
import re
import zipfile
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from io import StringIO
from pathlib import Path

from openpyxl import load_workbook
from openpyxl.worksheet.worksheet import Worksheet

from nursery.workbook.cells import Uncalculated, candidates, is_blank, shown, tidy
from nursery.workbook.faults import RowFault
from nursery.workbook.sheet import Sheet
from nursery.workbook.short_sheets import ONLY_FULL, ONLY_SHORT, SHORT_SHEETS
from nursery.workbook.specification import SHEETS
from nursery.workbook.writing import AS_EXPORTED, NOT_DATA, ROW

MOST_ROWS = 100_000
_HEADING_WITHIN = 10
"""Headings are looked for in so many first rows, since people put titles above them."""


@dataclass(frozen=True)
class RawRow:
    """A row as it stands: its number in the sheet, cells by heading, its mark if exported."""

    number: int
    cells: dict[str, object]
    mark: str = ""


@dataclass
class RawSheet:
    """A sheet as it stands. `sound` is False where its columns are not what they should be."""

    sheet: Sheet
    headings: tuple[str, ...] = ()
    rows: list[RawRow] = field(default_factory=list)
    sound: bool = True
    spoilt: set[int] = field(default_factory=set)
    """Rows about which a fault has been reported already (merged cells)."""


@dataclass
class Book:
    """A file as it stands: its sheets by name, whether it is the short form, what is wrong."""

    sheets: dict[str, RawSheet] = field(default_factory=dict)
    short: bool = False
    faults: list[RowFault] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)


@dataclass
class _Grid:
    title: str
    rows: list[Sequence[object]]
    merged: list[tuple[int, int, int, int]] = field(default_factory=list)
    """First row, first column, last row, last column, counted from 1."""


class _Unreadable(Exception):
    pass


def read_book(path: Path | str) -> Book:
    """What does this file hold? Never raises: what cannot be read becomes a fault of the book."""
    path = Path(path)
    book = Book()
    try:
        grids = _csv_grids(path, book) if path.is_dir() else _xlsx_grids(path)
    except _Unreadable as why:
        book.faults.append(RowFault("", None, "", path.name, str(why), "mend the file"))
        return book
    except Exception as why:  # openpyxl raises many kinds for broken files
        rule = f"the file cannot be read ({type(why).__name__}: {str(why)[:80]})"
        next = "save it again as .xlsx from a spreadsheet"
        book.faults.append(RowFault("", None, "", path.name, rule, next))
        return book
    book.short = _is_short(grids)
    sheets = SHORT_SHEETS if book.short else SHEETS
    for grid in grids:
        _take(book, grid, sheets)
    if not book.sheets and not book.faults:
        names = ", ".join(sheet.name for sheet in SHEETS)
        rule = "no sheet has a name that is known"
        next = f"start from `nursery template`; sheets are {names}"
        book.faults.append(RowFault("", None, "", path.name, rule, next))
    return book


def _xlsx_grids(path: Path) -> list[_Grid]:
    if not path.exists():
        raise _Unreadable("there is no such file")
    if path.suffix.lower() == ".csv":
        raise _Unreadable("one CSV file is not a workbook: give the folder that holds it")
    if not zipfile.is_zipfile(path):
        raise _Unreadable("is not an .xlsx workbook (another format, or locked with a password)")
    values = load_workbook(path, data_only=True)
    pages = [page for page in values.worksheets if page.title.casefold() != "legend"]
    formulas = _formulas(path)
    return [_grid_of(page, formulas.get(page.title, set())) for page in pages]


def _grid_of(page: Worksheet, formulas: set[tuple[int, int]]) -> _Grid:
    if page.max_row > MOST_ROWS:
        raise _Unreadable(
            f"sheet '{page.title}' goes down to row {page.max_row}: delete the rows below the last"
            " one that is filled in"
        )
    rows: list[Sequence[object]] = list(page.iter_rows(values_only=True))
    for row, column in formulas:
        cells = list(rows[row - 1])
        if cells[column - 1] is None:
            cells[column - 1] = Uncalculated()
            rows[row - 1] = cells
    merged = [(r.min_row, r.min_col, r.max_row, r.max_col) for r in page.merged_cells.ranges]
    return _Grid(page.title, rows, merged)


def _formulas(path: Path) -> dict[str, set[tuple[int, int]]]:
    """Which cells hold formulas? The file is read a second time only if there are any."""
    with zipfile.ZipFile(path) as file:
        pages = [name for name in file.namelist() if name.startswith("xl/worksheets/")]
        if not any(re.search(rb"<(\w+:)?f[ >/]", file.read(name)) for name in pages):
            return {}
    book = load_workbook(path, data_only=False)
    return {
        page.title: {
            (cell.row, cell.column) for row in page for cell in row if cell.data_type == "f"
        }
        for page in book.worksheets
    }


def _csv_grids(folder: Path, book: Book) -> list[_Grid]:
    files = sorted(path for path in folder.iterdir() if path.suffix.lower() == ".csv")
    if not files:
        raise _Unreadable("the folder holds no .csv file")
    grids = []
    for path in files:
        raw = path.read_bytes()
        try:
            text = raw.decode("utf-16" if raw[:2] in (b"\xff\xfe", b"\xfe\xff") else "utf-8-sig")
        except UnicodeDecodeError:
            text = raw.decode("cp1252", errors="replace")
            book.notes.append(
                f"{path.name}: is not UTF-8, read as Western European; look at the accents."
            )
        first = next((line for line in text.splitlines() if line.strip()), "")
        mark = max(",;\t", key=first.count)
        rows: list[Sequence[object]] = list(csv.reader(StringIO(text, newline=""), delimiter=mark))
        grids.append(_Grid(path.stem, rows))
    return grids


def _is_short(grids: list[_Grid]) -> bool:
    """Is this the short form? More of its headings are the short form's own than the full one's."""
    votes = 0
    for grid in grids:
        name = tidy(grid.title).casefold()
        words = {_plain(cell) for row in grid.rows[:_HEADING_WITHIN] for cell in row}
        votes += len(words & ONLY_SHORT.get(name, set())) - len(words & ONLY_FULL.get(name, set()))
    return votes > 0


def _plain(cell: object) -> str:
    """A heading without what people add to it: a unit in brackets, a colon, an asterisk."""
    return re.sub(r"\s*\([^)]*\)$", "", tidy(shown(cell))).strip(" :*").casefold()


def _take(book: Book, grid: _Grid, sheets: Sequence[Sheet]) -> None:
    by_name = {sheet.name.casefold(): sheet for sheet in sheets}
    sheet = by_name.get(tidy(grid.title).casefold())
    empty = all(is_blank(cell) for row in grid.rows for cell in row)
    if sheet is None:
        if not empty:
            _unknown_sheet(book, grid.title, [s.name for s in sheets])
        return
    if sheet.name in book.sheets:
        book.faults.append(
            RowFault(sheet.name, None, "", grid.title, "there are two such sheets", "keep one")
        )
        return
    if empty:
        return
    raw = RawSheet(sheet)
    book.sheets[sheet.name] = raw
    places = _headings(book, raw, grid)
    if places is None:
        return
    start, columns = places
    _merged(book, raw, grid, start, columns)
    for number, cells in enumerate(grid.rows[start:], start=start + 1):
        row = _row(book, raw, number, cells, columns)
        if row is not None:
            raw.rows.append(row)


def _unknown_sheet(book: Book, title: str, known: list[str]) -> None:
    near = candidates(tidy(title), known)
    if near:
        book.faults.append(RowFault(title, None, "", title, "no sheet has this name", near))
    else:
        book.notes.append(f"Sheet '{title}' is not one of the workbook's: not read.")


def _headings(book: Book, raw: RawSheet, grid: _Grid) -> tuple[int, dict[int, str]] | None:
    """In which row do the data start, and which heading stands over which column?"""
    known = {_plain(heading): heading for heading in (*raw.sheet.headings, ROW, AS_EXPORTED)}
    found = [sum(_plain(cell) in known for cell in row) for row in grid.rows[:_HEADING_WITHIN]]
    at = found.index(max(found))
    if not found[at]:
        _spoil(book, raw, "", f"no row of headings: {', '.join(raw.sheet.headings)}", "add it")
        return None
    columns: dict[int, str] = {}
    strange: list[str] = []
    for place, cell in enumerate(grid.rows[at]):
        heading = known.get(_plain(cell))
        if heading is None and not is_blank(cell):
            strange.append(tidy(shown(cell)))
        elif heading in columns.values():
            _spoil(book, raw, heading or "", "the heading stands there twice", "remove one column")
        elif heading is not None:
            columns[place] = heading
    _missing(book, raw, columns, strange)
    raw.headings = tuple(h for h in columns.values() if h not in (ROW, AS_EXPORTED))
    return at + 1, columns


def _missing(book: Book, raw: RawSheet, columns: dict[int, str], strange: list[str]) -> None:
    absent = [c for c in raw.sheet.columns if c.heading not in columns.values()]
    explained = set()
    for heading in strange:
        near = candidates(heading, [column.heading for column in absent])
        explained |= {column.heading for column in absent if repr(column.heading) in near}
        next = near or "remove the column, or name it as in the template"
        _spoil(book, raw, heading, "no column has this heading", next)
    for column in absent:
        if (column.needed or column.heading in raw.sheet.key) and column.heading not in explained:
            _spoil(book, raw, column.heading, "the column is missing", "add it, as in the template")


def _spoil(book: Book, raw: RawSheet, column: str, rule: str, next: str) -> None:
    raw.sound = False
    book.faults.append(RowFault(raw.sheet.name, None, column, "", rule, next))


def _merged(book: Book, raw: RawSheet, grid: _Grid, start: int, columns: dict[int, str]) -> None:
    for first_row, first, last_row, last in grid.merged:
        if last_row <= start:
            continue
        rows = range(max(first_row, start + 1), last_row + 1)
        if all(_is_note(grid.rows[row - 1], columns) for row in rows if row <= len(grid.rows)):
            continue
        heading = columns.get(first - 1, "")
        upto = columns.get(last - 1, "")
        where = f"rows {rows[0]} to {rows[-1]}" if len(rows) > 1 else f"up to {upto or 'the next'}"
        rule = f"cells are merged ({where})"
        next = "unmerge them and fill in each cell"
        raw.spoilt |= set(rows)
        book.faults.append(RowFault(raw.sheet.name, rows[0], heading, "", rule, next))


def _is_note(cells: Sequence[object], columns: dict[int, str]) -> bool:
    for place, heading in columns.items():
        if heading == ROW and place < len(cells):
            return tidy(shown(cells[place])).casefold() in NOT_DATA
    return False


def _row(
    book: Book, raw: RawSheet, number: int, cells: Sequence[object], columns: dict[int, str]
) -> RawRow | None:
    if _is_note(cells, columns):
        return None
    named = dict(_named(cells, columns))
    mark = tidy(shown(named.pop(AS_EXPORTED, None)))
    named.pop(ROW, None)
    beside = [cell for place, cell in enumerate(cells) if place not in columns]
    if all(is_blank(cell) for cell in named.values()):
        if any(not is_blank(cell) for cell in beside):
            book.notes.append(f"{raw.sheet.name}, row {number}: nothing under a heading: not read.")
        return None
    return RawRow(number, named, mark)


def _named(cells: Sequence[object], columns: dict[int, str]) -> Iterator[tuple[str, object]]:
    for place, heading in columns.items():
        yield heading, cells[place] if place < len(cells) else None
