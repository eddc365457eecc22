"""Several processes at one database want the same plugs: real writers, judged by plain SQL."""

from collections.abc import Iterator
from datetime import date, timedelta

import pytest
from sqlalchemy import text
from sqlmodel import Session, select

from nursery.access import Role, make_token
from nursery.database import Database, now, site
from nursery.order import Promise, State
from nursery.promising.promise import reserve
from tests.builders import crop_named, ready_lot
from tests.flow_judge import oversold
from tests.racers import Job, Racers
from tests.shop import HERE, MONDAY, caltha, mild_nursery

DAYS = [MONDAY + timedelta(days=n) for n in (1, 2, 3, 8)]


@pytest.fixture(scope="module")
def racers() -> Iterator[Racers]:
    """Three writers in processes of their own."""
    with Racers() as ready:
        yield ready


def _promised_plugs(session: Session) -> int:
    """Plugs of all promises that hold, by plain SQL."""
    total = session.connection().execute(
        text(
            "SELECT COALESCE(SUM(line.plugs), 0) FROM promise_line AS line JOIN promise"
            " ON promise.id = line.promise_id WHERE promise.state IN ('reserved', 'confirmed')"
        )
    )
    return int(total.scalar_one())


def test_writers_in_several_processes_never_promise_a_plug_twice(
    either_db: Database, racers: Racers
) -> None:
    """Three writers ask for 6 to 18 plugs at a time until a pool of three lots is sold out."""
    with either_db.writing() as session:
        mild_nursery(session, plugs=0)
        crop = crop_named(session, "Caltha palustris")
        ready_lot(session, crop, 72, MONDAY, DAYS[1])
        ready_lot(session, crop, 84, DAYS[1], DAYS[3])
        ready_lot(session, crop, 60, DAYS[2], DAYS[2])
    jobs: list[list[Job]] = [
        [
            ("reserve", f"S-{who}-{i}", str(1 + (i + who) % 3), DAYS[i % 4].isoformat())
            for i in range(12)
        ]
        for who in range(3)
    ]
    told = racers.race(either_db.address, jobs)
    answers = [answer for each in told for answer in each]
    given = {int(answer) for answer in answers if answer.isdigit()}
    assert set(answers) - {str(each) for each in given} == {"no_plugs"}
    with either_db.reading() as session:
        kept = {promise.id: promise.ship_on for promise in session.exec(select(Promise))}
        assert set(kept) == given
        assert oversold(session) == 0
        assert 144 <= _promised_plugs(session) <= 216
        # One writer alone cannot take all: at least two were given something.
        assert sum(any(answer.isdigit() for answer in each) for each in told) >= 2
        lines = text(
            "SELECT COUNT(*) FROM promise_event WHERE kind = 'reserved' AND promise_id IN"
            " (SELECT id FROM promise)"
        )
        assert session.connection().execute(lines).scalar_one() == len(given)
        versions = text("SELECT SUM(version) FROM ship_day")
        assert session.connection().execute(versions).scalar_one() == len(given)


def test_the_last_plugs_go_to_one_of_those_who_confirm_late_amend_and_reserve_at_once(
    either_db: Database, racers: Racers
) -> None:
    """18 plugs: 6 are held; a lapsed 12, a wish for 12 more and a new order of 12 race for 12."""
    with either_db.writing() as session:
        mild_nursery(session, plugs=18)
        lapsed = reserve(session, "S-1", caltha(2), HERE, DAYS[0], "Van", "shop")
        site(session).clock_shift_seconds += 31 * 60
        session.flush()
        held = reserve(session, "S-2", caltha(1), HERE, DAYS[0], "Van", "shop")
        late_id, held_id = str(lapsed.id), str(held.id)
    told = racers.race(
        either_db.address,
        [
            [("confirm", late_id)],
            [("amend", held_id, "3")],
            [("reserve", "S-3", "2", DAYS[0].isoformat())],
        ],
    )
    answers = [answer for (answer,) in told]
    assert sum(answer.isdigit() for answer in answers) == 1
    assert {answer for answer in answers if not answer.isdigit()} <= {"lapsed", "no_plugs"}
    with either_db.reading() as session:
        assert oversold(session) == 0
        assert session.get(Promise, int(held_id)) is not None


def test_a_request_sent_twice_at_the_same_moment_is_answered_once(
    either_db: Database, racers: Racers
) -> None:
    with either_db.writing() as session:
        mild_nursery(session)
        make_token(session, "web shop", Role.SHOP, now(session))
    job: list[Job] = [
        ("once", f"key-{i}", f"S-{i}", "1", date(2027, 3, 2).isoformat()) for i in range(5)
    ]
    first, second = racers.race(either_db.address, [job, job])
    assert first == second
    assert all(answer.isdigit() for answer in first)
    with either_db.reading() as session:
        assert len(session.exec(select(Promise)).all()) == 5
        assert _promised_plugs(session) == 30


def test_cancelling_and_confirming_one_promise_at_once_leaves_it_in_one_state(
    either_db: Database, racers: Racers
) -> None:
    with either_db.writing() as session:
        mild_nursery(session)
        ids = [
            str(reserve(session, f"S-{i}", caltha(1), HERE, DAYS[0], "Van", "shop").id)
            for i in range(6)
        ]
    confirms: list[Job] = [("confirm", each) for each in ids]
    cancels: list[Job] = [("cancel", each) for each in reversed(ids)]
    confirmed, cancelled = racers.race(either_db.address, [confirms, cancels])
    assert set(cancelled) == set(ids)
    assert set(confirmed) <= {*ids, "not_changeable"}
    with either_db.reading() as session:
        states = {promise.state for promise in session.exec(select(Promise))}
        assert states == {State.CANCELLED}
        assert oversold(session) == _promised_plugs(session) == 0
