"""What must somebody look at, what can be done, and by when? One warning at a time, by hand."""

from datetime import UTC, date, datetime, timedelta

import pytest
from sqlmodel import Session, select

from nursery.batch import Batch
from nursery.crop import TrayFormat
from nursery.database import Database, now
from nursery.growing_area import Bench, GrowingArea, Site
from nursery.material import Material, MaterialKind, UsedFor
from nursery.mother_plant import MotherBlock
from nursery.order import Promise, PromiseLine, State
from nursery.shed.veto import sign_off_veto
from nursery.stock import Pool, Veto, VetoKind
from nursery.weather import Forecast, MonthNormal
from nursery.week import day_book
from nursery.week.day_undo import undo
from nursery.week.warnings import Urgency, Warning, WarningKind, warnings
from tests.builders import (
    crop_named,
    open_order,
    product_of,
    ready_lot,
    set_clock,
    small_nursery,
)

MONDAY = date(2027, 3, 1)
FRIDAY = date(2027, 3, 5)
CALTHA = "Caltha palustris"


def forecast(session: Session, day: date, low: float, high: float, hours_ago: int = 2) -> None:
    site = session.get_one(Site, 1)
    issued = now(session) - timedelta(hours=hours_ago)
    session.add(
        Forecast(station_id=site.station_id or 0, day=day, issued_at=issued, min_c=low, max_c=high)
    )
    session.flush()


def calm(session: Session) -> None:
    """The small nursery with a mild, fresh forecast: nothing to warn of."""
    small_nursery(session)
    forecast(session, MONDAY, 5, 12)
    forecast(session, MONDAY + timedelta(days=1), 5, 12)


def of(session: Session, kind: WarningKind) -> list[Warning]:
    return [warning for warning in warnings(session) if warning.kind is kind]


def the(session: Session, kind: WarningKind) -> Warning:
    (warning,) = of(session, kind)
    return warning


def batch_in(session: Session, position: int, entered: date, bench: str | None = None) -> Batch:
    crop = crop_named(session, CALTHA)
    batch = day_book.start(session, crop.protocols[0], 2, "Ada", code=f"G{position}").result
    batch.started_on = batch.stage_entered_on = entered
    batch.stage_id = crop.protocols[0].stages[position - 1].id or 0
    if bench is not None:
        batch.bench_id = session.exec(select(Bench).where(Bench.name == bench)).one().id
    session.flush()
    session.refresh(batch)
    return batch


def promised(
    session: Session, reference: str, quantity: int, ship_on: date, state: State = State.CONFIRMED
) -> Promise:
    crop = crop_named(session, CALTHA)
    product = product_of(session, crop)
    pool = session.exec(select(Pool).where(Pool.crop_id == crop.id)).one()
    order = open_order(session, reference, product, quantity)
    made = Promise(
        order_id=order.id or 0,
        service_id=1,
        state=state,
        ship_on=ship_on,
        first_ship_on=ship_on,
        pack_on=ship_on,
        arrives_from=ship_on + timedelta(days=1),
        arrives_until=ship_on + timedelta(days=1),
        probability=0.99,
        lines=[
            PromiseLine(
                product_id=product.id or 0,
                pool_id=pool.id or 0,
                quantity=quantity,
                plugs=6 * quantity,
                picked=0 if state is State.CONFIRMED else 6 * quantity,
            )
        ],
    )
    session.add(made)
    session.flush()
    return made


def test_a_calm_nursery_warns_of_nothing(db: Database) -> None:
    with db.writing() as session:
        calm(session)
        ready_lot(session, crop_named(session, CALTHA), 60, MONDAY, MONDAY + timedelta(days=60))
        assert warnings(session) == ()


def test_frost_in_the_frames_tonight_says_what_to_cover(db: Database) -> None:
    """The frames lie 12 °C deep with a coupling of 0.6: -10 °C outside are felt as -1.2 °C."""
    with db.writing() as session:
        small_nursery(session)
        forecast(session, MONDAY, 5, 12)
        forecast(session, MONDAY + timedelta(days=1), -10, 4)
        assert of(session, WarningKind.FROST) == []  # nothing stands in them
        batch_in(session, 3, MONDAY - timedelta(days=2), "Frames 1")
        warning = the(session, WarningKind.FROST)
    assert warning.thing == "Frames"
    assert "2 trays of G3 will feel -1.2 °C in the night to Tue 02 Mar" in warning.text
    assert (warning.latest_day, warning.urgency) == (MONDAY, Urgency.TODAY)
    assert warning.what_to_do.startswith("cover Frames before dark on Mon 01 Mar; the day does")


def test_heat_in_the_frames_is_felt_as_the_frames_feel_it(db: Database) -> None:
    """12 + 0.6 x (34 - 12) = 25.2 °C; a layer of shade takes two degrees off."""
    with db.writing() as session:
        calm(session)
        forecast(session, MONDAY, 14, 34, hours_ago=1)
        batch_in(session, 3, MONDAY - timedelta(days=2))
        warning = the(session, WarningKind.HEAT)
        assert "will feel 25.2 °C on Mon 01 Mar" in warning.text
        frames = session.exec(select(GrowingArea).where(GrowingArea.name == "Frames")).one()
        frames.shade_layers = 1
        session.flush()
        assert of(session, WarningKind.HEAT) == []


def test_a_stale_forecast_is_none_and_a_person_decides(db: Database) -> None:
    with db.writing() as session:
        small_nursery(session)
        assert the(session, WarningKind.FORECAST).text == "there is no forecast"
        batch_in(session, 3, MONDAY - timedelta(days=2), "Frames 1")
        forecast(session, MONDAY, -20, 0, hours_ago=40)
        warning = the(session, WarningKind.FORECAST)
        assert of(session, WarningKind.FROST) == []
    assert warning.text == "the last forecast is 40 hours old; after 36 it is none"
    assert "a person decides" in warning.what_to_do


def test_a_veto_past_its_earliest_end_wants_a_signature_and_still_holds(db: Database) -> None:
    with db.writing() as session:
        calm(session)
        lot = ready_lot(
            session, crop_named(session, CALTHA), 60, MONDAY, MONDAY + timedelta(days=60), "V1"
        )
        veto = Veto(
            batch_id=lot.batch_id,
            kind=VetoKind.INSPECTION,
            reason="spots",
            set_by="Inspector Li",
            set_at=datetime(2027, 2, 1, tzinfo=UTC),
            earliest_end=date(2027, 2, 20),
        )
        session.add(veto)
        session.flush()
        warning = the(session, WarningKind.VETO)
        assert (warning.thing, warning.urgency) == ("batch V1", Urgency.TODAY)
        assert "it still holds" in warning.text
        assert "authorised person" in warning.what_to_do
        sign_off_veto(session, veto, "Inspector Li", "clear")
        assert of(session, WarningKind.VETO) == []


@pytest.mark.parametrize(("days", "late"), [(28, False), (29, True)])
def test_a_batch_more_than_a_week_behind_its_stage_is_late(
    db: Database, days: int, late: bool
) -> None:
    """Struck for 21 days: a week later it is behind, the day after that it is late."""
    with db.writing() as session:
        calm(session)
        batch_in(session, 1, MONDAY - timedelta(days=days))
        found = of(session, WarningKind.LATE_BATCH)
    assert bool(found) is late
    if late:
        assert "still in 'strike', 8 days after" in found[0].text
        assert "by now 'grow on' is expected" in found[0].text
        assert (found[0].latest_day, found[0].urgency) == (FRIDAY, Urgency.THIS_WEEK)


def test_plugs_without_a_taker_are_told_before_their_last_sale_date(db: Database) -> None:
    with db.writing() as session:
        calm(session)
        crop = crop_named(session, CALTHA)
        ready_lot(session, crop, 100, date(2027, 2, 8), date(2027, 3, 10), "ENDS")
        warning = the(session, WarningKind.LAST_SALE)
        assert warning.thing == "batch ENDS"
        assert "95 plugs of Caltha palustris have no taker" in warning.text  # 5 % allowance
        assert "discount" in warning.what_to_do
        assert warning.latest_day <= date(2027, 3, 10)
        promised(session, "W-1", 15, date(2027, 3, 3))
        assert of(session, WarningKind.LAST_SALE) == []  # fewer than six are left


def test_plugs_past_their_last_sale_date_are_told_today(db: Database) -> None:
    with db.writing() as session:
        calm(session)
        crop = crop_named(session, CALTHA)
        ready_lot(session, crop, 40, date(2027, 1, 8), date(2027, 2, 26), "PAST")
        warning = the(session, WarningKind.LAST_SALE)
    assert "40 plugs stand there past their last sale date Fri 26 Feb" in warning.text
    assert warning.urgency is Urgency.TODAY


def test_a_mother_block_that_is_down_to_its_reserve_is_low(db: Database) -> None:
    with db.writing() as session:
        calm(session)
        crop = crop_named(session, CALTHA)
        block = MotherBlock(
            code="M1", crop_id=crop.id or 0, plants=40, reserve=36, propagules_a_week=2
        )
        session.add(block)
        session.flush()
        warning = the(session, WarningKind.MOTHER)
        assert warning.text == "40 plants are left, 36 of them the reserve: 4 may be cut"
        block.reserve = 35
        session.flush()
        assert of(session, WarningKind.MOTHER) == []
        block.use_until = date(2027, 6, 30)
        session.flush()
        assert "40 young plants are wanted in 2027-W18" in the(session, WarningKind.MOTHER).text


def test_a_count_that_is_overdue_or_far_off_is_asked_for(db: Database) -> None:
    """A full count every 28 days, a week's grace: started 36 days ago it was due 8 days ago."""
    with db.writing() as session:
        calm(session)
        batch = batch_in(session, 2, MONDAY - timedelta(days=36))
        assert "never counted; a full count was due on 2027-02-21" in (
            the(session, WarningKind.COUNT).text
        )
        counted = day_book.count(session, batch, "Ada", 100)
        assert "second time" in the(session, WarningKind.COUNT).what_to_do
        undo(session, counted.entry.id or 0, "Ada", "wrong batch")
        assert "never counted" in the(session, WarningKind.COUNT).text
        day_book.count(session, batch, "Ada", 200)
        assert of(session, WarningKind.COUNT) == []


def test_a_promise_that_lost_its_plugs_is_told_before_its_ship_day(db: Database) -> None:
    with db.writing() as session:
        calm(session)
        lot = ready_lot(
            session, crop_named(session, CALTHA), 60, MONDAY, MONDAY + timedelta(days=60), "P1"
        )
        session.get_one(Site, 1).allowance = 0.0
        promised(session, "R-1", 5, date(2027, 3, 3))
        promised(session, "R-2", 5, date(2027, 3, 4))
        assert of(session, WarningKind.PROMISE) == []
        day_book.count(session, lot.batch, "Ada", 48, lot=lot)
        warning = the(session, WarningKind.PROMISE)
    assert warning.thing == "order R-2"
    assert "12 plugs are missing for its ship day Thu 04 Mar" in warning.text
    assert warning.latest_day == date(2027, 3, 4)


def test_parcels_that_did_not_leave_on_their_day_are_overdue(db: Database) -> None:
    with db.writing() as session:
        calm(session)
        ready_lot(session, crop_named(session, CALTHA), 90, MONDAY, MONDAY + timedelta(days=60))
        promised(session, "O-1", 1, date(2027, 2, 26))
        promised(session, "O-2", 1, date(2027, 2, 26), State.PICKED)
        left = promised(session, "O-3", 1, date(2027, 2, 26), State.NOT_COLLECTED)
        left.repack_by = date(2027, 3, 2)
        promised(session, "O-4", 1, date(2027, 3, 2))
        found = {warning.thing: warning for warning in of(session, WarningKind.PARCEL)}
    assert sorted(found) == ["order O-1", "order O-2", "order O-3"]
    assert "not picked" in found["order O-1"].text
    assert "not handed over" in found["order O-2"].text
    assert found["order O-3"].latest_day == date(2027, 3, 2)


def test_a_material_is_told_two_weeks_before_its_order_day(db: Database) -> None:
    """Ten boxes are there, three of them spare; every parcel takes one."""
    with db.writing() as session:
        calm(session)
        ready_lot(session, crop_named(session, CALTHA), 400, MONDAY, MONDAY + timedelta(days=90))
        boxes = Material(
            name="boxes",
            kind=MaterialKind.BOXES,
            used_for=UsedFor.PARCEL,
            in_stock=10,
            spare=3,
            lead_days=7,
            pack=25,
        )
        free = Material(name="moss", kind=MaterialKind.WRAP, used_for=UsedFor.BUNDLE, amount=0)
        session.add_all([boxes, free])
        session.flush()
        for number in range(8):
            promised(session, f"B-{number}", 1, date(2027, 3, 17))
        warning = the(session, WarningKind.MATERIAL)
        assert (warning.thing, warning.what_to_do) == ("boxes", "order 25 pieces")
        assert warning.latest_day == date(2027, 3, 8)
        boxes.in_stock = 11
        session.flush()
        assert of(session, WarningKind.MATERIAL) == []


def test_the_most_urgent_comes_first(db: Database) -> None:
    with db.writing() as session:
        small_nursery(session)
        crop = crop_named(session, CALTHA)
        ready_lot(session, crop, 40, date(2027, 1, 8), date(2027, 2, 26), "PAST")
        batch_in(session, 1, MONDAY - timedelta(days=60))
        found = warnings(session)
    days = [warning.latest_day for warning in found]
    assert days == sorted(days)
    assert [warning.urgency for warning in found] == [
        Urgency.TODAY,
        Urgency.TODAY,
        Urgency.THIS_WEEK,
        Urgency.THIS_WEEK,
        Urgency.THIS_WEEK,
    ]
    assert min(days) >= MONDAY


def test_a_nursery_without_weather_is_told_so_and_still_warned(db: Database) -> None:
    with db.writing() as session:
        small_nursery(session)
        for normal in session.exec(select(MonthNormal)):
            session.delete(normal)
        session.flush()
        batch_in(session, 2, MONDAY - timedelta(days=60))
        crop = crop_named(session, CALTHA)
        ready_lot(session, crop, 40, date(2027, 1, 8), date(2027, 2, 26), "PAST")
        found = warnings(session)
    kinds = {warning.kind for warning in found}
    assert {WarningKind.DATA, WarningKind.LAST_SALE, WarningKind.COUNT} <= kinds
    told = next(warning for warning in found if warning.kind is WarningKind.DATA)
    assert told.what_to_do
    assert sum(warning.kind is WarningKind.DATA for warning in found) <= 2


def test_the_same_nursery_a_week_later_warns_of_more(db: Database) -> None:
    with db.writing() as session:
        calm(session)
        batch_in(session, 1, MONDAY - timedelta(days=22))
        assert session.exec(select(TrayFormat)).all()
        before = {warning.kind for warning in warnings(session)}
        set_clock(session, MONDAY + timedelta(days=7))
        after = {warning.kind for warning in warnings(session)}
    assert before == set()
    assert after == {WarningKind.LATE_BATCH, WarningKind.FORECAST}
