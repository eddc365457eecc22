"""A workbook in: read whole, every row checked, then all of it taken or nothing."""

from pathlib import Path
from zoneinfo import ZoneInfo

from sqlalchemy.exc import SQLAlchemyError
from sqlmodel import Session

from nursery.calendars import time_zone
from nursery.database import Database, now
from nursery.errors import Fault
from nursery.workbook.cells import tidy
from nursery.workbook.draft import Draft
from nursery.workbook.faults import Report, RowFault
from nursery.workbook.group_rules import GROUP_RULES
from nursery.workbook.growing_sheets import SITE
from nursery.workbook.leaving_out import leave_out_dependants, left_out, refuse_stale
from nursery.workbook.picture import Picture
from nursery.workbook.reading import Book, read_book
from nursery.workbook.row_rules import ROW_RULES
from nursery.workbook.short import expand
from nursery.workbook.specification import SHEETS
from nursery.workbook.storing import NotTaken, Storing

_TRIES = 25
"""How often rows that the database refuses are left out before the file is given up."""

Refused = dict[tuple[str, int], RowFault]


class _Nothing(Exception):
    """Undo the transaction and hand out this report."""

    def __init__(self, report: Report) -> None:
        super().__init__(report.summary())
        self.report = report


def load(db: Database, path: Path | str, good_rows: bool = False) -> Report:
    """What became of this workbook (.xlsx, or a folder of CSV files with the sheets' names)?

    Reads it whole and checks every row. Without faults everything is taken in one transaction;
    with faults nothing is, and each is reported as sheet, row, column, value, rule and what
    to do. `good_rows` takes the faultless rows and reports the others, and those that depend
    on them. Loading never deletes; the same file twice changes nothing. Rows that changed in
    the database since their export are refused with both values. Counted plugs go to the
    ledger as a count with a time. Never raises on bad data.
    """
    book = read_book(path)
    refused: Refused = {}
    for _ in range(_TRIES):
        before = len(refused)
        try:
            with db.writing() as session:
                return _attempt(session, book, good_rows, refused)
        except _Nothing as nothing:
            if not good_rows or len(refused) == before:
                return nothing.report
        except SQLAlchemyError as error:
            why = str(getattr(error, "orig", None) or error).splitlines()[0][:160]
            fault = RowFault("", None, "", "", f"the database refuses it ({why})", "try again")
            return Report(False, (fault,))
    return Report(False, tuple(refused.values()))


def _attempt(session: Session, book: Book, good_rows: bool, refused: Refused) -> Report:
    draft = _draft(session, book)
    for record in draft.all():
        fault = refused.get((record.sheet.name, record.row))
        if fault is not None:
            record.bad = True
            draft.faults.append(fault)
    if good_rows:
        leave_out_dependants(draft)
        draft.faults += left_out(draft)
    faults = _sorted(draft.faults)
    if faults and (not good_rows or not any(not record.bad for record in draft.all())):
        raise _Nothing(Report(False, faults, tuple(draft.notes)))
    storing = Storing(session, draft)
    try:
        counts = storing.write()
    except NotTaken:
        for record in draft.all():
            fault = storing.refused.get(id(record))
            if fault is not None:
                refused[record.sheet.name, record.row] = fault
        raise _Nothing(Report(False, _sorted(draft.faults), tuple(draft.notes))) from None
    return Report(True, faults, tuple(draft.notes), tuple(counts))


def _draft(session: Session, book: Book) -> Draft:
    picture = Picture(session)
    draft = Draft(book, picture, _zone(book, picture), now(session))
    if book.short:
        expand(draft, book)
    else:
        for sheet in SHEETS:
            if sheet.name in book.sheets:
                draft.add(draft.parse(book.sheets[sheet.name]))
    draft.link()
    for record in draft.all():
        for rule in ROW_RULES.get(record.sheet.name, ()):
            rule(draft, record)
    for group_rule in GROUP_RULES:
        group_rule(draft)
    refuse_stale(draft)
    return draft


def _zone(book: Book, picture: Picture) -> ZoneInfo:
    """In which time zone are moments without an offset meant? The site's, by file or database."""
    names: list[object] = []
    if "Site" in book.sheets:
        names = [row.cells.get("Time zone") for row in book.sheets["Site"].rows]
    names += [stored.values["Time zone"] for stored in picture.rows(SITE).values()]
    for name in names:
        try:
            return time_zone(tidy(str(name or "")))
        except Fault:
            continue
    return ZoneInfo("UTC")


def _sorted(faults: list[RowFault]) -> tuple[RowFault, ...]:
    """By sheet as they stand in the workbook, then by row; the same line is said once."""
    order = {sheet.name: place for place, sheet in enumerate(SHEETS)}
    return tuple(sorted(dict.fromkeys(faults), key=lambda f: (order.get(f.sheet, -1), f.row or 0)))
