"""Whatever a nursery types comes back the same: written, loaded, exported, loaded elsewhere."""

import shutil
import tempfile
from datetime import UTC, date, datetime, time
from pathlib import Path
from typing import Any

from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st

from nursery.database import Database, open_database
from nursery.workbook import SHEETS, export, load, write_workbook
from nursery.workbook.cells import tidy
from nursery.workbook.picture import Picture, canonical
from nursery.workbook.reading import read_book
from nursery.workbook.sheet import Column, Sheet, Type
from tests.nursery.small_workbook import Tables, dump, examples, opened

_LETTERS = st.characters(
    codec="utf-8", exclude_categories=("Cc", "Cs", "Zl", "Zp", "Zs", "Cn"),
    exclude_characters="'\u2018\u2019\u201a\u00b4`\u201c\u201d\ufffe\uffff",
)  # fmt: skip
_WORDS = st.text(_LETTERS, min_size=1, max_size=18).filter(
    lambda text: tidy(text) == text and not text.startswith("#")  # as a formula's error does
)
_PLAIN = (Type.TEXT, Type.WHOLE, Type.NUMBER, Type.SHARE, Type.YES_NO, Type.WORD, Type.TIME)
_CHECKED = {"Address", "Country", "Holiday region", "Time zone", "Currency", "Origin",
            "Collects", "Delivers", "Working days",
            "Flush", "Method", "Position", "Month", "Trays", "Cells", "Places", "Share", "Prefix",
            "Which", "Closed at", "Postcode", "Quarantine", "Grade", "Assumed", "Reserve", "Plants",
            "Heat limit", "Frost limit", "Base", "Upper limit", "Heated floor", "Vented ceiling",
            "Days", "First week", "Last week", "Unit", "Minimum", "Maximum", "Area kind",
            "Clock", "Plugs in", "Plugs out", "Before", "After", "Mean", "Humidity",
            "Night"}  # fmt: skip
"""Columns with rules of their own keep the example's values."""


def _free(sheet: Sheet) -> list[Column]:
    """Which columns may hold anything of their type?"""
    named = {heading for reference in sheet.references for heading in reference.columns}
    fixed = named | set(sheet.key) | set(sheet.counted) | _CHECKED
    if sheet.name in ("Areas", "Stages"):
        fixed.add("Kind")
    return [c for c in sheet.columns if c.heading not in fixed and c.type in _PLAIN]


def _value(column: Column) -> st.SearchStrategy[Any]:
    low = column.low if column.low is not None else column.above
    high = column.high if column.high is not None else column.below
    kinds: dict[Type, st.SearchStrategy[Any]] = {
        Type.TEXT: _WORDS.map(lambda text: text[: column.longest or 18]).map(tidy).filter(bool),
        Type.WHOLE: st.integers(int(low or 0), int(high if high is not None else 9999)),
        Type.NUMBER: st.floats(
            low or 0, high if high is not None else 9999.0, exclude_min=column.above is not None
        ),
        Type.SHARE: st.floats(low or 0, high or 1, exclude_min=True, exclude_max=True),
        Type.YES_NO: st.booleans(),
        Type.WORD: st.sampled_from(column.words or ("",)),
        Type.TIME: st.builds(time, st.integers(0, 23), st.integers(0, 59), st.integers(0, 59)),
    }
    return kinds[column.type]


@st.composite
def nurseries(draw: st.DrawFn) -> Tables:
    """The example nursery with everything else in it drawn, and some crops and trays more."""
    tables = examples()
    for sheet in SHEETS:
        for row in tables[sheet.name]:
            for column in _free(sheet):
                row[column.heading] = draw(_value(column))
    trays, weeks = st.integers(1, 2000), st.integers(1, 52)
    for name, cells in draw(st.dictionaries(_WORDS, trays, max_size=4)).items():
        tables["Tray formats"].append({"Name": name, "Cells": cells})
    names = st.tuples(_WORDS, st.one_of(st.just(""), _WORDS))
    for botanical, cultivar in sorted(draw(st.sets(names, max_size=4))):
        if f"{botanical} '{cultivar}'" not in ("Caltha palustris ''", "104 ''"):
            tables["Crops"].append({"Botanical name": botanical, "Cultivar": cultivar})
            crop = f"{botanical} '{cultivar}'" if cultivar else botanical
            week = f"2027-W{draw(weeks):02d}"
            tables["Demand"].append(
                {"Crop": crop, "Week": week, "Kind": "planting out", "Plugs": draw(trays)}
            )
    first = datetime(2027, 2, 20, tzinfo=UTC)
    moments = st.datetimes(datetime(2026, 1, 1), datetime(2027, 2, 28), timezones=st.just(UTC))
    tables["Orders"][0]["Placed at"] = draw(moments)
    tables["Batches"][0]["Counted at"] = draw(
        st.datetimes(first.replace(tzinfo=None), datetime(2027, 2, 28), timezones=st.just(UTC))
    )
    tables["Stand apart"][0]["Group"] = tables["Crops"][0]["Group"]
    tables["Tray formats"] = [row for row in tables["Tray formats"] if row["Name"] != "104"] + [
        {"Name": "104", "Cells": 104, "Cost": 60}
    ]
    return tables


def _picture(db: Database) -> dict[str, dict[Any, list[str]]]:
    """Everything in the database as text, numbers to twelve digits as spreadsheets keep them."""
    with db.reading() as session:
        picture = Picture(session)
        return {
            sheet.name: {
                key: [canonical(sheet, h, row.values[h]) for h in sheet.headings]
                for key, row in picture.rows(sheet).items()
            }
            for sheet in SHEETS
        }


def _fresh(migrated: Path, folder: Path, name: str, tables: Tables) -> Database:
    shutil.copy(migrated, folder / f"{name}.sqlite")
    db = open_database(str(folder / f"{name}.sqlite"))
    opened(db, folder / "first.xlsx", date(2027, 3, 1), tables)
    return db


@settings(
    deadline=None,
    max_examples=8,
    phases=[Phase.explicit, Phase.reuse, Phase.generate],
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)
@given(tables=nurseries(), suffix=st.sampled_from([".xlsx", ""]))
def test_every_nursery_comes_back_from_a_workbook_as_it_went_in(
    _migrated: Path, tables: Tables, suffix: str
) -> None:
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        one, two = (_fresh(_migrated, folder, name, tables) for name in ("one", "two"))
        try:
            write_workbook(folder / f"in{suffix}", tables)
            report = load(one, folder / f"in{suffix}")
            assert report.taken, report.lines()
            again = load(one, folder / f"in{suffix}")
            assert (again.taken, again.new, again.changed) == (True, 0, 0), again.counts
            export(one, folder / f"out{suffix}")
            back = load(one, folder / f"out{suffix}")
            assert (back.taken, back.new, back.changed) == (True, 0, 0), back.counts
            elsewhere = load(two, folder / f"out{suffix}")
            assert elsewhere.taken, elsewhere.lines()
            assert _picture(two) == _picture(one)
            export(two, folder / f"two{suffix}")
            first, second = (read_book(folder / f"{name}{suffix}") for name in ("out", "two"))
            for sheet in SHEETS:
                assert first.sheets[sheet.name].rows == second.sheets[sheet.name].rows
        finally:
            one.close()
            two.close()


_ODD = st.sampled_from(
    ["", " ", "-1", "0", "1e400", "nan", "2027-W53", "2027-02-30", "1850-01-01", "12:00", "yes",
     "B", "x" * 300, "Calta palustris", "B2701", "none", "15 %", "1,500", "=1+1", "0000000", "ZZ",
     "\x07", "2149-12-31 23:59+14:00", "1000000000", "'", "ready", "unknown", "#REF!"]
)  # fmt: skip


@settings(
    deadline=None,
    max_examples=20,
    phases=[Phase.explicit, Phase.reuse, Phase.generate],
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)
@given(data=st.data(), good_rows=st.booleans())
def test_a_workbook_with_odd_cells_is_taken_or_leaves_the_database_as_it_was(
    _migrated: Path, data: st.DataObject, good_rows: bool
) -> None:
    tables = examples()
    for _ in range(data.draw(st.integers(1, 4))):
        sheet = data.draw(st.sampled_from([one for one in SHEETS if tables[one.name]]))
        row = data.draw(st.sampled_from(tables[sheet.name]))
        row[data.draw(st.sampled_from(sheet.headings))] = data.draw(_ODD)
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        db = _fresh(_migrated, folder, "odd", examples())
        try:
            write_workbook(folder / "sheets", tables)
            before = dump(db)
            report = load(db, folder / "sheets", good_rows=good_rows)
            assert report.taken or report.faults
            if not report.taken:
                assert dump(db) == before
            else:
                after = dump(db)
                assert load(db, folder / "sheets", good_rows=good_rows).changed == 0
                assert dump(db) == after
        finally:
            db.close()
