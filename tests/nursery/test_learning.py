"""Learning from the nursery's own records: known truths, the ledger's records, and who decides."""

from datetime import date, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from sqlmodel import Session, col, select
from typer.testing import CliRunner

from nursery.cli import app
from nursery.crop import Stage, StageKind
from nursery.database import Database, now, today
from nursery.errors import Fault
from nursery.growing import fits
from nursery.growing.gap_up import gap_up
from nursery.growing.growth import expected_lots
from nursery.growing.learning import Learned, learned, use, use_book
from nursery.planning.propagation_problem import build_problem
from nursery.records import FlushRecord, LearnedUse, Quantity, StageRecord, TaskRecord
from nursery.shed.ledger import held, record_count
from nursery.stock import Pool
from nursery.week.day_book import Said, start
from nursery.week.day_undo import undo
from nursery.week.week_sheet import discard, move_batch, set_ready, start_batch
from nursery.yields import Survival, safe_plugs
from tests.benchmarks.learning import (
    TRUTHS,
    dwell_held,
    flush_held,
    minutes_held,
    survival_held,
    worth,
)
from tests.benchmarks.service_level import CropSeason, Raised, judged, met
from tests.builders import crop_named, set_clock, small_nursery
from tests.nursery.small_workbook import load_tables

MONDAY = date(2027, 3, 1)
CALTHA = "Caltha palustris"
SLACK = 0.05
"""Some three standard errors of a share of 0.9 among 300."""


@pytest.mark.parametrize(("batches", "nurseries"), [(3, 600), (5, 500), (20, 250)])
def test_intervals_of_survival_and_rho_hold_the_truth_as_often_as_stated(
    batches: int, nurseries: int
) -> None:
    rng = np.random.default_rng(7)
    truths = list(TRUTHS.values())
    held_both = [survival_held(rng, truths[n % len(truths)], batches) for n in range(nurseries)]
    for share in np.mean(held_both, axis=0):
        assert share == pytest.approx(fits.LEVEL, abs=SLACK)


@pytest.mark.parametrize("batches", [3, 5, 20])
def test_intervals_of_dwell_minutes_and_flush_hold_the_truth_as_often_as_stated(
    batches: int,
) -> None:
    rng = np.random.default_rng(8)
    many = range(2000)
    for share in (
        np.mean([dwell_held(rng, 4.0, batches) for _ in many]),
        np.mean([minutes_held(rng, 6.0, batches) for _ in many]),
        np.mean([flush_held(rng, (0.7, 0.3), batches) for _ in many]),
    ):
        assert share == pytest.approx(fits.LEVEL, abs=SLACK)


def test_five_batches_already_plan_better_than_a_book_that_is_wrong() -> None:
    for name in ("lives less", "lives more", "less and more alike"):
        found = worth(name, nurseries=12, seed=3)
        assert found["cost_five"] < found["cost_book"]
        assert found["cheaper_nurseries"] > 0.8
    less = worth("lives less", nurseries=12, seed=3)
    assert less["service_five"] > less["service_book"] + 0.3
    right = worth("book is right", nurseries=12, seed=3)
    assert right["cost_five"] < 1.05 * right["cost_book"]


@given(
    st.lists(st.tuples(st.integers(1, 2000), st.floats(0, 1)), min_size=3, max_size=6),
    st.floats(0.2, 0.98),
)
@settings(deadline=None, max_examples=15)
def test_what_is_used_lies_between_the_book_and_what_the_batches_say(
    batches: list[tuple[int, float]], book: float
) -> None:
    started = [n for n, _ in batches]
    usable = [round(n * share) for n, share in batches]
    mean, rho = fits.survival(usable, started, Survival(book, 0.03))
    assert mean.yours is not None and mean.low is not None and mean.high is not None
    assert rho.low is not None and rho.high is not None
    assert 0 < mean.low <= mean.high < 1 and 0 < rho.low <= rho.high < 1
    beside = fits.days_beside([n % 9 for n in started])
    assert beside.yours is not None and 0 <= beside.used <= beside.yours
    minutes = fits.minutes_a_tray([3.0 * n for n in started], started, 5.0)
    assert 3.0 <= minutes.used <= 5.0 and minutes.yours == pytest.approx(3.0)


def test_without_records_the_book_stands_and_two_batches_give_no_interval() -> None:
    assert fits.days_beside([]).used == 0
    assert fits.minutes_a_tray([], [], 4.0).used == 4.0
    assert [one.used for one in fits.flush([], (0.7, 0.3))] == [0.7, 0.3]
    mean, rho = fits.survival([90, 80], [104, 104], Survival(0.9, 0.03))
    assert (mean.low, mean.high, rho.low, rho.high) == (None,) * 4
    with pytest.raises(Fault, match="at least one tray"):
        fits.minutes_a_tray([5.0], [0], 4.0)


def test_later_flush_weeks_than_the_book_has_are_learned_as_well() -> None:
    found = fits.flush([[60, 20, 20]] * 4, (0.7, 0.3))
    assert [one.book for one in found] == pytest.approx([0.7, 0.3, 0.0])
    # The book weighs as much as four batches: half way between.
    assert [one.used for one in found] == pytest.approx([0.65, 0.25, 0.1])


def strike(session: Session) -> Stage:
    return crop_named(session, CALTHA).protocols[0].stages[0]


def of(values: tuple[Learned, ...], quantity: Quantity, stage: StageKind | str) -> Learned:
    return next(v for v in values if v.quantity is quantity and v.stage == str(stage))


def test_a_batch_that_goes_through_its_stages_leaves_its_records(db: Database) -> None:
    with db.writing() as session:
        small_nursery(session, MONDAY)
        batch = start_batch(session, crop_named(session, CALTHA).protocols[0], 2, "Ada")
        set_clock(session, MONDAY + timedelta(days=24))
        record_count(session, batch, 180, "Ada", now(session))
        move_batch(session, batch, "Ada")
        set_clock(session, MONDAY + timedelta(days=60))
        record_count(session, batch, 170, "Ada", now(session))
        move_batch(session, batch, "Ada")
        set_clock(session, MONDAY + timedelta(days=70))
        set_ready(session, batch, 100, "Ada")
        set_clock(session, MONDAY + timedelta(days=77))
        set_ready(session, batch, 50, "Ada")
        discard(session, batch, held(session, batch), "Ada", "too small")
    with db.reading() as session:
        rows = session.exec(select(StageRecord).order_by(col(StageRecord.id))).all()
        assert [(r.plugs_in, r.plugs_out) for r in rows] == [(208, 180), (180, 170), (170, 150)]
        assert [(r.left_on or r.entered_on) - r.entered_on for r in rows] == [
            timedelta(days=n) for n in (24, 36, 10)
        ]
        flush = session.exec(select(FlushRecord)).all()
        assert [(row.week, row.plugs) for row in flush] == [(0, 100), (1, 50)]
        values = learned(session)
        assert of(values, Quantity.DWELL, StageKind.STRIKE).yours == 24 - 21
        assert of(values, Quantity.SURVIVAL, StageKind.GROW_ON).batches == 1
        weeks = [v.yours for v in values if v.quantity is Quantity.FLUSH]
        assert weeks == pytest.approx([2 / 3, 1 / 3])


def test_a_batch_that_nobody_counted_is_not_taken_to_have_lived(db: Database) -> None:
    with db.writing() as session:
        small_nursery(session, MONDAY)
        protocol = crop_named(session, CALTHA).protocols[0]
        counted = start_batch(session, protocol, 2, "Ada")
        uncounted = start_batch(session, protocol, 2, "Ada")
        set_clock(session, MONDAY + timedelta(days=21))
        record_count(session, counted, 150, "Ada", now(session))
        for batch in (counted, uncounted):
            move_batch(session, batch, "Ada")
    with db.reading() as session:
        found = of(learned(session), Quantity.SURVIVAL, StageKind.STRIKE)
        assert (found.batches, found.yours) == (1, pytest.approx(150 / 208, abs=1e-3))
        assert "1 more left the stage without a count" in found.note


def test_plugs_set_over_from_a_sister_batch_are_neither_births_nor_deaths(db: Database) -> None:
    with db.writing() as session:
        small_nursery(session, MONDAY)
        protocol = crop_named(session, CALTHA).protocols[0]
        first, second = (start_batch(session, protocol, 2, "Ada", lineage="M1") for _ in range(2))
        set_clock(session, MONDAY + timedelta(days=15))
        for batch in (first, second):
            record_count(session, batch, 150, "Ada", now(session))
        gap_up(session, first, "Ada", donor=second, plugs=50)
        for batch in (first, second):
            move_batch(session, batch, "Ada")
        rows = session.exec(
            select(StageRecord).where(StageRecord.stage_id == protocol.stages[0].id)
        )
        assert [(row.plugs_in, row.plugs_out) for row in rows] == [(208, 150), (208, 150)]


def records(session: Session, survived: tuple[int, ...] = (120, 130, 125, 140, 110)) -> None:
    """Five batches of an earlier season that fared worse, took longer and flushed later."""
    stage = strike(session)
    for n, plugs in enumerate(survived):
        entered = MONDAY - timedelta(weeks=20 + n)
        code = f"P{n}"
        session.add(
            StageRecord(
                batch_code=code,
                stage_id=stage.id or 0,
                entered_on=entered,
                left_on=entered + timedelta(days=30 + n % 2),
                plugs_in=208,
                plugs_out=plugs,
            )
        )
        session.add(
            TaskRecord(
                batch_code=code, stage_id=stage.id or 0, done_on=entered, trays=2, minutes=130
            )
        )
        for week, ready in enumerate((60, 40, 20)):
            session.add(
                FlushRecord(batch_code=code, protocol_id=stage.protocol_id, week=week, plugs=ready)
            )
    session.flush()


def test_nothing_learned_is_used_until_the_lead_says_so_and_the_book_can_be_gone_back_to(
    db: Database,
) -> None:
    with db.writing() as session:
        small_nursery(session, MONDAY)
        before, _ = build_problem(session, 20)
        records(session)
        same, notes = build_problem(session, 20)
        assert same == before and not any("Learned" in line for line in notes.sentences)
        values = learned(session)
        rows = use(session, values, "Imke")
        assert {row.quantity for row in rows} == set(Quantity)
        assert {row.used_by for row in rows} == {"Imke"}
    with db.writing() as session:
        after, notes = build_problem(session, 20)
        assert any("Learned values" in s and "Imke" in s for s in notes.sentences)
        old, new = (p.crops[0].protocols[0] for p in (before, after))
        assert sum(new.plugs) < sum(old.plugs)
        assert len(new.plugs) == 3 and len(old.plugs) == 2
        assert set(old.stages[0].dwell) == {3} and set(new.stages[0].dwell) == {4}
        # 130 minutes less 40 a batch for two trays are 45; the book's 30 weighs four of nine.
        assert (old.stages[0].minutes, new.stages[0].minutes) == (30, 38)
        assert strike(session).survival == 0.9
        use_book(session, learned(session), "Imke")
    with db.reading() as session:
        again, notes = build_problem(session, 20)
        assert again == before and not any("Learned" in line for line in notes.sentences)
        assert len(session.exec(select(LearnedUse)).all()) == 10


def test_what_growing_batches_will_give_changes_with_what_is_used(db: Database) -> None:
    with db.writing() as session:
        small_nursery(session, MONDAY)
        crop = crop_named(session, CALTHA)
        start_batch(session, crop.protocols[0], 4, "Ada")
        by_book = expected_lots(session, today(session))
        records(session)
        version = session.exec(select(Pool).where(Pool.crop_id == crop.id)).one().version
        use(session, learned(session), "Imke")
        session.expire_all()
        assert session.exec(select(Pool).where(Pool.crop_id == crop.id)).one().version > version
        by_records = expected_lots(session, today(session))
    assert sum(lot.plugs for lot in by_records) < sum(lot.plugs for lot in by_book)
    assert by_records[0].expected_ready_on > by_book[0].expected_ready_on


def test_a_record_that_says_why_it_is_left_out_is_not_learned_from(db: Database) -> None:
    with db.writing() as session:
        small_nursery(session, MONDAY)
        records(session)
        row = session.exec(select(StageRecord)).first()
        assert row is not None
        row.left_out = "flood"
        session.add(row)
        session.flush()
        assert of(learned(session), Quantity.SURVIVAL, StageKind.STRIKE).batches == 4


def test_minutes_come_from_the_day_book_until_the_entry_is_taken_back(db: Database) -> None:
    with db.writing() as session:
        small_nursery(session, MONDAY)
        protocol = crop_named(session, CALTHA).protocols[0]
        booked = start(session, protocol, 2, "Ada", said=Said(minutes=120))
        found = of(learned(session), Quantity.MINUTES, StageKind.STRIKE)
        assert (found.yours, found.batches) == (40, 1)
        undo(session, booked.entry.id or 0, "Ada", "wrong crop")
        assert learned(session) == ()


def test_a_flush_is_used_with_all_its_weeks_and_by_somebody(db: Database) -> None:
    with db.writing() as session:
        small_nursery(session, MONDAY)
        records(session)
        values = learned(session)
        flush = [v for v in values if v.quantity is Quantity.FLUSH]
        with pytest.raises(Fault, match="all its weeks"):
            use(session, flush[:1], "Imke")
        with pytest.raises(Fault, match="say who"):
            use(session, values, " ")


def test_the_lead_sees_book_yours_and_used_and_decides_at_the_command_line(db: Database) -> None:
    with db.writing() as session:
        small_nursery(session, MONDAY)
    run = CliRunner()
    asked = ["learn", "--database", db.address]
    assert "No records yet" in run.invoke(app, asked).output
    with db.writing() as session:
        records(session)
    shown = run.invoke(app, asked, env={"COLUMNS": "160"}).output
    for word in ("book", "yours", "used", "90% sure", "flush, week 3", "+9.4 d"):
        assert word in shown
    done = run.invoke(app, [*asked, "--use", "--by", "Imke", "--quantity", "survival"])
    assert "2 learned values are used, by Imke" in done.output
    with db.reading() as session:
        stage = strike(session)
        assert stage.learned_survival is not None and stage.learned_minutes is None
        assert stage.used_survival < stage.survival
    run.invoke(app, [*asked, "--book"])
    with db.reading() as session:
        assert strike(session).learned_survival is None
        assert {row.used_by for row in session.exec(select(LearnedUse))} == {"Imke", "lead"}


def test_simulated_seasons_meet_a_safe_quantity_as_often_as_its_service_level_says() -> None:
    survival = Survival(0.8, 0.05)
    safe = safe_plugs(104, 10, survival, 0.9)
    batch = Raised(1040, (survival,), ((0, 1.0),), {0: safe}, fresh=True)
    needed = np.array([safe])
    crop = CropSeason("Caltha palustris", 0.9, 1, 1, np.zeros(1, dtype=np.int64), needed, [batch])
    found = judged(np.random.default_rng(4), crop, 20_000)
    assert found["weeks_met"] == found["fresh_weeks_met"] == pytest.approx(0.9, abs=0.01)


def test_plugs_of_an_earlier_week_help_until_their_life_is_over() -> None:
    made, needed = np.array([[10, 0, 0]]), np.array([3, 4, 5])
    assert met(made, needed, life=3).tolist() == [[3, 4, 3]]
    assert met(made, needed, life=2).tolist() == [[3, 4, 0]]


PAST = {"Batch code": "B2601", "Crop": CALTHA, "Protocol": "division", "Stage": 1}


def test_records_of_earlier_seasons_are_loaded_from_a_workbook_and_learned_from(
    db: Database, tmp_path: Path
) -> None:
    with db.writing() as session:
        small_nursery(session, MONDAY)
    entered = date(2026, 3, 2)
    left = {"Entered on": entered, "Left on": entered + timedelta(days=25)}
    tables = {
        "Past stages": [{**PAST, **left, "Plugs in": 208, "Plugs out": 156}],
        "Past work": [{**PAST, "Done on": entered, "Trays": 2, "Minutes": 120}],
    }
    assert load_tables(db, tmp_path / "past.xlsx", tables).taken
    with db.reading() as session:
        values = learned(session)
        assert of(values, Quantity.SURVIVAL, StageKind.STRIKE).yours == pytest.approx(
            0.75, abs=1e-4
        )
        assert of(values, Quantity.DWELL, StageKind.STRIKE).yours == 4
        assert of(values, Quantity.MINUTES, StageKind.STRIKE).yours == 40


@pytest.mark.parametrize(
    ("plugs", "said"),
    [
        ({"Plugs in": 208, "Plugs out": 209}, "more plugs lived than came in"),
        ({"Plugs out": 100}, "nobody knows how many came in"),
        ({"Left on": date(2026, 3, 1)}, "left before it came"),
    ],
)
def test_a_past_stage_that_cannot_have_been_is_refused_in_plain_words(
    db: Database, tmp_path: Path, plugs: dict[str, Any], said: str
) -> None:
    with db.writing() as session:
        small_nursery(session, MONDAY)
    row = {**PAST, "Entered on": date(2026, 3, 2), **plugs}
    report = load_tables(db, tmp_path / "past.xlsx", {"Past stages": [row]})
    assert not report.taken and any(said in line for line in report.lines())


def test_doubt_between_book_and_batches_is_kept_in_rho_and_said(db: Database) -> None:
    with db.writing() as session:
        small_nursery(session, MONDAY)
        records(session, survived=(120, 121, 122, 123, 124))
        rho = of(learned(session), Quantity.OVERDISPERSION, StageKind.STRIKE)
        survival = of(learned(session), Quantity.SURVIVAL, StageKind.STRIKE)
    assert rho.yours is not None and rho.used > max(rho.book, rho.yours)
    assert "disagree on survival" in rho.note and "disagree" not in survival.note
    assert survival.yours is not None and survival.yours < survival.used < survival.book
