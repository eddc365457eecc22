"""What the week sheet asks for, and what becomes of a batch on the benches."""

from datetime import UTC, date, datetime, timedelta

import pytest
from sqlmodel import Session, select

from nursery.batch import Batch, Count, Quarantine
from nursery.crop import Crop, Method, StageKind, TrayFormat
from nursery.database import Database
from nursery.errors import Refused
from nursery.growing.hardening import hardening_off
from nursery.growing_area import Bench
from nursery.mother_plant import MotherBlock, MotherPause, PauseKind
from nursery.planned import PlannedStart
from nursery.shed.ledger import balance, held, move
from nursery.stock import Moved, Movement, Veto, VetoKind
from nursery.weather import Forecast, WeatherDay
from nursery.week.week_sheet import (
    ARRIVES,
    Task,
    TaskKind,
    WeekSheet,
    discard,
    move_batch,
    set_ready,
    start_batch,
    week_sheet,
)
from nursery.weeks import Week
from tests.builders import accepted_plan, crop_named, ready_lot, set_clock, small_nursery

MONDAY = date(2027, 3, 1)
THIS_WEEK = Week.of(MONDAY)
CALTHA = "Caltha palustris"


def growing(session: Session, position: int, entered: date, code: str, plugs: int = 208) -> Batch:
    crop = crop_named(session, CALTHA)
    tray = session.exec(select(TrayFormat).where(TrayFormat.name == "104")).one()
    protocol = crop.protocols[0]
    batch = Batch(
        code=code,
        crop_id=crop.id or 0,
        protocol_id=protocol.id or 0,
        stage_id=protocol.stages[position - 1].id or 0,
        tray_format_id=tray.id or 0,
        trays=2,
        started_on=entered,
        stage_entered_on=entered,
        quarantine=Quarantine.CLEAR,
    )
    session.add(batch)
    session.flush()
    move(session, batch, Moved.COUNTED, plugs, "builder", "started")
    at = datetime.combine(entered, datetime.min.time(), UTC)
    session.add(
        Count(
            batch_id=batch.id or 0,
            counted_at=at,
            recorded_at=at,
            counter="Ada",
            plugs=plugs,
            expected=plugs,
        )
    )
    session.flush()
    return batch


def accepted(session: Session, crop: Crop, week: Week, trays: int) -> PlannedStart:
    """A plan of the lead's, accepted, with one start in this week."""
    plan = accepted_plan(session, MONDAY)
    start = PlannedStart(
        plan_id=plan.id or 0, protocol_id=crop.protocols[0].id or 0, week=str(week), trays=trays
    )
    session.add(start)
    session.flush()
    return start


def only(sheet: WeekSheet, kind: TaskKind) -> Task:
    (task,) = sheet.of(kind)
    return task


def test_the_sheet_of_an_empty_nursery_is_empty(db: Database) -> None:
    with db.writing() as session:
        small_nursery(session)
        sheet = week_sheet(session, THIS_WEEK)
    assert (sheet.plan_version, sheet.tasks, sheet.glut) == (None, (), ())
    assert {one.assumed for one in sheet.rounds} == {"common practice, no source"}


def test_what_the_accepted_plan_starts_is_on_the_sheet_with_its_work(db: Database) -> None:
    with db.writing() as session:
        small_nursery(session)
        start = accepted(session, crop_named(session, CALTHA), THIS_WEEK, 5)
        sheet = week_sheet(session, THIS_WEEK)
        assert week_sheet(session, THIS_WEEK + 1).tasks == ()
    task = only(sheet, TaskKind.START)
    assert (task.trays, task.plugs, task.minutes) == (5, 520, 40 + 5 * 30)
    assert (task.come_from, task.go_to) == ("division", "propagation house")
    assert (task.latest, task.planned_start_id) == (date(2027, 3, 5), start.id)
    assert sheet.plan_version == 1


def test_a_start_leaves_the_sheet_once_it_was_made(db: Database) -> None:
    with db.writing() as session:
        small_nursery(session)
        start = accepted(session, crop_named(session, CALTHA), THIS_WEEK, 5)
        batch = start_batch(session, start.protocol, 5, "Ada", planned=start)
        assert week_sheet(session, THIS_WEEK).of(TaskKind.START) == ()
        assert start.batch_id == batch.id
        with pytest.raises(Refused, match="was made already"):
            start_batch(session, start.protocol, 5, "Ada", planned=start)


def test_a_batch_moves_in_the_week_in_which_its_stage_ends(db: Database) -> None:
    """Struck for 21 days from Monday 15 February: it moves on Monday 8 March."""
    with db.writing() as session:
        small_nursery(session)
        growing(session, 1, date(2027, 2, 15), "G1")
        assert week_sheet(session, THIS_WEEK).of(TaskKind.MOVE) == ()
        task = only(week_sheet(session, THIS_WEEK + 1), TaskKind.MOVE)
    assert (task.batch, task.trays, task.minutes) == ("G1", 2, 12)
    assert (task.come_from, task.go_to) == ("propagation house", "growing house")
    assert task.latest == date(2027, 3, 12)


def test_an_overdue_batch_stays_on_this_weeks_sheet_until_it_has_moved(db: Database) -> None:
    with db.writing() as session:
        small_nursery(session)
        batch = growing(session, 2, date(2026, 9, 1), "LATE")
        task = only(week_sheet(session, THIS_WEEK), TaskKind.HARDEN_OFF)
        assert (task.batch, task.go_to) == ("LATE", "hardening frame")
        move_batch(session, batch, "Ada")
        assert week_sheet(session, THIS_WEEK).of(TaskKind.HARDEN_OFF) == ()


def test_the_last_day_in_a_week_with_a_public_holiday_is_the_last_open_one(db: Database) -> None:
    """New Year's Day 2027 is the Friday of 2026-W53."""
    with db.writing() as session:
        small_nursery(session, at=date(2026, 12, 28))
        week = Week.of(date(2026, 12, 28))
        accepted(session, crop_named(session, CALTHA), week, 2)
        sheet = week_sheet(session, week)
    assert sheet.week == "2026-W53"
    assert only(sheet, TaskKind.START).latest == date(2026, 12, 31)


def test_where_saturdays_are_worked_a_week_is_in_time_until_saturday(db: Database) -> None:
    with db.writing() as session:
        small_nursery(session).working_days = "0111110"
        accepted(session, crop_named(session, CALTHA), THIS_WEEK, 2)
        sheet = week_sheet(session, THIS_WEEK)
    assert only(sheet, TaskKind.START).latest == THIS_WEEK.days()[5]


def test_a_batch_under_a_veto_is_on_the_sheet_and_may_not_be_moved(db: Database) -> None:
    with db.writing() as session:
        small_nursery(session)
        batch = growing(session, 1, date(2027, 2, 1), "HELD")
        session.add(
            Veto(
                batch_id=batch.id or 0,
                kind=VetoKind.INSPECTION,
                reason="inspector called",
                set_by="Lea",
                set_at=datetime(2027, 2, 20, tzinfo=UTC),
            )
        )
        session.flush()
        assert "signed off" in only(week_sheet(session, THIS_WEEK), TaskKind.MOVE).stopped
        with pytest.raises(Refused, match="under a veto") as caught:
            move_batch(session, batch, "Ada")
    assert caught.value.refusal.code == "veto"


def test_a_lot_past_its_last_sale_day_is_discarded_or_potted_on(db: Database) -> None:
    with db.writing() as session:
        small_nursery(session)
        crop = crop_named(session, CALTHA)
        ready_lot(session, crop, 150, date(2027, 2, 8), date(2027, 3, 6), code="ENDS")
        ready_lot(session, crop, 150, date(2027, 2, 8), date(2027, 2, 26), code="PAST")
        ready_lot(session, crop, 150, date(2027, 3, 1), date(2027, 3, 28), code="FRESH")
        tasks = week_sheet(session, THIS_WEEK).of(TaskKind.DISCARD)
    assert [(task.batch, task.latest) for task in tasks] == [
        ("PAST", date(2027, 2, 26)),
        ("ENDS", date(2027, 3, 6)),
    ]
    assert {(task.plugs, task.trays) for task in tasks} == {(150, 2)}


def test_a_full_count_is_due_every_four_weeks(db: Database) -> None:
    with db.writing() as session:
        small_nursery(session)
        growing(session, 2, date(2027, 2, 8), "G1")
        assert week_sheet(session, THIS_WEEK).of(TaskKind.COUNT) == ()
        assert only(week_sheet(session, THIS_WEEK + 1), TaskKind.COUNT).batch == "G1"


def test_tasks_stand_in_the_order_of_their_latest_day(db: Database) -> None:
    with db.writing() as session:
        small_nursery(session)
        crop = crop_named(session, CALTHA)
        accepted(session, crop, THIS_WEEK, 5)
        ready_lot(session, crop, 150, date(2027, 2, 8), date(2027, 3, 2), code="ENDS")
        growing(session, 1, date(2027, 2, 1), "G1")
        sheet = week_sheet(session, THIS_WEEK)
    days = [task.latest for task in sheet.tasks]
    assert days == sorted(days)
    assert sheet.minutes == sum(task.minutes for task in sheet.tasks)


def test_a_batch_starts_with_all_its_cells_filled_and_a_code_of_its_week(db: Database) -> None:
    with db.writing() as session:
        small_nursery(session)
        protocol = crop_named(session, CALTHA).protocols[0]
        bench = session.exec(select(Bench).where(Bench.name == "Mist house 1")).one()
        one = start_batch(session, protocol, 3, "Ada", bench=bench)
        two = start_batch(session, protocol, 4, "Ada", bench=bench)
        assert (one.code, two.code) == ("2027-W09-01", "2027-W09-02")
        assert (balance(session, one), one.quarantine, one.stage.kind) == (
            312,
            Quarantine.CLEAR,
            StageKind.STRIKE,
        )
        with pytest.raises(Refused) as full:
            start_batch(session, protocol, 34, "Ada", bench=bench)
        with pytest.raises(Refused) as taken:
            start_batch(session, protocol, 2, "Ada", code="2027-W09-02")
        frame = session.exec(select(Bench).where(Bench.name == "Frames 1")).one()
        with pytest.raises(Refused) as wrong:
            start_batch(session, protocol, 2, "Ada", bench=frame)
        with pytest.raises(Refused) as none:
            start_batch(session, protocol, 0, "Ada")
    codes = [caught.value.refusal.code for caught in (full, taken, wrong, none)]
    assert codes == ["bench_full", "code_taken", "wrong_area", "no_trays"]
    assert "40 tray places, 7 are taken and 34 are needed" in full.value.refusal.message


def test_bought_in_plants_are_of_unknown_health_until_somebody_says_otherwise(
    db: Database,
) -> None:
    with db.writing() as session:
        small_nursery(session)
        protocol = crop_named(session, CALTHA).protocols[0]
        protocol.method = Method.BOUGHT_IN
        assert start_batch(session, protocol, 2, "Ada").quarantine is Quarantine.UNKNOWN


def test_mother_plants_are_not_cut_beyond_their_quota_nor_in_rest(db: Database) -> None:
    with db.writing() as session:
        small_nursery(session)
        crop = crop_named(session, CALTHA)
        block = MotherBlock(code="M1", crop_id=crop.id or 0, plants=50, propagules_a_week=6.5)
        session.add(block)
        session.flush()
        protocol = crop.protocols[0]
        protocol.mother_block_id = block.id
        start_batch(session, protocol, 2, "Ada")
        with pytest.raises(Refused, match="325 propagules a week: 208 were taken"):
            start_batch(session, protocol, 2, "Ada")
        assert start_batch(session, protocol, 1, "Ada").lineage == "M1"
        block.pauses = [MotherPause(kind=PauseKind.REST, first_week=50, last_week=10)]
        session.flush()
        with pytest.raises(Refused, match="has its rest in 2027-W09") as caught:
            start_batch(session, protocol, 1, "Ada")
    assert caught.value.refusal.code == "mother_plants"


def test_a_batch_moves_only_to_the_next_stage_and_not_beyond_the_last(db: Database) -> None:
    with db.writing() as session:
        small_nursery(session)
        batch = growing(session, 1, date(2027, 2, 1), "G1")
        house = session.exec(select(Bench).where(Bench.name == "Long house 1")).one()
        move_batch(session, batch, "Ada", bench=house)
        assert (batch.stage.kind, batch.bench_id, batch.stage_entered_on) == (
            StageKind.GROW_ON,
            house.id,
            MONDAY,
        )
        with pytest.raises(Refused) as early:
            move_batch(session, batch, "Ada", moved_on=date(2027, 2, 27))
        move_batch(session, batch, "Ada")
        with pytest.raises(Refused) as last:
            move_batch(session, batch, "Ada")
        assert balance(session, batch) == 208
    assert early.value.refusal.code == "bad_date"
    assert last.value.refusal.code == "last_stage"


def test_plugs_moved_into_larger_cells_take_as_many_trays_as_they_fill(db: Database) -> None:
    """208 living plugs fill five trays of 50 cells."""
    with db.writing() as session:
        small_nursery(session)
        large = TrayFormat(name="50", cells=50, places=1)
        session.add(large)
        session.flush()
        batch = growing(session, 1, date(2027, 2, 1), "G1", plugs=208)
        batch.protocol.stages[1].tray_format_id = large.id
        session.flush()
        session.expire(batch.protocol.stages[1])
        move_batch(session, batch, "Ada")
        assert (batch.trays, batch.tray_format_id) == (5, large.id)


def test_plugs_set_aside_as_ready_are_a_lot_for_the_life_of_the_crop(db: Database) -> None:
    with db.writing() as session:
        small_nursery(session)
        batch = growing(session, 3, date(2027, 2, 15), "G1")
        sales = session.exec(select(Bench).where(Bench.name == "Sales bench 1")).one()
        lot = set_ready(session, batch, 140, "Ada", bench=sales)
        assert (lot.plugs, lot.ready_on, lot.last_sale_on) == (140, MONDAY, date(2027, 3, 28))
        assert (held(session, batch), batch.ready_on, batch.bench_id) == (68, MONDAY, sales.id)
        set_clock(session, MONDAY + timedelta(days=7))
        second = set_ready(session, batch, 60, "Ada")
        assert second.ready_on == MONDAY + timedelta(days=7)
        assert batch.ready_on == MONDAY


def test_a_batch_with_nothing_left_is_closed(db: Database) -> None:
    with db.writing() as session:
        small_nursery(session)
        batch = growing(session, 2, date(2027, 2, 15), "G1")
        discard(session, batch, 200, "Ada", "botrytis")
        assert batch.closed_on is None
        row = discard(session, batch, 8, "Ada", "potted", potted_on=True)
        assert (row.kind, row.balance, batch.closed_on) == (Moved.POTTED_ON, 0, MONDAY)
        with pytest.raises(Refused) as none:
            discard(session, batch, 1, "Ada", "again")
        with pytest.raises(Refused) as closed:
            move_batch(session, batch, "Ada")
        kinds = [m.kind for m in session.exec(select(Movement)).all()]
    assert none.value.refusal.code == "not_enough_plugs"
    assert closed.value.refusal.code == "batch_closed"
    assert kinds == [Moved.COUNTED, Moved.DISCARDED, Moved.POTTED_ON]


def test_nights_of_a_fresh_forecast_that_freeze_the_frames_are_named(db: Database) -> None:
    """The frames feel 12 + 0.6 * (air - 12): -10 °C outside is -1.2 °C there, -5 °C is 1.8 °C."""
    with db.writing() as session:
        site = small_nursery(session)
        growing(session, 3, date(2027, 2, 22), "G1")
        for offset, low in ((1, -10.0), (2, -5.0), (3, -10.0)):
            issued = datetime(2027, 3, 1, 5, tzinfo=UTC) - timedelta(days=3 if offset == 3 else 0)
            session.add(
                Forecast(
                    station_id=site.station_id or 0,
                    day=MONDAY + timedelta(days=offset),
                    issued_at=issued,
                    min_c=low,
                    max_c=6.0,
                )
            )
        for back in range(1, 8):
            session.add(
                WeatherDay(
                    station_id=site.station_id or 0,
                    day=MONDAY - timedelta(days=back),
                    min_c=-12.0 if back == 4 else 2.0,
                    max_c=10.0,
                )
            )
        session.flush()
        (row,) = hardening_off(session, MONDAY)
    assert [(night.day, night.felt_min_c) for night in row.cold] == [(date(2027, 3, 2), -1.2)]
    assert (row.done, row.needed, row.observed) == (6, 8, 7)
    assert row.forecast_until == date(2027, 3, 3)
    assert row.ends_on == date(2027, 3, 5)  # 1 and 4 March count; 1.8 °C is under the limit of 2


def test_the_site_says_how_often_and_how_long_batches_are_counted(db: Database) -> None:
    with db.writing() as session:
        site = small_nursery(session)
        growing(session, 2, MONDAY - timedelta(days=10), "G1")
        monthly = week_sheet(session, THIS_WEEK).of(TaskKind.COUNT)
        site.count_every_days, site.count_minutes_a_tray = 7, 4.0
        session.flush()
        (weekly,) = week_sheet(session, THIS_WEEK).of(TaskKind.COUNT)
    assert monthly == ()
    assert (weekly.batch, weekly.minutes) == ("G1", 8)


def test_a_line_says_which_trays_and_how_many_propagules_must_be_at_hand(db: Database) -> None:
    with db.writing() as session:
        small_nursery(session)
        crop = crop_named(session, CALTHA)
        block = MotherBlock(code="M-C", crop_id=crop.id or 0, plants=90, propagules_a_week=4.0)
        larger = TrayFormat(name="54", cells=54)
        session.add_all([block, larger])
        session.flush()
        protocol = crop.protocols[0]
        protocol.mother_block_id, protocol.propagules_per_cell = block.id, 1.5
        protocol.stages[1].tray_format_id = larger.id
        growing(session, 1, MONDAY - timedelta(days=21), "G1")
        accepted(session, crop, THIS_WEEK, 2)
        session.refresh(protocol.stages[1])
        sheet = week_sheet(session, THIS_WEEK)
    (start,), (move_on,) = sheet.of(TaskKind.START), sheet.of(TaskKind.MOVE)
    assert start.note == "fill trays 104, take 312 propagules (division)"
    assert move_on.note == "set over into trays 54"


def test_plants_that_were_ordered_arrive_from_the_supplier_and_are_looked_over(
    db: Database,
) -> None:
    with db.writing() as session:
        small_nursery(session)
        crop = crop_named(session, CALTHA)
        protocol = crop.protocols[0]
        protocol.stages[0].kind = StageKind.ON_ORDER
        protocol.stages[1].kind = StageKind.ISOLATION
        growing(session, 1, MONDAY - timedelta(days=21), "G1")
        accepted(session, crop, THIS_WEEK, 2)
        sheet = week_sheet(session, THIS_WEEK)
    (move_on,), (order,) = sheet.of(TaskKind.MOVE), sheet.of(TaskKind.START)
    assert (move_on.come_from, move_on.note) == ("the supplier", ARRIVES)
    assert (order.come_from, order.note) == ("order from the supplier", "")
