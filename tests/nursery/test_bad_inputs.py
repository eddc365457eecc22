"""The ten bad inputs that a nursery's paperwork brings, and the right reaction to each.

The list is the trade's own (common practice, no source): refuse, show, suggest, never guess.
"""

from datetime import date, datetime
from pathlib import Path

import pytest
from sqlmodel import Session, select

from nursery.batch import Batch, Quarantine
from nursery.crop import Crop
from nursery.database import Database
from nursery.order import CustomerOrder
from nursery.shed.ledger import held
from nursery.stock import Movement
from nursery.workbook import Report, RowFault
from tests.nursery.small_workbook import FIRST_ROW, Tables, dump, load_tables, opened


@pytest.fixture
def tables(db: Database, tmp_path: Path) -> Tables:
    """A database whose clock stands at 2027-03-01, and a faultless workbook for it."""
    return opened(db, tmp_path / "first.xlsx")


def only_fault(report: Report) -> RowFault:
    assert not report.taken
    assert len(report.faults) == 1, report.lines()
    return report.faults[0]


def batch(session: Session) -> Batch:
    return session.exec(select(Batch)).one()


def test_trays_entered_as_plugs_are_refused_with_both_readings(
    db: Database, tmp_path: Path, tables: Tables
) -> None:
    tables["Batches"][0] |= {"Trays": 1150, "Counted plugs": 1150, "Bench": None}
    tables["Lots"] = []
    fault = only_fault(load_tables(db, tmp_path / "n.xlsx", tables))
    assert (fault.sheet, fault.row, fault.column) == ("Batches", FIRST_ROW, "Trays")
    assert "1150 trays of 104 cells hold 119600 plugs" in fault.rule
    assert "read as plugs, 1150 would be 12 trays" in fault.rule


def test_trays_entered_as_plugs_without_a_count_do_not_fit_their_bench(
    db: Database, tmp_path: Path, tables: Tables
) -> None:
    tables["Batches"][0] |= {"Trays": 1150, "Counted plugs": None, "Counted at": None}
    tables["Lots"] = []
    fault = only_fault(load_tables(db, tmp_path / "n.xlsx", tables))
    assert "has 40 places, 1150 would be taken" in fault.rule
    assert "read as plugs, 1150 would be 12 trays" in fault.rule


def test_week_53_of_a_year_without_one_is_refused_with_a_suggestion(
    db: Database, tmp_path: Path, tables: Tables
) -> None:
    # 2026 has 53 ISO weeks, 2027 has 52 (ISO 8601: 2027-01-03 is 2026-W53-7).
    tables["Demand"] = [
        {"Crop": "Caltha palustris", "Week": week, "Kind": "expected sales", "Plugs": 10}
        for week in ("2026-W53", "2027-W53")
    ]
    fault = only_fault(load_tables(db, tmp_path / "n.xlsx", tables))
    assert (fault.sheet, fault.row, fault.value) == ("Demand", FIRST_ROW + 1, "2027-W53")
    assert fault.next == "did you mean 2027-W52 or 2028-W01?"


def test_a_negative_or_over_capacity_count_is_refused_and_the_last_good_one_stays(
    db: Database, tmp_path: Path, tables: Tables
) -> None:
    assert load_tables(db, tmp_path / "n.xlsx", tables).taken
    for plugs, rule in ((-5, ">= 0"), (5000, "5000 plugs and 100 in lots are more than 12 trays")):
        later = datetime(2027, 3, 1, 9, 0)
        tables["Batches"][0] |= {"Counted plugs": plugs, "Counted at": later}
        fault = only_fault(load_tables(db, tmp_path / "n.xlsx", tables))
        assert (fault.sheet, fault.column) == ("Batches", "Counted plugs")
        assert rule in fault.rule
    with db.reading() as session:
        assert held(session, batch(session)) == 1100


def test_a_loss_of_15_for_fifteen_per_cent_is_refused_and_the_unit_is_asked_for(
    db: Database, tmp_path: Path, tables: Tables
) -> None:
    tables["Site"][0]["Allowance"] = 15
    fault = only_fault(load_tables(db, tmp_path / "n.xlsx", tables))
    assert (fault.column, fault.value) == ("Allowance", "15")
    assert fault.next == "is 15 per cent meant? then write 0.15 or 15 %"


def test_degrees_fahrenheit_are_refused_as_a_series_and_nothing_is_converted(
    db: Database, tmp_path: Path, tables: Tables
) -> None:
    for row in tables["Normals"]:
        row["Minimum"] = float(str(row["Minimum"])) * 1.8 + 32
        row["Maximum"] = float(str(row["Maximum"])) * 1.8 + 32
    fault = only_fault(load_tables(db, tmp_path / "n.xlsx", tables))
    assert (fault.sheet, fault.column) == ("Normals", "Maximum")
    assert "looks like °F in 10 of 12 rows of station 'Home'" in fault.rule


def test_a_stale_forecast_is_said_to_be_unusable_so_that_a_person_decides(
    db: Database, tmp_path: Path, tables: Tables
) -> None:
    tables["Forecasts"][0]["Issued at"] = datetime(2027, 2, 27, 6, 0)
    report = load_tables(db, tmp_path / "n.xlsx", tables)
    assert report.taken
    assert any("not used, a person decides" in note for note in report.notes)


def test_the_same_order_or_import_twice_changes_nothing_and_says_so(
    db: Database, tmp_path: Path, tables: Tables
) -> None:
    tables["Orders"].append(dict(tables["Orders"][0]))
    first = load_tables(db, tmp_path / "n.xlsx", tables)
    assert first.taken
    assert f"Orders, row {FIRST_ROW + 1}: the same as row {FIRST_ROW}; read once." in first.notes
    before = dump(db)
    again = load_tables(db, tmp_path / "n.xlsx", tables)
    assert again.taken and (again.new, again.changed) == (0, 0)
    assert again.summary() == (
        f"Nothing to change: all {again.unchanged} rows were in the database already."
    )
    assert dump(db) == before
    with db.reading() as session:
        assert len(session.exec(select(CustomerOrder)).all()) == 1


def test_a_misspelt_crop_or_batch_gets_candidates_and_is_never_guessed(
    db: Database, tmp_path: Path, tables: Tables
) -> None:
    tables["Crops"].append({"Botanical name": "Primula rosea", "Cultivar": "Gigas"})
    tables["Demand"][0]["Crop"] = "Primula rosea 'Gygas'"
    tables["Lots"][0]["Batch"] = "B2710"
    report = load_tables(db, tmp_path / "n.xlsx", tables)
    assert not report.taken
    lot, demand = report.faults
    assert demand.value == "Primula rosea 'Gygas'"
    assert demand.next == """did you mean "Primula rosea 'Gigas'"?"""
    assert lot.next == "did you mean 'B2701'?"
    with db.reading() as session:
        assert session.exec(select(Crop)).all() == []


def test_ready_before_start_and_a_skipped_stage_are_refused_with_their_dates(
    db: Database, tmp_path: Path, tables: Tables
) -> None:
    stage = tables["Stages"][0]
    tables["Stages"] = [
        {**stage, "Position": 1},
        {**stage, "Position": 2, "Kind": "grow on", "Area kind": "growing house"},
        {**stage, "Position": 3, "Kind": "harden off", "Area kind": "hardening frame"},
    ]
    row = tables["Batches"][0]
    row["Ready on"] = date(2027, 2, 1)
    fault = only_fault(load_tables(db, tmp_path / "n.xlsx", tables))
    assert fault.rule == "ready before it was started: Started on is 2027-02-15"
    assert fault.value == "2027-02-01"
    row["Ready on"] = None
    assert load_tables(db, tmp_path / "n.xlsx", tables).taken
    row |= {"Stage": 3, "Stage entered on": date(2027, 2, 28)}
    fault = only_fault(load_tables(db, tmp_path / "n.xlsx", tables))
    assert fault.column == "Stage"
    assert "stage 2 is skipped: in stage 1 since 2027-02-15, in 3 from 2027-02-28" in fault.rule


@pytest.mark.parametrize(
    ("sheet", "heading", "value", "rule"),
    [
        ("Orders", "Postcode", None, "must not be blank"),
        ("Orders", "Country", "DE", "no zone has a prefix for DE 1011AB: no quote can be given"),
        ("Zones", "Holiday region", "ZZ", "no holiday calendar for that region"),
    ],
)
def test_a_missing_postcode_zone_or_holiday_calendar_is_refused_with_the_reason(
    db: Database, tmp_path: Path, tables: Tables, sheet: str, heading: str, value: str, rule: str
) -> None:
    tables[sheet][0][heading] = value
    fault = only_fault(load_tables(db, tmp_path / "n.xlsx", tables))
    assert fault.sheet == sheet
    assert rule in fault.rule


def test_a_batch_in_two_places_is_refused_and_blocked_where_it_is_known(
    db: Database, tmp_path: Path, tables: Tables
) -> None:
    tables["Benches"].append({"Area": "Mist house", "Name": "Mist house 2", "Places": 40})
    assert load_tables(db, tmp_path / "n.xlsx", tables).taken
    tables["Batches"].append({**tables["Batches"][0], "Bench": "Mist house 2"})
    fault = only_fault(load_tables(db, tmp_path / "n.xlsx", tables))
    assert "'B2701' stands in two places: 'Mist house 1' in row 4, 'Mist house 2'" in fault.rule
    report = load_tables(db, tmp_path / "n.xlsx", tables, good_rows=True)
    assert report.taken
    with db.reading() as session:
        assert batch(session).quarantine is Quarantine.UNKNOWN


def test_a_blank_quarantine_is_not_clear_the_batch_is_blocked_and_that_is_said(
    db: Database, tmp_path: Path, tables: Tables
) -> None:
    tables["Batches"][0]["Quarantine"] = None
    report = load_tables(db, tmp_path / "n.xlsx", tables)
    assert report.taken
    assert any("it is blocked until somebody writes 'clear'" in note for note in report.notes)
    with db.reading() as session:
        assert batch(session).quarantine is Quarantine.UNKNOWN
        assert session.exec(select(Movement)).all() != []
