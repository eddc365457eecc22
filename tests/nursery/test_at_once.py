"""Two people do the same at the same moment, over two connections: one does it, one is told so."""

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from datetime import date, timedelta
from typing import Any

import pytest
from sqlmodel import Session, col, select, text

from nursery import cli
from nursery.access import Role, Token, make_token
from nursery.batch import Batch
from nursery.bench_slot import StandApart
from nursery.carrier import ClosedAt, Closure, TransitTaken, Zone, ZoneOpening
from nursery.crop import Crop
from nursery.database import Database, is_migrated, migrate, now, open_database
from nursery.day_entry import DayEntry
from nursery.errors import Fault, Refusal, Refused
from nursery.growing.batch_work import start_batch
from nursery.growing_area import Bench
from nursery.planned import PlannedStart
from nursery.planning.bench_map import set_apart
from nursery.pools import pool_of
from nursery.promising.closing import close_day, reopen_days
from nursery.promising.idempotent import once
from nursery.promising.opening import open_zone, shut_zone
from nursery.shed.transit_use import put_back_transit
from nursery.stock import Grade, Lot
from nursery.telling.receivers import add_receiver
from nursery.weather_in.decisions import decide_days, withdraw_decision
from nursery.week import day_book
from nursery.week.as_planned import done
from nursery.week.week_sheet import TaskKind, week_sheet
from nursery.weeks import Week
from tests.at_once import one_after_the_other, until_it_waits
from tests.builders import accepted_plan, crop_named, ready_lot
from tests.postgres import drop_database, new_database
from tests.shop import MONDAY, mild_nursery

FRIDAY = MONDAY + timedelta(days=4)
CALTHA = "Caltha palustris"


@pytest.fixture
def db(either_db: Database) -> Database:
    """The small nursery on both databases."""
    with either_db.writing() as session:
        mild_nursery(session, MONDAY)
        zone = session.exec(select(Zone).where(Zone.name == "Hill land")).one()
        zone.blocked = "no papers yet"
    return either_db


def _refused(db: Database, act: Callable[[Session], Any]) -> str:
    """Does it once, and again at the same moment. Why is the second refused?"""
    _, other = one_after_the_other(db, act, act)
    wrong = other.exception()
    assert isinstance(wrong, Refused), wrong
    return wrong.refusal.code


def _shut(session: Session) -> object:
    return shut_zone(session, "Hill land", "Lea", "withdrawn")


def _open(session: Session) -> int | None:
    return open_zone(session, "Hill land", MONDAY, FRIDAY, "Lea Vos", "certificate 17").id


def test_a_decision_is_withdrawn_once(db: Database) -> None:
    with db.writing() as session:
        row = decide_days(session, False, FRIDAY, FRIDAY, "Lea", "fair")
    assert _refused(db, lambda s: withdraw_decision(s, row.id or 0)) == "no_decision"


def test_a_closure_is_taken_back_once(db: Database) -> None:
    with db.writing() as session:
        close_day(session, ClosedAt.ORIGIN, FRIDAY, FRIDAY, "fair")
    assert _refused(db, lambda s: reopen_days(s, ClosedAt.ORIGIN, FRIDAY)) == "no_closure"
    with db.reading() as session:
        assert session.exec(select(Closure)).all() == []


def test_a_zone_is_opened_once_and_blocked_again_once(db: Database) -> None:
    one, other = one_after_the_other(db, _open, _open)
    assert other.result() == one
    assert _refused(db, _shut) == "not_open"
    with db.reading() as session:
        assert session.exec(select(ZoneOpening)).one().ended_by == "Lea"


def test_learned_transit_is_put_back_once(db: Database) -> None:
    with db.writing() as session:
        zone = session.exec(select(Zone).where(Zone.name == "Low land")).one()
        session.add(
            TransitTaken(
                service_id=1,
                zone_id=zone.id or 0,
                shares=[[1, 1.0]],
                parcels=40,
                on_the_way=0,
                taken_by="Lea",
                reason="a season",
                taken_at=now(session),
            )
        )

    def back(session: Session) -> object:
        return put_back_transit(session, "Van", "Low land", "Bo", "a strike")

    assert _refused(db, back) == "not_in_use"


def test_a_tokens_name_is_given_away_once(db: Database) -> None:
    def make(session: Session) -> str:
        return make_token(session, "web shop", Role.SHOP, now(session))

    _, other = one_after_the_other(db, make, make)
    with pytest.raises(Fault, match="names must be new"):
        other.result()
    with db.reading() as session:
        assert len(session.exec(select(Token)).all()) == 1


def test_a_group_that_stands_apart_is_written_down_once(db: Database) -> None:
    one_after_the_other(db, lambda s: set_apart(s, "marsh", 1), lambda s: set_apart(s, "marsh", 2))[
        1
    ].result()
    with db.reading() as session:
        assert session.exec(select(StandApart)).one().places == 2


def test_a_batch_that_was_moved_meanwhile_is_moved_on_from_where_it_stands(db: Database) -> None:
    batch_id = _started(db)

    def move(session: Session) -> tuple[Any, Any]:
        batch = session.get_one(Batch, batch_id)
        booked = day_book.move(session, batch, "Ada")
        detail: Any = booked.entry.detail
        key = str(batch_id)
        return detail["before"][key]["stage_id"], detail["after"][key]["stage_id"]

    one, other = one_after_the_other(db, move, move)
    two = other.result()
    assert one[1] == two[0]
    assert len({*one, *two}) == 3


def test_plugs_of_a_batch_that_was_closed_meanwhile_go_nowhere(db: Database) -> None:
    batch_id = _started(db)

    def throw_all(session: Session) -> object:
        batch = session.get_one(Batch, batch_id)
        return day_book.discard(session, batch, 208, "Ada", "slugs")

    def move(session: Session) -> object:
        return day_book.move(session, session.get_one(Batch, batch_id), "Bo")

    _, other = one_after_the_other(db, throw_all, move)
    wrong = other.exception()
    assert isinstance(wrong, Refused) and wrong.refusal.code == "batch_closed"


def test_plugs_that_were_held_cold_meanwhile_keep_their_new_last_sale_date(db: Database) -> None:
    with db.writing() as session:
        crop = crop_named(session, CALTHA)
        crop.cold_weeks = 3
        lot = ready_lot(session, crop, 60, MONDAY, MONDAY + timedelta(days=20), "COLD")
        pool_of(session, crop.id or 0, Grade.B)
        lot_id = lot.id

    def hold(session: Session) -> object:
        return day_book.hold_cold(session, session.get_one(Lot, lot_id), 7, 5.0, "Ada")

    def regrade(session: Session) -> date:
        lot = session.get_one(Lot, lot_id)
        return day_book.regrade(session, lot, 5, Grade.B, "Bo", "small").result.last_sale_on

    _, other = one_after_the_other(db, hold, regrade)
    assert other.result() == MONDAY + timedelta(days=27)


def _started(db: Database) -> int:
    with db.writing() as session:
        protocol = crop_named(session, CALTHA).protocols[0]
        batch = day_book.start(session, protocol, 2, "Ada", code="NEW").result
        batch.started_on = batch.stage_entered_on = MONDAY - timedelta(days=22)
        return batch.id or 0


def test_of_one_planned_start_one_batch_is_made(db: Database) -> None:
    with db.writing() as session:
        plan, protocol = accepted_plan(session, MONDAY), crop_named(session, CALTHA).protocols[0]
        row = PlannedStart(
            plan_id=plan.id or 0,
            protocol_id=protocol.id or 0,
            week=str(Week.of(MONDAY)),
            extra_weeks=0,
            trays=2,
        )
        session.add(row)
        session.flush()
        planned_id = row.id

    def begin(session: Session) -> str:
        planned = session.get_one(PlannedStart, planned_id)
        return start_batch(session, planned.protocol, 2, "Ada", planned=planned).code

    assert _refused(db, begin) == "already_started"


def test_two_batches_that_are_started_at_once_have_numbers_of_their_own(db: Database) -> None:
    def begin(session: Session) -> str:
        return start_batch(session, crop_named(session, CALTHA).protocols[0], 2, "Ada").code

    one, other = one_after_the_other(db, begin, begin)
    assert [one, other.result()] == ["2027-W09-01", "2027-W09-02"]


def test_of_two_batches_that_are_moved_onto_one_bench_the_second_sees_the_first(
    db: Database,
) -> None:
    with db.writing() as session:
        session.exec(select(Bench).where(Bench.name == "Long house 1")).one().places = 3
        ids = []
        for name in (CALTHA, "Primula rosea"):
            protocol = crop_named(session, name).protocols[0]
            batch = day_book.start(session, protocol, 2, "Ada", code=name[:3]).result
            batch.started_on = batch.stage_entered_on = MONDAY - timedelta(days=22)
            ids.append(batch.id)

    def onto(key: int | None) -> Callable[[Session], object]:
        def move(session: Session) -> object:
            bench = session.exec(select(Bench).where(Bench.name == "Long house 1")).one()
            return day_book.move(session, session.get_one(Batch, key), "Ada", bench)

        return move

    _, other = one_after_the_other(db, onto(ids[0]), onto(ids[1]))
    wrong = other.exception()
    assert isinstance(wrong, Refused) and wrong.refusal.code == "bench_full"


def _line_to_move(db: Database) -> str:
    with db.reading() as session:
        tasks = week_sheet(session, Week.of(MONDAY)).tasks
    (line,) = [each.key for each in tasks if each.kind is TaskKind.MOVE]
    return line


def test_of_two_who_tick_one_line_of_the_week_sheet_one_is_told_that_it_was_done(
    db: Database,
) -> None:
    _started(db)
    line = _line_to_move(db)
    assert _refused(db, lambda s: done(s, line, "Ada")) == "done_already"
    with db.reading() as session:
        lines = session.exec(select(DayEntry).where(col(DayEntry.line) == line)).all()
        assert len(lines) == 1


def test_a_line_whose_batch_was_moved_by_hand_meanwhile_does_not_move_it_again(
    db: Database,
) -> None:
    batch_id = _started(db)
    line = _line_to_move(db)

    def by_hand(session: Session) -> object:
        return day_book.move(session, session.get_one(Batch, batch_id), "Ada")

    _, other = one_after_the_other(db, by_hand, lambda s: done(s, line, "Bo"))
    wrong = other.exception()
    assert isinstance(wrong, Refused) and wrong.refusal.code == "unknown_line"


def test_receivers_are_added_one_after_the_other(db: Database) -> None:
    """Else what happened after the first was there could be marked as told to nobody."""

    def add(name: str) -> Callable[[Session], str]:
        return lambda session: add_receiver(session, name, "https://shop.example/n", "Lea")

    def late() -> str:
        with db.writing() as session:
            return add("two")(session)

    with ThreadPoolExecutor(1) as thread:
        with db.writing() as session:
            add("one")(session)
            other = thread.submit(late)
            assert until_it_waits(db, session, other)
        assert other.result()


def test_what_another_key_wrote_at_the_same_moment_is_seen_and_refused(db: Database) -> None:
    """The same thing asked twice under two keys: the second is answered as a moment later."""
    with db.writing() as session:
        make_token(session, "the lead", Role.LEAD, now(session))

    def add(session: Session) -> dict[str, str]:
        if session.exec(select(Crop.id).where(Crop.botanical_name == "Iris")).first():
            raise Refused(Refusal("there_already", "There is one", "crop", "look"))
        session.add(Crop(botanical_name="Iris", cultivar="", plant_group="marsh"))
        session.flush()
        return {"done": "yes"}

    with ThreadPoolExecutor(1) as thread:
        with db.writing() as session:
            add(session)
            other = thread.submit(once, db, 1, "k2", {"crop": "Iris"}, add)
            until_it_waits(db, session, other)
        answer: Any = other.result()
    assert answer["refusal"]["code"] == "there_already"


def test_a_command_that_was_outrun_ends_in_a_sentence(
    db: Database, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def twice() -> None:
        with db.writing() as session:
            for _ in range(2):
                session.add(Crop(botanical_name="Iris", cultivar="", plant_group="marsh"))

    monkeypatch.setattr(cli, "app", twice)
    with pytest.raises(SystemExit) as ended:
        cli.main()
    assert ended.value.code == 2
    said = " ".join(capsys.readouterr().err.split())
    assert said.startswith("Not done: somebody else changed the same things")
    assert "type it again" in said


def test_two_who_make_the_tables_at_once_wait_for_each_other(postgres_address: str) -> None:
    empty = open_database(new_database(postgres_address))
    alone = text("SELECT pg_advisory_xact_lock(5302742)")
    with ThreadPoolExecutor(1) as thread:
        with empty.writing() as session:
            session.connection().execute(alone)
            other = thread.submit(migrate, empty)
            assert until_it_waits(empty, session, other)
        other.result()
    assert is_migrated(empty)
    empty.close()
    drop_database(empty.address)
