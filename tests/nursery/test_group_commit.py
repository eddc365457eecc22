"""Many requests, one commit: each is answered as if it had come alone, and nothing is lost."""

import shutil
import tempfile
import threading
from collections.abc import Callable, Iterator
from concurrent.futures import Future
from contextlib import contextmanager
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, precondition, rule
from sqlalchemy import event, text
from sqlalchemy.exc import DataError, OperationalError
from sqlmodel import Session, col, select

from nursery.access import Role, make_token
from nursery.batch import Batch, Quarantine
from nursery.crop import Protocol
from nursery.database import Database, migrate, now, open_database, site
from nursery.errors import Refused
from nursery.locks import lock_pools
from nursery.order import Promise, PromiseEvent
from nursery.promising.basket import Basket, Destination
from nursery.promising.group_batch import (
    Outcome,
    Request,
    changing,
    confirming,
    reserving,
)
from nursery.promising.group_books import Books, Wish
from nursery.promising.group_commit import GroupCommit, answered
from nursery.promising.idempotent import Answer, once
from nursery.promising.promise import amend, cancel, reserve
from nursery.promising.supply import deficits
from nursery.stock import Moved, Movement, Pool
from tests.builders import crop_named, ready_lot
from tests.flow_judge import oversold
from tests.shop import HERE, MONDAY, THERE, both, caltha, mild_nursery

TUESDAY = MONDAY + timedelta(days=1)
DAYS = [MONDAY + timedelta(days=n) for n in (1, 2, 3, 4, 8, 9)]
BASKETS = st.one_of(st.integers(1, 3).map(caltha), st.integers(1, 2).map(both))
WISHES = st.tuples(BASKETS, st.sampled_from(DAYS), st.sampled_from([HERE, THERE]))

ALL_CHECKS = list(HealthCheck)
NO_SHRINKING = (Phase.explicit, Phase.reuse, Phase.generate)


def _small(session: Session) -> None:
    """Few plugs in lots that come and go, and 31 packing minutes a day."""
    here = mild_nursery(session, plugs=0)
    here.packing_minutes_a_day, here.horizon_days = 31, 24
    for name in ("Caltha palustris", "Primula rosea"):
        crop = crop_named(session, name)
        for plugs, first, last in ((18, 0, 3), (24, 1, 9), (12, 4, 4), (12, 8, 16)):
            ready, last_sale = MONDAY + timedelta(days=first), MONDAY + timedelta(days=last)
            ready_lot(session, crop, plugs, ready, last_sale)
    make_token(session, "web shop", Role.SHOP, now(session))


def _growing(session: Session) -> None:
    """The same, and a batch that hardens off since a fortnight: some is promised before it is."""
    _small(session)
    crop = crop_named(session, "Caltha palustris")
    protocol = session.exec(select(Protocol).where(Protocol.crop_id == crop.id)).one()
    last = protocol.stages[-1]
    batch = Batch(
        code="G1",
        crop_id=crop.id or 0,
        protocol_id=protocol.id or 0,
        stage_id=last.id or 0,
        tray_format_id=last.tray_format_id or 0,
        trays=3,
        started_on=MONDAY - timedelta(weeks=10),
        stage_entered_on=MONDAY - timedelta(days=14),
        quarantine=Quarantine.CLEAR,
    )
    session.add(batch)
    session.flush()
    counted = Movement(
        batch_id=batch.id or 0,
        sequence=1,
        kind=Moved.COUNTED,
        plugs=60,
        balance=60,
        actor="Ada",
        happened_at=now(session),
        recorded_at=now(session),
    )
    session.add(counted)


@contextmanager
def _nursery(fill: Callable[[Session], None] = _small) -> Iterator[Database]:
    folder = Path(tempfile.mkdtemp())
    db = open_database(str(folder / "nursery.sqlite"))
    migrate(db)
    with db.writing() as session:
        fill(session)
    try:
        yield db
    finally:
        db.close()
        shutil.rmtree(folder)


@contextmanager
def _filled(db: Database, fill: Callable[[Session], None]) -> Iterator[Database]:
    with db.writing() as session:
        fill(session)
    yield db


def _plenty(session: Session) -> None:
    mild_nursery(session, plugs=600).packing_minutes_a_day = 10_000
    make_token(session, "web shop", Role.SHOP, now(session))


def _reserve(
    number: object, basket: Basket, day: date = TUESDAY, to: Destination = HERE
) -> Request:
    wish = Wish(f"S-{number}", basket, to, day, "Van", "web shop")
    return reserving(1, f"key {number}", {"reserve": number, "basket": str(basket)}, wish)


def _together(db: Database, requests: list[Request]) -> list[Outcome]:
    return answered(db, Books(), requests)


def _promises(db: Database) -> list[tuple[Any, ...]]:
    """Everything that is written of promises but moments and ids of orders, by plain SQL."""
    asked = (
        "SELECT o.reference, o.country, o.postcode, o.zone_id, o.not_before, o.not_after,"
        " o.may_split, o.may_substitute, o.weight, o.label_reference, p.service_id, p.state,"
        " p.ship_on, p.first_ship_on, p.pack_on, p.arrives_from, p.arrives_until, p.probability,"
        " p.minutes, p.tracking, p.repack_by, l.product_id, l.pool_id, l.quantity, l.plugs,"
        " l.picked, w.quantity, e.kind, e.actor"
        " FROM promise p JOIN customer_order o ON o.id = p.order_id"
        " JOIN promise_line l ON l.promise_id = p.id JOIN order_line w ON w.order_id = o.id"
        " AND w.product_id = l.product_id JOIN promise_event e ON e.promise_id = p.id"
        " ORDER BY o.reference, l.product_id, e.id"
    )
    with db.reading() as session:
        return [tuple(row) for row in session.connection().execute(text(asked))]


def _told(db: Database) -> list[Any]:
    """What was told of each promise, without the moment until which it is kept."""
    with db.reading() as session:
        events = session.exec(select(PromiseEvent).order_by(col(PromiseEvent.id)))
        return sorted(str({**event.detail, "until": ""}) for event in events)


def _essence(answer: Outcome) -> object:
    """An answer without ids and moments, and a refusal without what can be had instead."""
    assert not isinstance(answer, Exception), answer
    if "refusal" in answer:
        return answer["refusal"]["code"]
    return {k: v for k, v in answer.items() if k not in ("id", "reserved_until")}


@settings(max_examples=8, deadline=None, phases=NO_SHRINKING, suppress_health_check=ALL_CHECKS)
@given(
    st.lists(WISHES, min_size=1, max_size=24),
    st.integers(1, 24),
    st.sampled_from([_small, _growing]),
)
def test_reservations_of_one_commit_get_what_each_would_have_got_alone(
    wishes: list[tuple[Basket, date, Destination]], size: int, fill: Callable[[Session], None]
) -> None:
    """The ordinary `reserve`, one commit a request, is the judge: same answers, same rows."""
    requests = [_reserve(f"{i:02}", *wish) for i, wish in enumerate(wishes)]
    with _nursery(fill) as alone, _nursery(fill) as grouped:
        expected = [once(alone, 1, r.key, r.body, _alone(r)) for r in requests]
        books, found = Books(), list[Outcome]()
        connection = grouped.writer.connect()
        for start in range(0, len(requests), size):
            found += answered(grouped, books, requests[start : start + size], connection)
        connection.close()
        assert [_essence(each) for each in found] == [_essence(each) for each in expected]
        assert _promises(grouped) == _promises(alone)
        assert _told(grouped) == _told(alone)


def _alone(request: Request) -> Callable[[Session], Answer]:
    def act(session: Session) -> Answer:
        found: Any = request.alone(session)
        return {name: getattr(found, name) for name in found.__slots__}

    return act


class Shops(RuleBasedStateMachine):
    """Shops that send all kinds of requests at one writer; a maximum flow judges the books."""

    def __init__(self) -> None:
        super().__init__()
        self.nursery = _nursery()
        self.db = self.nursery.__enter__()
        self.writer = GroupCommit(self.db, together=6)
        self.sent: list[tuple[Request, Answer]] = []
        self.waiting: list[tuple[Request, Future[Answer]]] = []
        self.promises: list[int] = []

    def teardown(self) -> None:
        self.writer.close()
        self.nursery.__exit__(None, None, None)

    def _send(self, request: Request) -> None:
        self.waiting.append((request, self.writer.submit(request)))

    def _key(self) -> str:
        return f"key {len(self.sent) + len(self.waiting)}"

    @rule(wishes=st.lists(WISHES, min_size=1, max_size=8))
    def reserves(self, wishes: list[tuple[Basket, date, Destination]]) -> None:
        for wish in wishes:
            self._send(_reserve(len(self.sent) + len(self.waiting), *wish))

    @precondition(lambda self: self.promises)
    @rule(picks=st.lists(st.integers(0, 99), min_size=1, max_size=6))
    def confirm(self, picks: list[int]) -> None:
        for pick in picks:
            number = self.promises[pick % len(self.promises)]
            self._send(confirming(1, self._key(), {"confirm": number}, number, "web shop"))

    @precondition(lambda self: self.promises)
    @rule(pick=st.integers(0, 99), basket=BASKETS, day=st.none() | st.sampled_from(DAYS))
    def change(self, pick: int, basket: Basket, day: date | None) -> None:
        number = self.promises[pick % len(self.promises)]

        def act(session: Session) -> Promise:
            return amend(session, number, "web shop", basket, ship_on=day)

        body = {"amend": number, "basket": str(basket), "day": str(day)}
        self._send(changing(1, self._key(), body, number, act, basket, day))

    @precondition(lambda self: self.promises)
    @rule(pick=st.integers(0, 99))
    def give_up(self, pick: int) -> None:
        number = self.promises[pick % len(self.promises)]

        def act(session: Session) -> Promise:
            return cancel(session, number, "web shop")

        self._send(changing(1, self._key(), {"cancel": number}, number, act))

    @rule(minutes=st.sampled_from([11, 31, -31]))
    def time_passes_or_the_clock_is_set_back(self, minutes: int) -> None:
        with self.db.writing() as session:
            site(session).clock_shift_seconds += minutes * 60

    @precondition(lambda self: self.sent)
    @rule(pick=st.integers(0, 99))
    def an_answer_was_lost_and_is_asked_for_again(self, pick: int) -> None:
        request, answer = self.sent[pick % len(self.sent)]
        assert self.writer.answer(request) == answer

    @rule()
    def everybody_has_an_answer(self) -> None:
        for request, future in self.waiting:
            answer = future.result(timeout=60)
            self.sent.append((request, answer))
            if "id" in answer and answer["id"] not in self.promises:
                self.promises.append(answer["id"])
            allowed = {"no_plugs", "day_closed", "lapsed", "not_changeable", "changed_meanwhile"}
            assert "id" in answer or answer["refusal"]["code"] in allowed, answer
        self.waiting.clear()

    @invariant()
    def no_plug_is_promised_twice_and_every_answer_is_true(self) -> None:
        self.everybody_has_an_answer()
        with self.db.reading() as session:
            assert oversold(session) == 0
            assert deficits(session) == []
            told = text("SELECT count(*) FROM promise")
            assert session.connection().execute(told).scalar_one() == len(self.promises)
            minutes = text(
                "SELECT coalesce(max(taken), 0) FROM (SELECT sum(minutes) AS taken FROM promise"
                " WHERE state = 'confirmed' OR (state = 'reserved' AND reserved_until >= :at)"
                " GROUP BY ship_on)"
            )
            at = {"at": f"{now(session):%Y-%m-%d %H:%M:%S.%f}"}
            assert session.connection().execute(minutes, at).scalar_one() <= 31


Shops.TestCase.settings = settings(
    max_examples=6,
    stateful_step_count=14,
    deadline=None,
    phases=NO_SHRINKING,
    suppress_health_check=ALL_CHECKS,
)
test_whatever_shops_send_in_whatever_order_no_plug_is_promised_twice = Shops.TestCase


def test_a_refusal_in_a_group_undoes_nobody_elses_reservation(either_db: Database) -> None:
    with _filled(either_db, _plenty) as db:
        answers = _together(
            db,
            [
                _reserve(1, caltha(2)),
                _reserve(2, caltha(500)),
                _reserve(3, Basket(())),
                _reserve(4, caltha(1), to=Destination("XX", "1")),
                _reserve(5, caltha(3)),
            ],
        )
        assert [_essence(each) for each in answers[1:4]] == ["no_plugs", "no_plants", "no_zone"]
        assert [row[0] for row in _promises(db)] == ["S-1", "S-5"]


def test_a_late_confirm_sees_what_was_granted_in_the_same_group(either_db: Database) -> None:
    """The plugs of a reservation that ran out go to whoever is granted them first."""

    def fill(session: Session) -> None:
        mild_nursery(session, plugs=6)
        make_token(session, "web shop", Role.SHOP, now(session))

    with _filled(either_db, fill) as db:
        (first,) = _together(db, [_reserve(1, caltha(1))])
        assert isinstance(first, dict)
        with db.writing() as session:
            site(session).clock_shift_seconds += 31 * 60
        late = confirming(1, "late", {}, first["id"], "web shop")
        answers = _together(db, [_reserve(2, caltha(1)), late])
        assert [_essence(each) for each in answers][1] == "lapsed"
        with db.reading() as session:
            assert oversold(session) == 0
            assert [p.state for p in session.exec(select(Promise))] == ["lapsed", "reserved"]


def test_a_basket_of_two_plants_is_reserved_whole_or_not_at_all(either_db: Database) -> None:
    def fill(session: Session) -> None:
        _plenty(session)
        ready_lot(session, crop_named(session, "Primula rosea"), 12, MONDAY, DAYS[-1])

    with _filled(either_db, fill) as db:
        answers = _together(db, [_reserve(i, both()) for i in range(4)])
        codes = [_essence(each) for each in answers[2:]]
        assert codes == ["no_plugs", "no_plugs"]
        assert [row[0] for row in _promises(db)] == ["S-0", "S-0", "S-1", "S-1"]


def test_one_key_sent_twice_in_a_group_is_done_once_and_another_body_is_refused(
    either_db: Database,
) -> None:
    with _filled(either_db, _plenty) as db:
        first = _reserve(1, caltha(2))
        other = reserving(1, first.key, {"reserve": "other"}, first.wish or _no_wish())
        one, same, refused = _together(db, [first, first, other])
        assert one == same
        assert isinstance(refused, Refused) and refused.refusal.code == "key_reused"
        assert len(_promises(db)) == 1


def _no_wish() -> Wish:
    raise AssertionError


def test_what_goes_wrong_with_one_request_is_told_to_that_one_alone(either_db: Database) -> None:
    def breaks(session: Session) -> Promise:
        amend(session, 1, "web shop", caltha(3))
        raise ZeroDivisionError

    with _filled(either_db, _plenty) as db, GroupCommit(db) as writer:
        first = writer.answer(_reserve(1, caltha(1)))
        wrong = writer.submit(changing(1, "key wrong", {}, first["id"], breaks))
        good = writer.submit(_reserve(2, caltha(1)))
        assert good.result(timeout=60)["reference"] == "S-2"
        with pytest.raises(ZeroDivisionError):
            wrong.result(timeout=60)
        assert {row[24] for row in _promises(db)} == {6}
        assert writer.answer(changing(1, "key wrong", {}, first["id"], _cancels))["id"] == 1


def test_a_value_that_the_database_cannot_hold_is_the_trouble_of_one_request_alone(
    either_db: Database,
) -> None:
    def breaks(session: Session) -> Promise:
        raise DataError("", {}, ValueError("no such text"))

    with _filled(either_db, _plenty) as db:
        assert _answers_beside(db, breaks) == ["S-2", "S-3"]


def _answers_beside(db: Database, breaks: Callable[[Session], Promise]) -> list[str]:
    """The references of two reservations that wait together with a request that breaks."""
    held, go = threading.Event(), threading.Event()

    def waits(session: Session) -> Promise:
        held.set()
        go.wait(60)
        return cancel(session, 1, "web shop")

    with GroupCommit(db) as writer:
        writer.answer(_reserve(1, caltha(1)))
        slow = writer.submit(changing(1, "slow", {}, 1, waits))
        assert held.wait(60)
        first = writer.submit(_reserve(2, caltha(1)))
        wrong = writer.submit(changing(1, "wrong", {}, 1, breaks))
        last = writer.submit(_reserve(3, caltha(1)))
        go.set()
        assert slow.result(60) and isinstance(wrong.exception(60), DataError)
        return [future.result(60)["reference"] for future in (first, last)]


def _cancels(session: Session) -> Promise:
    return cancel(session, 1, "web shop")


def test_what_another_program_wrote_is_seen_by_the_very_next_group(either_db: Database) -> None:
    """What a pool has left is kept from group to group only while its version stands."""
    with _filled(either_db, _plenty) as db, GroupCommit(db) as writer:
        assert writer.answer(_reserve(1, caltha(1)))["id"] == 1
        with db.writing() as session:
            lock_pools(session, [pool.id or 0 for pool in session.exec(select(Pool))])
            session.connection().execute(text("UPDATE lot SET plugs = 12"))
        assert writer.answer(_reserve(2, caltha(1)))["id"] == 2
        assert writer.answer(_reserve(3, caltha(1)))["refusal"]["code"] == "no_plugs"


def test_two_writers_at_one_database_sell_each_plug_once(either_db: Database) -> None:
    def fill(session: Session) -> None:
        mild_nursery(session, plugs=180)
        make_token(session, "web shop", Role.SHOP, now(session))

    with _filled(either_db, fill) as db, GroupCommit(db) as one, GroupCommit(db) as two:
        sent = [
            writer.submit(_reserve(f"{name}-{i}", caltha(1)))
            for i in range(20)
            for name, writer in (("one", one), ("two", two))
        ]
        answers = [future.result(timeout=60) for future in sent]
        assert sum("id" in answer for answer in answers) == 30
        with db.reading() as session:
            assert oversold(session) == 0


def test_baskets_at_two_writers_and_beside_them_never_wait_in_a_ring(either_db: Database) -> None:
    """Two writers lock two pools and three days for each other, and a third program as well."""

    def fill(session: Session) -> None:
        _plenty(session)
        ready_lot(session, crop_named(session, "Primula rosea"), 600, MONDAY, DAYS[-1])

    def beside(db: Database) -> None:
        for i in range(6):
            with db.writing() as session:
                reserve(session, f"B-{i}", both(), HERE, DAYS[i % 3], "Van", "lead")

    with (
        _filled(either_db, fill) as db,
        GroupCommit(db, together=4) as one,
        GroupCommit(db, together=4) as two,
    ):
        other = threading.Thread(target=beside, args=(db,))
        other.start()
        sent = [
            writer.submit(_reserve(f"{name}-{i}", both(), DAYS[(i + shift) % 3]))
            for i in range(12)
            for name, writer, shift in (("one", one, 0), ("two", two, 1))
        ]
        assert all("id" in future.result(timeout=60) for future in sent)
        other.join(60)
        assert len(_promises(db)) == 2 * (24 + 6)


def test_a_full_disk_acknowledges_nothing_and_the_retry_is_answered() -> None:
    """SQLite's own limit on the file's pages is the full disk."""
    with _nursery(_plenty) as db:
        pages = [0]

        @event.listens_for(db.writer, "checkout")
        def _limit(connection: Any, record: Any, proxy: Any) -> None:
            count = connection.execute("PRAGMA page_count").fetchone()[0]
            connection.execute(f"PRAGMA max_page_count = {count + 1 if pages[0] else 1 << 30}")

        with GroupCommit(db) as writer:
            pages[0] = 1
            requests = [_reserve(i, caltha(1)) for i in range(80)]
            sent = [writer.submit(request) for request in requests]
            failed = [future for future in sent if future.exception(timeout=60) is not None]
            assert failed and all(
                isinstance(future.exception(), OperationalError) for future in failed
            )
            assert len(_promises(db)) == len(sent) - len(failed)
            pages[0] = 0
            retried = [writer.answer(request) for request in requests]
        assert [answer["reference"] for answer in retried] == [f"S-{i}" for i in range(80)]
        assert len(_promises(db)) == 80


def test_a_full_queue_says_busy_and_a_closed_writer_answers_what_waits(either_db: Database) -> None:
    with _filled(either_db, _plenty) as db:
        writer, held, go = GroupCommit(db, waiting=3), threading.Event(), threading.Event()

        def waits(session: Session) -> Promise:
            held.set()
            go.wait(60)
            return cancel(session, 1, "web shop")

        writer.answer(_reserve(0, caltha(1)))
        slow = writer.submit(changing(1, "slow", {}, 1, waits))
        assert held.wait(60)
        sent = [writer.submit(_reserve(i, caltha(1))) for i in range(1, 4)]
        with pytest.raises(Refused) as busy:
            writer.submit(_reserve(4, caltha(1)))
        assert busy.value.refusal.code == "busy"
        closing = threading.Thread(target=writer.close)
        closing.start()
        go.set()
        closing.join(60)
        assert slow.result(timeout=0)["state"] == "cancelled"
        assert [future.result(timeout=0)["id"] for future in sent] == [2, 3, 4]
        with pytest.raises(Refused) as closed:
            writer.submit(_reserve(5, caltha(1)))
        assert closed.value.refusal.code == "closing"
        writer.close()


def test_a_request_that_was_given_up_before_it_began_is_not_done(either_db: Database) -> None:
    with _filled(either_db, _plenty) as db, GroupCommit(db) as writer:
        writer.answer(_reserve(0, caltha(1)))
        held, go = threading.Event(), threading.Event()

        def waits(session: Session) -> Promise:
            held.set()
            go.wait(60)
            return cancel(session, 1, "web shop")

        slow = writer.submit(changing(1, "slow", {}, 1, waits))
        assert held.wait(60)
        given_up, other = (
            writer.submit(_reserve(1, caltha(1))),
            writer.submit(_reserve(2, caltha(1))),
        )
        assert given_up.cancel()
        go.set()
        assert slow.result(60)["state"] == "cancelled" and other.result(60)["reference"] == "S-2"
        assert "S-1" not in {row[0] for row in _promises(db)}
