"""The short form: a first plan from under an hour's typing, with everything assumed said."""

from datetime import date
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from openpyxl import load_workbook
from sqlmodel import select

from nursery.batch import Batch, Quarantine
from nursery.crop import AreaKind, Clock, Crop, Method, Protocol, Stage, StageKind
from nursery.database import Database
from nursery.demand import Demand
from nursery.growing_area import Bench, Person, Site
from nursery.planning.assumptions import (
    PRACTICE,
    SALE_PATTERN,
    assumed_stages,
    assumptions_of,
    spread,
)
from nursery.shed.ledger import held
from nursery.weeks import Week
from nursery.workbook import Report, export, load, write_template, write_workbook
from nursery.workbook.short_sheets import SHORT_SHEETS
from tests.builders import set_clock
from tests.nursery.small_workbook import FIRST_ROW, Tables, dump

METHODS = [method.value for method in Method]


def twenty_crops() -> Tables:
    """An invented nursery as its lead would type it in an hour."""
    return {
        "Site": [
            {"Name": "Low Meadow", "Country": "NL", "Time zone": "Europe/Amsterdam",
             "Hours a week": 76}
        ],
        "Crops": [
            {"Name": f"Caltha palustris 'No {n}'" if n else "Caltha palustris",
             "Method": METHODS[n % len(METHODS)], "Cells": (104, 72)[n % 2],
             "Weeks to ready": 8 + n, "Wanted": 300 + 70 * n, "First week": "2027-W36"}
            for n in range(20)
        ],
        "Areas": [
            {"Name": "Mist house", "Kind": "propagation house", "Places": 80},
            {"Name": "Long house", "Kind": "growing house", "Places": 240},
            {"Name": "Frames", "Kind": "hardening frame", "Places": 120},
            {"Name": "Sales bench", "Kind": "ready bench", "Places": 90},
        ],
        "Batches": [
            {"Code": "B1", "Crop": "Caltha palustris", "Trays": 10, "Plugs": 900,
             "Started on": date(2027, 2, 22), "Quarantine": "clear"},
            {"Code": "B2", "Crop": "Caltha palustris 'No 1'", "Trays": 4, "Plugs": 250,
             "Started on": date(2026, 10, 5)},
        ],
    }  # fmt: skip


def load_short(db: Database, path: Path, tables: Tables, good_rows: bool = False) -> Report:
    write_workbook(path, tables, sheets=SHORT_SHEETS)
    return load(db, path, good_rows=good_rows)


@pytest.fixture
def loaded(db: Database, tmp_path: Path) -> Tables:
    """The short form is loaded on 1 March 2027, its site having been known before."""
    tables = twenty_crops()
    assert load_short(db, tmp_path / "site.xlsx", {"Site": tables["Site"]}).taken
    with db.writing() as session:
        set_clock(session, date(2027, 3, 1))
    report = load_short(db, tmp_path / "short.xlsx", tables)
    assert report.taken, report.lines()
    return tables


def test_the_short_form_has_four_sheets_of_at_most_six_columns(tmp_path: Path) -> None:
    write_template(tmp_path / "short.xlsx", short=True)
    book = load_workbook(tmp_path / "short.xlsx")
    assert book.sheetnames == ["Legend", "Site", "Crops", "Areas", "Batches"]
    for sheet in SHORT_SHEETS:
        assert len(sheet.columns) <= 6
    typed = sum(
        value is not None
        for rows in twenty_crops().values()
        for row in rows
        for value in row.values()
    )
    assert typed <= 155


def test_an_empty_short_template_is_known_as_such_and_holds_nothing(
    db: Database, tmp_path: Path
) -> None:
    write_template(tmp_path / "short.xlsx", short=True)
    report = load(db, tmp_path / "short.xlsx")
    assert (report.taken, report.new, report.faults) == (True, 0, ())


def test_the_short_form_makes_crops_with_stages_benches_hands_batches_and_demand(
    db: Database, loaded: Tables
) -> None:
    with db.reading() as session:
        assert session.get_one(Site, 1).holiday_region == "NL"
        assert len(session.exec(select(Crop)).all()) == 20
        assert sum(bench.places for bench in session.exec(select(Bench)).all()) == 530
        assert sum(person.minutes_a_week for person in session.exec(select(Person)).all()) == 4560
        for protocol in session.exec(select(Protocol)).all():
            row = next(r for r in loaded["Crops"] if r["Name"] == protocol.crop.name)
            assert protocol.method.value == row["Method"]
            assert sum(s.clock_amount for s in protocol.stages) == 7 * int(
                str(row["Weeks to ready"])
            )
            assert {stage.clock for stage in protocol.stages} == {Clock.DAYS}
            assert protocol.assumed.startswith("short form")
            demand = session.exec(select(Demand).where(Demand.crop_id == protocol.crop_id)).all()
            assert sum(one.plugs for one in demand) == row["Wanted"]
            assert min(one.week for one in demand if one.plugs) == "2027-W36"


def test_batches_of_the_short_form_stand_where_their_start_puts_them(
    db: Database, loaded: Tables
) -> None:
    with db.reading() as session:
        young, old = session.exec(select(Batch).order_by(Batch.code)).all()
        assert (young.stage.kind, young.stage_entered_on) == (StageKind.STRIKE, date(2027, 2, 22))
        assert old.stage.kind is StageKind.HARDEN_OFF
        assert (held(session, young), held(session, old)) == (900, 250)
        assert (young.quarantine, old.quarantine) == (Quarantine.CLEAR, Quarantine.UNKNOWN)


def test_loading_the_short_form_twice_even_weeks_later_changes_nothing(
    db: Database, tmp_path: Path, loaded: Tables
) -> None:
    with db.writing() as session:
        set_clock(session, date(2027, 3, 29))
    before = dump(db)
    report = load_short(db, tmp_path / "short.xlsx", loaded)
    assert (report.taken, report.new, report.changed) == (True, 0, 0)
    assert dump(db) == before


def test_what_was_typed_over_in_the_full_form_outlives_the_short_form(
    db: Database, tmp_path: Path, loaded: Tables
) -> None:
    export(db, tmp_path / "full.xlsx")
    book = load_workbook(tmp_path / "full.xlsx")
    page = book["Stages"]
    places = {cell.value: cell.column for cell in page[1]}
    page.cell(FIRST_ROW, places["Survival"], 0.5)
    book.save(tmp_path / "full.xlsx")
    assert load(db, tmp_path / "full.xlsx").changed == 1
    loaded["Crops"][0]["Weeks to ready"] = 16
    report = load_short(db, tmp_path / "short.xlsx", loaded)
    assert report.taken and report.changed == 2  # strike and grow on are longer now
    with db.reading() as session:
        stages = session.exec(select(Stage).where(Stage.protocol_id == 1)).all()
        assert sum(stage.clock_amount for stage in stages) == 112
        assert 0.5 in {stage.survival for stage in session.exec(select(Stage)).all()}


def test_another_number_wanted_replaces_the_seasons_demand(
    db: Database, tmp_path: Path, loaded: Tables
) -> None:
    loaded["Crops"][0] |= {"Wanted": 1000, "First week": "2027-W40"}
    assert load_short(db, tmp_path / "short.xlsx", loaded).taken
    with db.reading() as session:
        crop = session.exec(select(Crop).where(Crop.cultivar == "")).one()
        demand = session.exec(select(Demand).where(Demand.crop_id == crop.id)).all()
        assert {one.week: one.plugs for one in demand if one.plugs} == spread(
            1000, Week.parse("2027-W40")
        )


def test_faults_of_the_short_form_name_the_cell_that_was_typed(
    db: Database, tmp_path: Path, loaded: Tables
) -> None:
    loaded["Crops"][3]["Weeks to ready"] = "ten"
    loaded["Batches"][0]["Crop"] = "Caltha palustis"
    loaded["Batches"][1] |= {"Trays": 250, "Plugs": 250}
    before = dump(db)
    report = load_short(db, tmp_path / "short.xlsx", loaded)
    assert [(f.sheet, f.row, f.column) for f in report.faults] == [
        ("Crops", FIRST_ROW + 3, "Weeks to ready"),
        ("Batches", FIRST_ROW, "Crop"),
        ("Batches", FIRST_ROW + 1, "Trays"),
    ]
    assert report.faults[1].next.startswith("did you mean 'Caltha palustris' or")
    assert dump(db) == before


def test_every_assumption_is_listed_with_its_reason_and_the_crops_it_stands_for(
    db: Database, tmp_path: Path, loaded: Tables
) -> None:
    with db.reading() as session:
        listed = {one.key: one for one in assumptions_of(session)}
    assert listed["seed/survival/strike"].value == "0.8"
    assert "survey" in listed["seed/survival/strike"].why
    assert listed["seed/survival/strike"].crops == (
        "Caltha palustris", "Caltha palustris 'No 14'", "Caltha palustris 'No 7'",
    )  # fmt: skip
    assert listed["sales/pattern"].value == "5/8/12/15/15/13/12/9/7/4"
    assert len(listed["sales/pattern"].crops) == 20
    assert all(one.why and one.affects for one in listed.values())


def test_what_somebody_typed_over_is_no_longer_an_assumption(db: Database, loaded: Tables) -> None:
    with db.writing() as session:
        for stage in session.exec(select(Stage).where(Stage.kind == StageKind.STRIKE)).all():
            stage.survival = 0.66
        session.get_one(Site, 1).starts_per_week = 7
    with db.reading() as session:
        keys = {one.key for one in assumptions_of(session)}
    assert "seed/survival/strike" not in keys
    assert "site/batch starts" not in keys
    assert "seed/flush" in keys


def test_a_nursery_that_typed_everything_rests_on_no_assumptions(db: Database) -> None:
    with db.reading() as session:
        assert assumptions_of(session) == []


@settings(deadline=None, max_examples=80)
@given(st.integers(0, 100_000))
def test_a_seasons_plugs_are_spread_without_losing_or_making_one(wanted: int) -> None:
    weeks = spread(wanted, Week.parse("2026-W50"))
    assert sum(SALE_PATTERN) == 100
    assert sum(weeks.values()) == wanted and min(weeks.values()) >= 0
    # 2026 has 53 ISO weeks: the pattern runs through week 53 into the next year.
    assert list(weeks)[2:5] == ["2026-W52", "2026-W53", "2027-W01"]


@settings(deadline=None, max_examples=120)
@given(
    st.sampled_from(list(Method)),
    st.integers(2, 104),
    st.integers(1, 2000),
    st.sets(st.sampled_from([kind for kind in AreaKind if kind is not AreaKind.NONE])),
)
def test_assumed_stages_fill_the_weeks_to_ready_exactly(
    method: Method, weeks: int, cells: int, areas: set[AreaKind]
) -> None:
    stages = assumed_stages(method, weeks, cells, areas)
    assert sum(stage.days for stage in stages) == 7 * weeks
    assert min(stage.days for stage in stages) >= 0
    assert [stage.kind for stage in stages] == [step.kind for step in PRACTICE[method].steps]
    order = list(StageKind)
    assert sorted(stages, key=lambda stage: order.index(stage.kind)) == list(stages)


def test_a_stage_without_an_area_of_its_kind_stands_in_the_next_best() -> None:
    stages = assumed_stages(Method.SEED, 10, 104, [AreaKind.GROWING])
    assert {stage.area for stage in stages} == {AreaKind.GROWING}
