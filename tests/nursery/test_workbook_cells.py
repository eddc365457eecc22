"""Cells are read as people and spreadsheets leave them; what may be read two ways is asked."""

import calendar
import math
from datetime import UTC, date, datetime, time
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from openpyxl import Workbook, load_workbook
from sqlmodel import select

from nursery.carrier import Closure
from nursery.database import Database, today
from nursery.workbook import export, load, write_workbook
from nursery.workbook.cells import CellFault, Uncalculated, read_cell
from nursery.workbook.sheet import Column, Type, Value, Values
from nursery.workbook.specification import BY_NAME
from tests.nursery.small_workbook import FIRST_ROW, Tables, dump, opened

AMSTERDAM = ZoneInfo("Europe/Amsterdam")
NUMBER = Column("Number", "", Type.NUMBER)
WHOLE = Column("Whole", "", Type.WHOLE, low=0, high=10**9)
SHARE = Column("Share", "", Type.SHARE, low=0, below=1)
DAY = Column("Day", "", Type.DAY)
MOMENT = Column("Moment", "", Type.MOMENT)
TEXT = Column("Text", "", Type.TEXT, longest=12)
CENTS = Column("Price", "", Type.WHOLE, unit="cents", low=0)


def read(column: Column, raw: object) -> Value:
    return read_cell(column, raw, AMSTERDAM)


def refused(column: Column, raw: object) -> CellFault:
    with pytest.raises(CellFault) as caught:
        read(column, raw)
    return caught.value


@pytest.mark.parametrize(
    ("column", "raw", "value"),
    [
        (NUMBER, "1,5", 1.5),
        (NUMBER, " 12.50 ", 12.5),
        (NUMBER, "1.234,5", 1234.5),
        (NUMBER, "1,234.5", 1234.5),
        (NUMBER, "0,125", 0.125),
        (NUMBER, "\u22123", -3.0),
        (WHOLE, "1 234", 1234),
        (WHOLE, "1\u00a0234", 1234),
        (WHOLE, 12.0, 12),
        (SHARE, "15 %", 0.15),
        (SHARE, "0,15", 0.15),
        (DAY, datetime(2027, 3, 1), date(2027, 3, 1)),
        (DAY, "2027-03-01", date(2027, 3, 1)),
        (DAY, "1.3.2027", date(2027, 3, 1)),
        (DAY, "13/3/2027", date(2027, 3, 13)),
        (DAY, "3/13/2027", date(2027, 3, 13)),
        (DAY, "2/2/2027", date(2027, 2, 2)),
        (TEXT, 104, "104"),
        (TEXT, 104.0, "104"),
        (TEXT, "  a \u00a0 b ", "a b"),
        (TEXT, "\u2018Gigas\u2019", "'Gigas'"),
        (TEXT, "   ", None),
        (Column("T", "", Type.TIME), "9:05", time(9, 5)),
        (Column("T", "", Type.TIME), time(15, 30), time(15, 30)),
        (Column("Y", "", Type.YES_NO), "Yes", True),
        (Column("Y", "", Type.YES_NO), False, False),
        (Column("W", "", Type.WEEK), "2027w14", "2027-W14"),
        (Column("K", "", Type.WORD, words=("seed", "offset")), " Seed ", "seed"),
    ],
)
def test_a_cell_is_read_as_it_was_meant(column: Column, raw: object, value: Value) -> None:
    assert read(column, raw) == value


@pytest.mark.parametrize(
    ("column", "raw", "next"),
    [
        (NUMBER, "1,500", "write 1500 or 1.500"),
        (WHOLE, "2,000", "write 2000 or 2.000"),
        (SHARE, 15, "is 15 per cent meant? then write 0.15 or 15 %"),
        (CENTS, 14.5, "in whole cents: 14.5 may be 1450 cents"),
        (DAY, "3/4/2027", "write 2027-04-03 or 2027-03-04"),
        (DAY, "2027-02-29", "write it as 2027-03-01"),
        (DAY, 46447, "format the cell as a date, or write 2027-03-01"),
        (DAY, "0227-03-01", "correct the year"),
        (DAY, datetime(2027, 3, 1, 7), "give the date alone"),
        (Column("W", "", Type.WEEK), "2027-W53", "did you mean 2027-W52 or 2028-W01?"),
        (Column("K", "", Type.WORD, words=("seed", "offset")), "ofset", "did you mean 'offset'?"),
        (TEXT, datetime(2027, 4, 3), "format as text, type again"),
        (TEXT, "thirteen chars", "shorten it"),
        (TEXT, "a\x07b", "type it again"),
        (NUMBER, "#DIV/0!", "mend the formula or type the value"),
        (NUMBER, Uncalculated(), "open the file in a spreadsheet, save it again"),
        (NUMBER, True, "format the cell as a number and type it again"),
        (NUMBER, math.nan, "correct it"),
        (NUMBER, 10**400, "correct it"),
        (WHOLE, 1e300, "correct it"),
    ],
)
def test_what_may_be_read_two_ways_or_not_at_all_is_asked_never_guessed(
    column: Column, raw: object, next: str
) -> None:
    assert refused(column, raw).next == next


def test_20_degrees_typed_as_68_fahrenheit_is_asked_about() -> None:
    # 68 °F is 20 °C exactly, by the definition of the scale.
    heat = BY_NAME["Products"].by_heading["Heat limit"]
    assert refused(heat, 68).next == "is it in °F? 68 °F is 20.0 °C; give °C"


def test_a_moment_is_the_nurserys_own_time_unless_it_says_otherwise() -> None:
    # Central European Time is UTC+1, in summer UTC+2 (Directive 2000/84/EC).
    assert read(MOMENT, datetime(2027, 1, 5, 9)) == datetime(2027, 1, 5, 8, tzinfo=UTC)
    assert read(MOMENT, "2027-07-05 09:00") == datetime(2027, 7, 5, 7, tzinfo=UTC)
    assert read(MOMENT, "5.7.2027 9:00") == datetime(2027, 7, 5, 7, tzinfo=UTC)
    assert read(MOMENT, "2027-07-05T09:00:00+05:00") == datetime(2027, 7, 5, 4, tzinfo=UTC)


@settings(deadline=None, max_examples=60)
@given(st.dates(date(1900, 1, 1), date(2100, 12, 31)))
def test_a_date_with_slashes_is_never_read_as_another_day(day: date) -> None:
    for form in ("%d/%m/%Y", "%m/%d/%Y"):
        written = day.strftime(form)
        try:
            assert read(DAY, written) == day
        except CellFault as fault:
            swapped = day.replace(month=1).replace(day=day.month, month=day.day)
            assert {day.isoformat(), swapped.isoformat()} == set(fault.next[6:].split(" or "))


@settings(deadline=None, max_examples=200)
@given(
    st.sampled_from([column for sheet in BY_NAME.values() for column in sheet.columns]),
    st.one_of(
        st.none(), st.text(max_size=20), st.integers(), st.floats(), st.booleans(),
        st.datetimes(), st.dates(), st.times(),
    ),
)  # fmt: skip
def test_no_cell_whatever_it_holds_does_more_than_give_a_value_or_a_fault(
    column: Column, raw: object
) -> None:
    try:
        value = read(column, raw)
    except CellFault as fault:
        assert fault.rule and fault.next
    else:
        assert value is None or isinstance(value, str | int | float | date | time)


@pytest.fixture
def tables(db: Database, tmp_path: Path) -> Tables:
    """A database whose clock stands at 2027-03-01, and a faultless workbook for it."""
    return opened(db, tmp_path / "first.xlsx")


def test_titles_blank_rows_units_in_headings_and_notes_beside_the_table_do_no_harm(
    db: Database, tmp_path: Path, tables: Tables
) -> None:
    book = Workbook()
    page = book.active
    page.title = " tray formats "
    for row in (
        ["Our trays"], [], ["NAME *", "Cells (cells a tray)", " places:", None, None], [],
        ["104 ", "104", "1", None, "see the shed"], ["  ", None, ""], [None] * 4 + ["total 2"],
        [72, 72.0, 1],
    ):  # fmt: skip
        page.append(row)
    page.delete_cols(4)
    book.save(tmp_path / "own.xlsx")
    report = load(db, tmp_path / "own.xlsx")
    assert report.taken and report.new == 2, report.lines()
    assert "Tray formats, row 7: nothing under a heading: not read." in report.notes


def edited(path: Path, tables: Tables, sheet: str, cells: dict[str, object]) -> Path:
    write_workbook(path, tables)
    book = load_workbook(path)
    for place, value in cells.items():
        book[sheet][place] = value
    book.save(path)
    return path


def test_merged_cells_are_one_fault_a_merge(db: Database, tmp_path: Path, tables: Tables) -> None:
    tables["People"].append({"Name": "Beatrix", "Minutes": 2280})
    path = tmp_path / "n.xlsx"
    write_workbook(path, tables)
    book = load_workbook(path)
    book["People"].merge_cells("C4:C5")
    book.save(path)
    (fault,) = load(db, path).faults
    assert (fault.sheet, fault.row, fault.column) == ("People", 4, "Minutes")
    assert fault.rule == "cells are merged (rows 4 to 5)"


def test_a_formula_that_nobody_calculated_is_a_fault_and_a_calculated_one_a_value(
    db: Database, tmp_path: Path, tables: Tables
) -> None:
    path = edited(tmp_path / "n.xlsx", tables, "People", {"C4": "=38*60"})
    (fault,) = load(db, path).faults
    assert (fault.sheet, fault.row, fault.column) == ("People", 4, "Minutes")
    assert fault.rule == "the formula has no value"


@pytest.mark.parametrize(
    ("cells", "column", "rule", "next"),
    [
        ({"C1": "Minuts"}, "Minuts", "no column has this heading", "did you mean 'Minutes'?"),
        ({"C1": None}, "Minutes", "the column is missing", "add it, as in the template"),
        ({"C1": "Name"}, "Name", "the heading stands there twice", "remove one column"),
    ],
)
def test_a_heading_that_is_wrong_missing_or_twice_is_a_fault_of_its_sheet(
    db: Database, tmp_path: Path, tables: Tables,
    cells: dict[str, object], column: str, rule: str, next: str,
) -> None:  # fmt: skip
    before = dump(db)
    report = load(db, edited(tmp_path / "n.xlsx", tables, "People", cells))
    first = report.faults[0]
    assert (first.sheet, first.column, first.rule, first.next) == (
        "People", column, rule, next,
    )  # fmt: skip
    assert {fault.sheet for fault in report.faults} == {"People"}
    assert dump(db) == before


def test_a_sheet_with_a_misspelt_name_is_a_fault_and_a_strange_one_a_note(
    db: Database, tmp_path: Path, tables: Tables
) -> None:
    write_workbook(tmp_path / "n.xlsx", tables)
    book = load_workbook(tmp_path / "n.xlsx")
    book["Closures"].title = "Closure"
    book.create_sheet("Shopping")["A1"] = "string"
    book.save(tmp_path / "n.xlsx")
    report = load(db, tmp_path / "n.xlsx")
    assert [(f.sheet, f.next) for f in report.faults] == [("Closure", "did you mean 'Closures'?")]
    assert "Sheet 'Shopping' is not one of the workbook's: not read." in report.notes


def test_csv_files_with_semicolons_decimal_commas_and_old_accents_are_read(
    db: Database, tmp_path: Path, tables: Tables
) -> None:
    folder = tmp_path / "sheets"
    folder.mkdir()
    lines = "Name;Latitude\nHöhe;47,25\nTal;47,0\n"
    (folder / "stations.csv").write_bytes(lines.encode("cp1252"))
    report = load(db, folder)
    assert report.taken and report.new == 2
    assert any("is not UTF-8" in note for note in report.notes)


def test_an_excel_month_name_is_no_week_and_a_date_is_not_silently_made_one(
    db: Database, tmp_path: Path, tables: Tables
) -> None:
    assert calendar.month_name[4]  # a name such as April is no week
    week = Column("Week", "", Type.WEEK)
    assert refused(week, "April").next == "write it as 2027-W14"
    assert refused(week, date(2027, 4, 5)).next == "write 2027-W14 if that is meant"


def test_row_numbers_are_those_that_the_spreadsheet_shows(
    db: Database, tmp_path: Path, tables: Tables
) -> None:
    tables["People"] = [{"Name": f"P{n}", "Minutes": 60} for n in range(20)]
    tables["Absences"] = []
    tables["People"][7]["Minutes"] = -1
    (fault,) = load(db, edited(tmp_path / "n.xlsx", tables, "People", {})).faults
    assert fault.row == FIRST_ROW + 7
    assert load_workbook(tmp_path / "n.xlsx")["People"].cell(FIRST_ROW + 7, 2).value == "P7"


def closed(first: date, last: date) -> list[Values]:
    return [{"Closed at": "origin", "First day": first, "Last day": last, "Reason": "strike"}]


@pytest.mark.parametrize(
    ("first", "last", "column", "said"),
    [
        (36, 36, "First day", "36 years from now"),
        (0, 36, "Last day", "36 years from now"),
        (-10, 0, "First day", "10 years ago"),
    ],
)
def test_a_closure_in_a_year_far_from_ours_is_asked_about_and_nothing_is_taken(
    db: Database, tmp_path: Path, tables: Tables, first: int, last: int, column: str, said: str
) -> None:
    with db.reading() as session:
        ours = today(session).year
    days = date(ours + first, 5, 11), date(ours + last, 5, 12)
    before = dump(db)
    write_workbook(tmp_path / "n.xlsx", tables | {"Closures": closed(*days)})
    report = load(db, tmp_path / "n.xlsx")
    (fault,) = report.faults
    assert (fault.sheet, fault.row, fault.column) == ("Closures", 4, column)
    assert said in fault.rule and fault.next.startswith("is the year right? Today is ")
    assert not report.taken and dump(db) == before


def test_a_closure_that_has_grown_old_in_the_database_is_not_asked_about_again(
    db: Database, tmp_path: Path, tables: Tables
) -> None:
    with db.reading() as session:
        ours = today(session).year
    write_workbook(
        tmp_path / "n.xlsx",
        tables | {"Closures": closed(date(ours + 2, 5, 11), date(ours + 2, 5, 12))},
    )
    assert load(db, tmp_path / "n.xlsx").taken
    with db.writing() as session:
        row = session.exec(select(Closure).where(Closure.reason == "strike")).one()
        row.first_day, row.last_day = date(ours - 20, 5, 11), date(ours - 20, 5, 12)
    export(db, tmp_path / "old.xlsx")
    report = load(db, tmp_path / "old.xlsx")
    assert not report.faults and report.taken
