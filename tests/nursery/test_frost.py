"""Frost nights ahead: which frames are covered, which trays come in, where they go, by when."""

from datetime import date, timedelta

from sqlmodel import Session, select

from nursery.batch import Batch
from nursery.database import Database, now
from nursery.growing.frost import FrostNight, frost_nights, frost_outlook
from nursery.growing_area import Bench, GrowingArea, Site
from nursery.planning.bench_map import bench_map
from nursery.shading import ShadeSetting
from nursery.weather import Forecast
from nursery.week import day_book
from nursery.week.warnings import WarningKind, warnings
from nursery.week.week_sheet import week_sheet
from nursery.weeks import Week
from tests.builders import crop_named, product_of, small_nursery

MONDAY = date(2027, 3, 1)
THURSDAY = date(2027, 3, 4)


def _forecast(session: Session, day: date, low: float) -> None:
    site = session.get_one(Site, 1)
    issued = now(session) - timedelta(hours=2)
    session.add(
        Forecast(
            station_id=site.station_id or 0, day=day, issued_at=issued, min_c=low, max_c=low + 8
        )
    )
    session.flush()


def _batch(session: Session, crop: str, code: str, trays: int, bench: str, position: int) -> Batch:
    protocol = crop_named(session, crop).protocols[0]
    batch = day_book.start(session, protocol, trays, "Ada", code=code).result
    batch.stage_id = protocol.stages[position - 1].id or 0
    batch.stage_entered_on = batch.started_on = MONDAY - timedelta(days=2)
    batch.bench_id = session.exec(select(Bench).where(Bench.name == bench)).one().id
    session.flush()
    session.refresh(batch)
    return batch


def _nursery(session: Session, low: float, cover_c: float = 2.0) -> list[FrostNight]:
    """Frames feel 12 + 0.6 x (air - 12): 0 °C at -8 °C outside. Both houses feel the same air, so
    the long house gets a heated floor of 4 °C."""
    small_nursery(session)
    _forecast(session, MONDAY, 3)
    _forecast(session, THURSDAY, low)
    area = {one.name: one for one in session.exec(select(GrowingArea)).all()}
    area["Long house"].floor_c = 4.0
    session.add(ShadeSetting(area_id=area["Frames"].id or 0, cover_c=cover_c))
    _batch(session, "Caltha palustris", "C1", 30, "Frames 1", 3)
    _batch(session, "Primula rosea", "P1", 20, "Frames 1", 3)
    product_of(session, crop_named(session, "Primula rosea")).frost_limit_c = -1.0
    _batch(session, "Caltha palustris", "C2", 80, "Long house 1", 2)
    session.flush()
    return frost_nights(session, MONDAY)


def test_a_light_frost_is_kept_off_by_a_cover(db: Database) -> None:
    with db.writing() as session:
        (night,) = _nursery(session, -10.0)
    assert (night.area, night.day, night.latest) == ("Frames", THURSDAY, date(2027, 3, 3))
    assert (night.felt_c, night.covered_c, night.bring_in) == (-1.2, 0.8, False)
    assert night.what_to_do == "cover 50 trays" and night.moves == ()
    assert night.minutes == 20


def test_in_a_hard_frost_the_tenderest_come_in_first_onto_free_places_that_stay_warm(
    db: Database,
) -> None:
    """120 places in the long house, 80 of them taken: the 20 trays of primula find room there, and
    20 of the 30 of caltha; the mist house freezes as the frames do."""
    with db.writing() as session:
        (night,) = _nursery(session, -14.0)
    assert (night.felt_c, night.bring_in, night.persons) == (-3.6, True, 2)
    moves = [(move.batch, move.trays, move.go_to) for move in night.moves]
    assert [move.on for move in night.moves] == ["places 81-100", "places 101-120", ""]
    assert moves == [("P1", 20, "Long house 1"), ("C1", 20, "Long house 1"), ("C1", 10, "")]
    assert night.what_to_do == "bring in 50 trays; 10 find no place, cover them doubly"
    assert night.minutes == 100


def test_the_warning_names_batches_places_and_the_latest_evening_and_the_sheet_has_the_minutes(
    db: Database,
) -> None:
    with db.writing() as session:
        _nursery(session, -14.0)
        (warning,) = [one for one in warnings(session) if one.kind is WarningKind.FROST]
        rounds = week_sheet(session, Week.of(MONDAY)).rounds
    assert "50 trays of P1, C1 will feel -3.6 °C in the night to Thu 04 Mar" in warning.text
    said = "20 of P1 to Long house 1, places 81-100; 20 of C1 to Long house 1, places 101-120"
    assert said in warning.what_to_do
    assert "before dark on Wed 03 Mar" in warning.what_to_do
    assert "local rules" in warning.what_to_do
    assert warning.latest_day == date(2027, 3, 3)
    (line,) = [one for one in rounds if one.name.startswith("bring in 50 trays")]
    assert (line.day, line.persons, line.minutes) == (date(2027, 3, 3), 2, 50)


def test_a_mild_forecast_names_no_night_and_without_one_a_person_decides(db: Database) -> None:
    with db.writing() as session:
        assert _nursery(session, -7.0) == []
        assert frost_outlook(session, MONDAY).forecast_until == THURSDAY
        assert frost_outlook(session, MONDAY).free == 40 + 120 - 80
        for row in session.exec(select(Forecast)).all():
            session.delete(row)
        session.flush()
        assert frost_nights(session, MONDAY) == []
        assert frost_outlook(session, MONDAY).forecast_until is None


def test_a_bench_out_of_use_takes_no_trays_in(db: Database) -> None:
    with db.writing() as session:
        _nursery(session, -14.0)
        bench = session.exec(select(Bench).where(Bench.name == "Long house 1")).one()
        bench.out_from = MONDAY
        session.flush()
        (night,) = frost_nights(session, MONDAY)
    assert {move.go_to for move in night.moves} == {""}


def test_places_that_a_start_of_that_week_takes_are_not_named_for_trays_from_the_frames(
    db: Database,
) -> None:
    """80 of 120 places of the long house are taken; so many trays of a mist house stage that ends
    on Wednesday move in then, the day before the night: only what they leave is named."""
    with db.writing() as session:
        _nursery(session, -14.0)
        moves_in = _batch(session, "Caltha palustris", "NEW", 30, "Mist house 1", 1)
        moves_in.stage_entered_on = moves_in.started_on = MONDAY - timedelta(days=60)
        session.flush()
        slots = [
            slot
            for slot in bench_map(session, Week.of(MONDAY)).all_slots
            if slot.what.batch == "NEW" and slot.bench == "Long house 1"
        ]
        assert sum(slot.places for slot in slots) == 30
        assert {slot.enters_on for slot in slots} == {date(2027, 3, 3)}
        (night,) = frost_nights(session, MONDAY)
    found = [(move.batch, move.trays, move.go_to) for move in night.moves]
    assert found == [("P1", 10, "Long house 1"), ("P1", 10, ""), ("C1", 30, "")]
    assert night.what_to_do == "bring in 50 trays; 40 find no place, cover them doubly"
