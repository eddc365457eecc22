"""A workbook is taken whole or not at all, and what changed since its export is never overrun."""

import shutil
from datetime import date, datetime
from pathlib import Path

import pytest
from openpyxl import load_workbook
from sqlalchemy import text
from sqlmodel import SQLModel, select

from nursery.batch import Batch, Count
from nursery.bench_slot import StandApart
from nursery.crop import Crop, Stage
from nursery.database import Database, migrate, open_database
from nursery.growing_area import Bench, GrowingArea, Site
from nursery.order import CustomerOrder, Product, Promise, State
from nursery.planning.bench_problem import bench_book
from nursery.shed.ledger import held, move
from nursery.stock import Lot, Moved, Movement, Pool
from nursery.workbook import SHEETS, export, load, write_template, write_workbook
from nursery.workbook.reading import read_book
from tests.nursery.small_workbook import FIRST_ROW, Tables, dump, load_tables, opened


@pytest.fixture
def tables(db: Database, tmp_path: Path) -> Tables:
    """A database whose clock stands at 2027-03-01, and a faultless workbook for it."""
    return opened(db, tmp_path / "first.xlsx")


def test_an_empty_template_holds_nothing_to_load(db: Database, tmp_path: Path) -> None:
    for name in ("n.xlsx", "folder"):
        write_template(tmp_path / name)
        before = dump(db)
        report = load(db, tmp_path / name)
        assert report.taken and report.new == 0 and not report.faults
        assert dump(db) == before


def test_the_template_names_units_and_allowed_values_and_offers_them_in_a_list(
    tmp_path: Path,
) -> None:
    write_template(tmp_path / "n.xlsx")
    book = load_workbook(tmp_path / "n.xlsx")
    assert book.sheetnames == ["Legend", *(sheet.name for sheet in SHEETS)]
    page = book["Stages"]
    assert [cell.value for cell in page["A"]][:4] == ["Row", "units", "allowed", "example"]
    places = {cell.value: cell.column_letter for cell in page[1]}
    assert page[f"{places['Base']}2"].value == "°C"
    assert "needed" in page[f"{places['Clock']}3"].value
    lists = {str(rule.sqref).split(":")[0][0]: rule.formula1 for rule in
             page.data_validations.dataValidation}  # fmt: skip
    assert lists[places["Clock"]] == '"days,warmth,chill,hardening"'


def test_the_templates_own_examples_make_a_nursery(
    db: Database, tmp_path: Path, tables: Tables
) -> None:
    report = load_tables(db, tmp_path / "n.xlsx", tables)
    assert report.taken, report.lines()
    with db.reading() as session:
        stage = session.exec(select(Stage)).one()
        assert (stage.protocol.crop.name, stage.survival) == ("Caltha palustris", 0.9)
        lot = session.exec(select(Lot)).one()
        assert (lot.plugs, lot.ready_on, lot.pool.crop.name) == (
            100,
            date(2027, 3, 1),
            "Caltha palustris",
        )
        assert session.exec(select(CustomerOrder)).one().zone.name == "Low land"


def test_every_field_that_a_nursery_types_stands_in_its_sheet() -> None:
    elsewhere = {
        ("Site", "clock_shift_seconds"),  # the clock of rehearsals is set, not typed
        ("Lots", "pool_id"),  # by crop and grade
        ("Lots", "plugs"),  # by counts
        ("Orders", "zone_id"),  # by postcode
        ("Past stages", "from_sequence"),  # where the ledger stood, for its own batches
        ("Protocols", "learned_flush"),  # decided on (nursery.growing.learning), never typed
        *(("Stages", f"learned_{what}") for what in ("survival", "overdispersion")),
        *(("Stages", f"learned_{what}") for what in ("minutes", "days")),
    }
    for sheet in SHEETS:
        there = {c.field for c in sheet.columns} | {r.field for r in sheet.references} | {"id"}
        columns = {column.name for column in SQLModel.metadata.tables[
            str(sheet.model.__tablename__)].columns}  # fmt: skip
        assert {(sheet.name, name) for name in columns - there} <= elsewhere


def twelve_faults(tables: Tables) -> None:
    tables["Site"][0]["Allowance"] = 5
    tables["Tray formats"][0]["Cells"] = 0
    tables["Crops"][0]["Life"] = "three"
    tables["Protocols"][0]["Flush"] = "70/20"
    tables["Stages"][0]["Kind"] = "striking"
    tables["Benches"][0]["Area"] = "Mist hose"
    tables["Absences"][0]["Last day"] = date(2027, 5, 1)
    tables["Batches"][0]["Stage entered on"] = date(2027, 1, 1)
    tables["Services"][0]["Collects"] = "11111"
    tables["Transit"][0]["Share"] = 90.0
    tables["Demand"][0]["Week"] = "2027-W60"
    tables["Orders"].append({**tables["Orders"][0], "Postcode": "9999ZZ"})


def test_twelve_different_faults_give_twelve_lines_and_leave_the_database_as_it_was(
    db: Database, tmp_path: Path, tables: Tables
) -> None:
    twelve_faults(tables)
    before = dump(db)
    report = load_tables(db, tmp_path / "n.xlsx", tables)
    assert not report.taken
    places = [(fault.sheet, fault.row, fault.column) for fault in report.faults]
    assert places == [
        ("Site", 4, "Allowance"),
        ("Tray formats", 4, "Cells"),
        ("Crops", 4, "Life"),
        ("Protocols", 4, "Flush"),
        ("Stages", 4, "Kind"),
        ("Benches", 4, "Area"),
        ("Absences", 4, "Last day"),
        ("Batches", 4, "Stage entered on"),
        ("Services", 4, "Collects"),
        ("Transit", 4, "Share"),
        ("Demand", 4, "Week"),
        ("Orders", 5, "Postcode"),
    ]
    assert len(report.lines()) == 13
    assert report.summary() == "Nothing was loaded: 12 faults."
    assert all(fault.rule and fault.next for fault in report.faults)
    assert dump(db) == before


def test_one_mistake_in_a_known_batchs_crop_is_one_line(
    db: Database, tmp_path: Path, tables: Tables
) -> None:
    assert load_tables(db, tmp_path / "n.xlsx", tables).taken
    tables["Batches"][0]["Crop"] = "Caltha palustriss"
    report = load_tables(db, tmp_path / "n.xlsx", tables)
    assert [fault.rule for fault in report.faults] == ["is not in sheet Crops"]


def test_good_rows_are_taken_and_rows_that_depend_on_faulty_ones_are_left_out(
    db: Database, tmp_path: Path, tables: Tables
) -> None:
    tables["Crops"].append({"Botanical name": "Primula rosea", "Life": 0})
    tables["Demand"].append({**tables["Demand"][0], "Crop": "Primula rosea"})
    tables["Products"].append({**tables["Products"][0], "Code": "PR-6", "Crop": "Primula rosea"})
    tables["Order lines"].append({"Order": "S-10001", "Product": "PR-6", "Quantity": 1})
    report = load_tables(db, tmp_path / "n.xlsx", tables, good_rows=True)
    assert report.taken
    said = {(fault.sheet, fault.row): fault.rule for fault in report.faults}
    assert said["Crops", 5] == "must be a whole number and >= 1 and <= 520"
    assert said["Products", 5] == "left out: it needs row 5 of Crops, which is left out"
    # An order is sent whole or not at all: its good line and the order itself stay out as well.
    assert set(said) == {
        ("Crops", 5), ("Demand", 5), ("Products", 5),
        ("Order lines", 5), ("Order lines", 4), ("Orders", 4),
    }  # fmt: skip
    with db.reading() as session:
        assert [crop.name for crop in session.exec(select(Crop)).all()] == ["Caltha palustris"]
        assert session.exec(select(CustomerOrder)).all() == []
        assert len(session.exec(select(Batch)).all()) == 1


def test_a_row_that_changed_since_its_export_is_refused_with_both_values(
    db: Database, tmp_path: Path, tables: Tables
) -> None:
    assert load_tables(db, tmp_path / "n.xlsx", tables).taken
    path = tmp_path / "out.xlsx"
    export(db, path)
    with db.writing() as session:
        session.exec(select(Bench)).one().places = 44
    book = load_workbook(path)
    page = book["Benches"]
    places = {cell.value: cell.column for cell in page[1]}
    page.cell(FIRST_ROW, places["Places"], 50)
    book.save(path)
    before = dump(db)
    report = load(db, path)
    (fault,) = report.faults
    assert (fault.sheet, fault.row, fault.column, fault.value) == ("Benches", 4, "Places", "50")
    assert "Places: file '50', database '44'" in fault.rule
    assert dump(db) == before
    export(db, path)
    book = load_workbook(path)
    book["Benches"].cell(FIRST_ROW, places["Places"], 50)
    book.save(path)
    report = load(db, path)
    assert (report.taken, report.new, report.changed) == (True, 0, 1)


def test_the_mark_of_an_export_is_hidden_from_the_person_who_types(
    db: Database, tmp_path: Path, tables: Tables
) -> None:
    export(db, tmp_path / "out.xlsx")
    page = load_workbook(tmp_path / "out.xlsx")["Stations"]
    last = page[1][-1]
    assert last.value == "As exported"
    assert page.column_dimensions[last.column_letter].hidden


def test_a_count_is_written_as_a_difference_and_never_resets_the_ledger(
    db: Database, tmp_path: Path, tables: Tables
) -> None:
    load_tables(db, tmp_path / "n.xlsx", tables)
    row = tables["Batches"][0]
    row |= {"Counted plugs": 1060, "Counted at": datetime(2027, 3, 1, 9, 30)}
    report = load_tables(db, tmp_path / "n.xlsx", tables)
    assert (report.taken, report.new, report.changed) == (True, 0, 1)
    assert load_tables(db, tmp_path / "n.xlsx", tables).changed == 0
    with db.reading() as session:
        rows = session.exec(
            select(Movement.kind, Movement.plugs).where(Movement.lot_id == None)  # noqa: E711
        ).all()
        assert list(rows) == [(Moved.COUNTED, 1100), (Moved.COUNTED, -40)]
        growing = session.exec(select(Count).where(Count.lot_id == None)).all()  # noqa: E711
        assert [(count.plugs, count.expected) for count in growing] == [(1100, 0), (1060, 1100)]


def test_another_number_at_the_time_of_the_last_count_is_refused(
    db: Database, tmp_path: Path, tables: Tables
) -> None:
    load_tables(db, tmp_path / "n.xlsx", tables)
    tables["Lots"][0]["Counted plugs"] = 90
    (fault,) = load_tables(db, tmp_path / "n.xlsx", tables).faults
    assert (fault.sheet, fault.column) == ("Lots", "Counted plugs")
    assert "the database has 100 plugs at that time" in fault.rule


def test_an_old_export_loaded_after_picks_does_not_bring_the_picked_plugs_back(
    db: Database, tmp_path: Path, tables: Tables
) -> None:
    load_tables(db, tmp_path / "n.xlsx", tables)
    export(db, tmp_path / "out.xlsx")
    with db.writing() as session:
        lot = session.exec(select(Lot)).one()
        move(session, lot.batch, Moved.SOLD_AT_GATE, -30, "Ada", "gate", None, lot)
    report = load(db, tmp_path / "out.xlsx")
    assert report.taken and report.changed == 0
    with db.reading() as session:
        assert session.exec(select(Lot)).one().plugs == 70


def test_a_new_lot_of_a_known_batch_leaves_its_growing_plugs(
    db: Database, tmp_path: Path, tables: Tables
) -> None:
    load_tables(db, tmp_path / "n.xlsx", tables)
    tables["Lots"].append(
        {**tables["Lots"][0], "Grade": "B", "Counted plugs": 200,
         "Counted at": datetime(2027, 3, 1, 9, 30)}
    )  # fmt: skip
    report = load_tables(db, tmp_path / "n.xlsx", tables)
    assert report.taken, report.lines()
    assert load_tables(db, tmp_path / "n.xlsx", tables).new == 0
    with db.reading() as session:
        batch = session.exec(select(Batch)).one()
        assert held(session, batch) == 900
        assert sorted(lot.plugs for lot in session.exec(select(Lot)).all()) == [100, 200]


def test_a_promised_order_is_amended_through_its_promise_not_by_a_workbook(
    db: Database, tmp_path: Path, tables: Tables
) -> None:
    load_tables(db, tmp_path / "n.xlsx", tables)
    with db.writing() as session:
        order = session.exec(select(CustomerOrder)).one()
        promise = Promise(
            order_id=order.id, service_id=1, state=State.CONFIRMED, probability=0.99,
            ship_on=date(2027, 3, 8), first_ship_on=date(2027, 3, 8), pack_on=date(2027, 3, 8),
            arrives_from=date(2027, 3, 9), arrives_until=date(2027, 3, 9),
        )  # fmt: skip
        session.add(promise)
    assert load_tables(db, tmp_path / "n.xlsx", tables).taken
    tables["Orders"][0]["Postcode"] = "1012AB"
    (fault,) = load_tables(db, tmp_path / "n.xlsx", tables).faults
    assert "has a promise for 2027-03-08" in fault.rule
    assert (fault.value, fault.next) == ("1012AB", "amend the promise instead")


def test_a_veto_is_not_signed_off_by_a_workbook(
    db: Database, tmp_path: Path, tables: Tables
) -> None:
    veto = {
        "Batch": "B2701", "Kind": "inspection", "Set at": datetime(2027, 3, 1, 9, 0),
        "Reason": "yellow leaves", "Set by": "Ada", "Lot grade": "A",
        "Lot ready on": date(2027, 3, 1),
    }  # fmt: skip
    tables["Vetoes"] = [veto]
    assert load_tables(db, tmp_path / "n.xlsx", tables).taken
    veto |= {"Signed off by": "Ada", "Signed off at": datetime(2027, 3, 1, 9, 30)}
    (fault,) = load_tables(db, tmp_path / "n.xlsx", tables).faults
    assert fault.rule == "a veto in the database is signed off in person, not by a workbook"


def test_rules_that_only_the_database_keeps_are_faults_of_their_row(
    db: Database, tmp_path: Path, tables: Tables
) -> None:
    # Another program has put a stricter rule into this database than the workbook knows.
    with db.writing() as session:
        session.connection().execute(
            text(
                "CREATE TRIGGER small_benches BEFORE INSERT ON bench WHEN NEW.places > 500 "
                "BEGIN SELECT RAISE(ABORT, 'benches here have at most 500 places'); END"
            )
        )
    area = tables["Areas"][0]
    tables["Areas"].append({**area, "Name": "Field"})
    tables["Benches"].append({"Area": "Field", "Name": "Field 1", "Places": 600})
    before = dump(db)
    report = load_tables(db, tmp_path / "n.xlsx", tables)
    (fault,) = report.faults
    assert (fault.sheet, fault.row) == ("Benches", 5)
    assert "at most 500 places" in fault.rule
    assert dump(db) == before
    report = load_tables(db, tmp_path / "n.xlsx", tables, good_rows=True)
    assert report.taken and [(f.sheet, f.row) for f in report.faults] == [("Benches", 5)]
    with db.reading() as session:
        assert [bench.name for bench in session.exec(select(Bench)).all()] == ["Mist house 1"]
        assert len(session.exec(select(GrowingArea)).all()) == 2


def test_products_and_lots_find_the_pool_of_their_crop_and_grade(
    db: Database, tmp_path: Path, tables: Tables
) -> None:
    tables["Products"].append({**tables["Products"][0], "Code": "CP-B", "Grade": "B"})
    assert load_tables(db, tmp_path / "n.xlsx", tables).taken
    with db.reading() as session:
        assert sorted(pool.grade for pool in session.exec(select(Pool)).all()) == ["A", "B"]
        assert len(session.exec(select(Product)).all()) == 2


@pytest.mark.parametrize("name", ["out.xlsx", "out"])
def test_what_is_exported_loads_into_an_empty_database_and_is_exported_the_same(
    db: Database, tmp_path: Path, tables: Tables, name: str
) -> None:
    tables["Vetoes"] = [
        {"Batch": "B2701", "Kind": "other", "Set at": datetime(2027, 3, 1, 9, 0, 30),
         "Reason": "=1+1 is no formula", "Set by": "Ada"}
    ]  # fmt: skip
    assert load_tables(db, tmp_path / "n.xlsx", tables).taken
    with db.writing() as session:
        lot = session.exec(select(Lot)).one()
        move(session, lot.batch, Moved.DISCARDED, -30, "Ada", "mould", None, lot)
    export(db, tmp_path / name)
    empty = open_database(str(tmp_path / "empty.sqlite"))
    migrate(empty)
    try:
        opened(empty, tmp_path / "first.xlsx", date(2027, 3, 2))
        report = load(empty, tmp_path / name)
        assert report.taken, report.lines()
        export(empty, tmp_path / f"again-{name}")
    finally:
        empty.close()
    one, two = read_book(tmp_path / name), read_book(tmp_path / f"again-{name}")
    for sheet in SHEETS:
        rows = [(row.cells, row.mark) for row in one.sheets[sheet.name].rows]
        assert rows == [(row.cells, row.mark) for row in two.sheets[sheet.name].rows], sheet.name


def test_a_folder_of_csv_files_does_as_well_as_a_workbook(
    db: Database, tmp_path: Path, tables: Tables
) -> None:
    write_workbook(tmp_path / "sheets", tables)
    assert load(db, tmp_path / "sheets").taken
    assert load_tables(db, tmp_path / "n.xlsx", tables).new == 0


def test_a_workbook_without_a_site_cannot_be_the_first(db: Database, tmp_path: Path) -> None:
    write_workbook(tmp_path / "n.xlsx", {"Tray formats": [{"Name": "104", "Cells": 104}]})
    report = load(db, tmp_path / "n.xlsx")
    assert [fault.sheet for fault in report.faults] == ["Site"]
    assert not report.taken


def test_a_renamed_row_is_a_new_row_and_the_report_says_that_the_old_one_stays(
    db: Database, tmp_path: Path, tables: Tables
) -> None:
    load_tables(db, tmp_path / "n.xlsx", tables)
    export(db, tmp_path / "out.xlsx")
    book = load_workbook(tmp_path / "out.xlsx")
    places = {cell.value: cell.column for cell in book["People"][1]}
    book["People"].cell(FIRST_ROW, places["Name"], "Beatrix")
    book["Absences"].delete_rows(FIRST_ROW)
    book.save(tmp_path / "out.xlsx")
    report = load(db, tmp_path / "out.xlsx")
    assert report.taken and report.new == 1
    assert any("was exported as 'Ada'; it is loaded as a new row" in n for n in report.notes)


def test_the_site_in_the_file_decides_in_which_zone_its_times_are_meant(
    db: Database, tmp_path: Path, tables: Tables
) -> None:
    load_tables(db, tmp_path / "n.xlsx", tables)
    with db.reading() as session:
        site = session.get_one(Site, 1)
        placed = session.exec(select(CustomerOrder)).one().placed_at
        assert site.time_zone == "Europe/Amsterdam"
        assert placed.isoformat() == "2027-02-26T13:05:00+00:00"


def test_a_broken_copy_of_a_good_file_never_raises(
    db: Database, tmp_path: Path, tables: Tables
) -> None:
    write_workbook(tmp_path / "n.xlsx", tables)
    whole = (tmp_path / "n.xlsx").read_bytes()
    before = dump(db)
    for share in (0, 1, 2, 5, 9):
        torn = tmp_path / f"torn{share}.xlsx"
        torn.write_bytes(whole[: len(whole) * share // 10])
        (fault,) = load(db, torn).faults
        assert fault.next
    shutil.copy(tmp_path / "n.xlsx", tmp_path / "n.csv")
    for path in ("n.csv", "nowhere.xlsx", "."):
        assert len(load(db, tmp_path / path).faults) >= 1
    assert dump(db) == before


def test_groups_that_stand_apart_come_from_the_workbook_and_must_have_crops(
    db: Database, tmp_path: Path
) -> None:
    tables = opened(db, tmp_path / "site.xlsx")
    tables["Stand apart"] = [{"Group": "marsh", "Places": 6}, {"Group": "fern", "Places": None}]
    report = load_tables(db, tmp_path / "wrong.xlsx", tables)
    assert [(f.sheet, f.column, f.value) for f in report.faults] == [
        ("Stand apart", "Group", "fern")
    ]
    assert report.faults[0].next == "name one of: marsh"
    tables["Stand apart"].pop()
    assert load_tables(db, tmp_path / "right.xlsx", tables).taken
    with db.reading() as session:
        (row,) = session.exec(select(StandApart)).all()
        (apart,) = bench_book(session, 4).problem.apart
    assert (row.plant_group, row.places) == ("marsh", 6)
    assert (apart.crops, apart.distance) == (("Caltha palustris",), 6)


def test_the_limits_of_the_weeks_work_are_the_sites_own(db: Database, tmp_path: Path) -> None:
    tables = opened(db, tmp_path / "site.xlsx")
    wrong = {"Hot day": 25.0, "Two people from": 12, "Heavy from": 0, "Working days": "0000000"}
    tables["Site"][0] |= wrong
    report = load_tables(db, tmp_path / "wrong.xlsx", tables)
    assert [(f.sheet, f.column) for f in report.faults] == [
        ("Site", "Heavy from"),
        ("Site", "Working days"),
    ]
    tables["Site"][0] |= {"Heavy from": 8, "Working days": "0111110"}
    assert load_tables(db, tmp_path / "right.xlsx", tables).taken
    with db.reading() as session:
        here = session.get_one(Site, 1)
    assert (here.hot_day_c, here.two_person_trays, here.heavy_trays) == (25.0, 12, 8)
    assert here.working_days == "0111110"
