"""Plants sent once more for a claim: from which lots, when, how many, and what it leaves others."""

import shutil
from collections.abc import Sequence
from datetime import date, timedelta
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from ortools.graph.python import max_flow
from sqlmodel import Session, col, select

from nursery.carrier import ClosedAt, Closure
from nursery.database import Database, open_database
from nursery.dispatching.dispatch_facts import read_facts
from nursery.errors import Fault, Refused
from nursery.order import EventKind, Promise, PromiseEvent, State
from nursery.promising.basket import Basket, BasketLine
from nursery.promising.desk import OtherOptions
from nursery.promising.promise import amend, cancel, promise_order
from nursery.promising.supply import available, deficits, supply
from nursery.reship import Reship, ReshipLot
from nursery.shed.claims import Claim, ClaimKind, claims, record_claim
from nursery.shed.picking import hand_over, pick_sheet, record_pick
from nursery.shed.reshipping import reship, reship_offer
from nursery.shed.trace import trace
from nursery.shed.veto import set_veto
from nursery.stock import Lot, VetoKind
from tests.builders import crop_named, open_order, product_of, ready_lot, small_nursery
from tests.dispatches import dispatch
from tests.nursery.test_supply import _promised as promised_rows

MONDAY = date(2027, 10, 4)
TUESDAY = MONDAY + timedelta(days=1)
LATER = MONDAY + timedelta(days=20)


def _nursery(session: Session) -> None:
    small_nursery(session, MONDAY).allowance = 0.0
    product = product_of(session, crop_named(session, "Caltha palustris"))
    product.heat_limit_c, product.frost_limit_c = 40.0, -20.0


def _lot(session: Session, code: str, plugs: int, last: date = LATER, ready: date = MONDAY) -> Lot:
    return ready_lot(session, crop_named(session, "Caltha palustris"), plugs, ready, last, code)


def _lots(session: Session) -> Sequence[Lot]:
    return session.exec(select(Lot).order_by(col(Lot.id))).all()


def _sent(session: Session, reference: str, lot: Lot) -> Promise:
    """A parcel of six plugs of this lot, handed over."""
    product = product_of(session, lot.batch.crop)
    order = open_order(session, reference, product)
    promise = promise_order(session, order.id or 0, TUESDAY, "Van", "shop")
    record_pick(session, promise.lines[0], lot, 6, "Bo")
    return hand_over(session, promise.id or 0, "TR-1", "Bo")


def _claim(session: Session, promise: Promise, plugs: int, kind: ClaimKind = ClaimKind.DEAD) -> int:
    return record_claim(session, promise.id or 0, kind, "all brown", "shop", plugs).event_id


def _refusal(db: Database, claim: int, **asked: object) -> OtherOptions:
    with db.writing() as session, pytest.raises(Refused) as refused:
        reship(session, claim, "Lea", **asked)  # type: ignore[arg-type]
    found = refused.value.refusal
    return found if isinstance(found, OtherOptions) else OtherOptions(found.code, found.message)


def _with_a_claim(db: Database) -> Database:
    """OLD gave the six plugs of W-1, of which four are claimed as dead; NEW is fresh."""
    with db.writing() as session:
        _nursery(session)
        old = _lot(session, "OLD", 60)
        _lot(session, "NEW", 12, LATER + timedelta(days=2))
        _claim(session, _sent(session, "W-1", old), 4)
    return db


@pytest.fixture
def shed(db: Database) -> Database:
    return _with_a_claim(db)


@pytest.fixture
def either_shed(either_db: Database) -> Database:
    return _with_a_claim(either_db)


def _claims(db: Database) -> list[Claim]:
    with db.reading() as session:
        return claims(session)


def test_a_reship_is_a_new_order_linked_with_the_claim_and_the_first_promise(
    either_shed: Database,
) -> None:
    (claim,) = _claims(either_shed)
    with either_shed.writing() as session:
        promise = reship(session, claim.event_id, "Lea", reason="came dead, photo seen")
        row = session.exec(select(Reship)).one()
        told = session.exec(select(PromiseEvent).where(PromiseEvent.promise_id == promise.id)).all()
    assert (promise.state, promise.order.reference) == (State.CONFIRMED, "W-1-R1")
    assert [(line.quantity, line.plugs) for line in promise.lines] == [(1, 4)]
    assert (row.claim_id, row.first_promise_id, row.promise_id) == (
        claim.event_id,
        claim.promise_id,
        promise.id,
    )
    assert [(event.kind, event.detail["reship"]) for event in told] == [
        (
            EventKind.CONFIRMED,
            {"claim": claim.event_id, "of": "W-1", "reason": "came dead, photo seen"},
        )
    ]
    (again,) = _claims(either_shed)
    assert [(each.reference, each.plugs, each.state) for each in again.reships] == [
        ("W-1-R1", 4, State.CONFIRMED)
    ]


def test_plants_that_came_dead_are_made_up_for_from_another_lot_that_is_kept_for_them(
    shed: Database,
) -> None:
    with shed.writing() as session:
        promise = reship(session, _claims(shed)[0].event_id, "Lea")
        kept = session.exec(select(ReshipLot)).one()
        old, new = _lots(session)
        assert (kept.lot_id, kept.plugs) == (new.id, 4)
        with pytest.raises(Refused) as refused:
            record_pick(session, promise.lines[0], old, 4, "Bo")
    assert refused.value.refusal.code == "claimed_lot"


def test_what_is_kept_for_a_reship_is_promised_to_nobody_else(either_shed: Database) -> None:
    """OLD ends on LATER, NEW two days after: NEW's last days have 12 plugs, 4 of them kept."""
    with either_shed.writing() as session:
        pool = _lots(session)[0].pool_id
        last = (LATER - MONDAY).days + 1
        before = available(session, [pool])[pool]
        reship(session, _claims(either_shed)[0].event_id, "Lea")
        after = available(session, [pool])[pool]
        assert (before[last], after[last]) == (12, 8)
        assert (before[1], after[1]) == (66, 62)
        assert deficits(session) == []


def test_no_more_plugs_are_sent_again_than_were_claimed_however_often_it_is_asked(
    either_shed: Database,
) -> None:
    claim = _claims(either_shed)[0].event_id
    assert _refusal(either_shed, claim, plugs=5).code == "too_many_plugs"
    with either_shed.writing() as session:
        first = reship(session, claim, "Lea", plugs=3)
    assert _refusal(either_shed, claim, plugs=2).code == "too_many_plugs"
    with either_shed.writing() as session:
        assert reship(session, claim, "Lea").lines[0].plugs == 1
    assert _refusal(either_shed, claim).code == "nothing_claimed"
    with either_shed.writing() as session:
        cancel(session, first.id or 0, "Lea")
        assert reship(session, claim, "Lea").order.reference == "W-1-R3"


def test_where_only_the_claimed_lot_is_left_the_reship_is_refused_and_says_what_to_do(
    shed: Database,
) -> None:
    with shed.writing() as session:
        _lots(session)[1].plugs = 3
    refusal = _refusal(shed, _claims(shed)[0].event_id)
    assert refusal.code == "no_fresh_plugs" and refusal.options == ()
    assert "4 plugs of CP-6 cannot be sent again on any day from other lots" in refusal.message
    assert "OLD" in refusal.message and "money back" in (refusal.next or "")


def test_a_day_on_which_no_fresh_lot_is_ready_yet_is_answered_with_those_that_are(
    shed: Database,
) -> None:
    with shed.writing() as session:
        _lots(session)[1].ready_on = MONDAY + timedelta(days=8)
    claim = _claims(shed)[0].event_id
    refusal = _refusal(shed, claim, ship_on=MONDAY + timedelta(days=2), service="Van")
    assert refusal.code == "no_fresh_plugs"
    assert min(each.ship_on for each in refusal.options) == MONDAY + timedelta(days=8)
    with shed.reading() as session:
        assert reship_offer(session, claim).options == refusal.options


def test_a_late_parcel_is_made_up_for_from_any_lot_unless_that_is_suspect(
    shed: Database,
) -> None:
    with shed.writing() as session:
        claim = _claim(session, session.exec(select(Promise)).one(), 2, ClaimKind.LATE)
        assert reship_offer(session, claim).not_lots == ()
        old = _lots(session)[0]
        set_veto(session, old.batch, VetoKind.QUARANTINE, "spots", "Ada")
        assert reship_offer(session, claim).not_lots == (old.id,)


def test_a_reship_keeps_the_customers_first_day_by_which_it_is_late(shed: Database) -> None:
    with shed.writing() as session:
        promise = reship(session, _claims(shed)[0].event_id, "Lea", ship_on=TUESDAY)
        promise = amend(session, promise.id or 0, "shop", ship_on=MONDAY + timedelta(days=9))
        assert (promise.first_ship_on, promise.ship_on) == (TUESDAY, MONDAY + timedelta(days=9))
        facts = read_facts(session)
    order = facts.problem.order_of[f"W-1-R1#{promise.id}"]
    assert order.first_day == 1
    lots = facts.problem.pool_of[order.lines[0].pool].lots
    assert sum(lot.plugs for lot in lots) == order.lines[0].plugs == 4  # its own, nobody else's


def test_a_dispatch_moves_a_reship_only_to_days_that_its_fresh_lot_serves(shed: Database) -> None:
    """Tuesday is closed by hand: OLD could serve it until LATER, NEW only from Thursday week."""
    with shed.writing() as session:
        promise = reship(session, _claims(shed)[0].event_id, "Lea", ship_on=TUESDAY, service="Van")
        _lots(session)[1].ready_on = MONDAY + timedelta(days=10)
        session.add(
            Closure(closed_at=ClosedAt.ORIGIN, first_day=TUESDAY, last_day=TUESDAY, reason="strike")
        )
        row = session.exec(select(ReshipLot)).one()
        assert row.plugs == 4
        key = promise.id
    dispatch(shed, accept_it=True)
    with shed.reading() as session:
        moved = session.get_one(Promise, key)
        assert moved.ship_on > TUESDAY and deficits(session) == []


def test_a_reship_cannot_be_made_bigger_by_changing_its_basket(shed: Database) -> None:
    with shed.writing() as session:
        promise = reship(session, _claims(shed)[0].event_id, "Lea")
        with pytest.raises(Refused) as refused:
            amend(session, promise.id or 0, "shop", Basket((BasketLine("CP-6", 2),)))
    assert "cancel it, then reship anew" in refused.value.refusal.message


def test_words_and_photo_of_a_claim_have_a_length_and_are_kept_whole(shed: Database) -> None:
    with shed.writing() as session:
        key = session.exec(select(Promise.id)).one() or 0
        for words, photo in (("x" * 501, ""), ("brown", "p" * 301), ("nul \0", "")):
            with pytest.raises(Fault):
                record_claim(session, key, ClaimKind.DEAD, words, "shop", 1, "", photo)
        found = record_claim(
            session, key, ClaimKind.DEAD, "y" * 500, "shop", 1, "", "https://shop.example/p/1", True
        )
    assert (found.text, found.photo, found.wants_reship) == (
        "y" * 500,
        "https://shop.example/p/1",
        True,
    )


@settings(
    max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(
    lots=st.lists(
        st.tuples(st.integers(0, 9), st.integers(1, 12), st.integers(1, 9)), min_size=1, max_size=4
    ),
    wishes=st.lists(st.tuples(st.integers(1, 14), st.integers(1, 9)), max_size=6),
    at=st.integers(0, 3),
)
def test_every_promise_before_and_after_a_reship_can_be_kept_with_fresh_plants_for_it(
    _migrated: Path,
    tmp_path: Path,
    lots: list[tuple[int, int, int]],
    wishes: list[tuple[int, int]],
    at: int,
) -> None:
    """Judged by maximum flow, in which the claimed lot has no way to the reship."""
    path = shutil.copy(_migrated, tmp_path / "one.sqlite")
    db = open_database(str(path))
    with db.writing() as session:
        _nursery(session)
        old = _lot(session, "OLD", 30, MONDAY + timedelta(days=5))
        claim = _claim(session, _sent(session, "W-1", old), 4)
        for n, (ready, life, plugs) in enumerate(lots):
            first = MONDAY + timedelta(days=ready)
            _lot(session, f"N{n}", plugs, first + timedelta(days=life), first)
        promised: list[tuple[int, int]] = []
        made: Promise | None = None
        for turn, (day, wanted) in enumerate([*wishes, (0, 0)]):
            if turn == min(at, len(wishes)):
                made = _tried(session, claim)
            plugs = min(wanted, int(supply(session, [old.pool_id])[old.pool_id].available[day]))
            if plugs:
                promised_rows(session, plugs, MONDAY + timedelta(days=day))
                promised.append((day, plugs))
        assert deficits(session) == []
    db.close()
    if made is not None:
        assert _unserved([(0, 5, 24), *((r, r + n, p) for r, n, p in lots)], promised, made) == 0


def _tried(session: Session, claim: int) -> Promise | None:
    try:
        return reship(session, claim, "Lea")
    except Refused as refused:
        assert refused.refusal.code == "no_fresh_plugs"
        return None


def _unserved(
    lots: list[tuple[int, int, int]], promised: list[tuple[int, int]], made: Promise
) -> int:
    """Plugs that cannot be given, the first lot being the claimed one."""
    flow, ends = max_flow.SimpleMaxFlow(), 2 + len(lots)
    asked = [*promised, ((made.ship_on - MONDAY).days, made.lines[0].plugs)]
    for i, (first, last, plugs) in enumerate(lots):
        flow.add_arc_with_capacity(0, 2 + i, plugs)
        for j, (day, _) in enumerate(asked):
            is_reship = j == len(promised)
            if first <= day <= last and not (is_reship and i == 0):
                flow.add_arc_with_capacity(2 + i, ends + j, plugs)
    for j, (_, plugs) in enumerate(asked):
        flow.add_arc_with_capacity(ends + j, 1, plugs)
    flow.solve(0, 1)
    return sum(plugs for _, plugs in asked) - int(flow.optimal_flow())


def test_the_pick_sheet_says_for_which_order_a_reship_goes_and_takes_its_kept_lot(
    shed: Database,
) -> None:
    """OLD's last sale comes first, so that any other order is given it."""
    with shed.writing() as session:
        promise = reship(session, _claims(shed)[0].event_id, "Lea", ship_on=TUESDAY)
        other = open_order(session, "W-2", promise.lines[0].product)
        promise_order(session, other.id or 0, TUESDAY, "Van", "shop")
        sheet = pick_sheet(session, TUESDAY)
    given = {slip.order_reference: slip.lines[0].batches for slip in sheet.slips}
    assert given == {"W-1-R1": (("NEW", 4),), "W-2": (("OLD", 6),)}
    assert [slip.reship for slip in sheet.slips] == ["reship of order W-1: claimed as dead", ""]


def test_a_trace_leads_from_the_claim_to_the_reship_and_from_the_reship_to_the_claim(
    shed: Database,
) -> None:
    with shed.writing() as session:
        promise = reship(session, _claims(shed)[0].event_id, "Lea", ship_on=TUESDAY)
        record_pick(session, promise.lines[0], _lots(session)[1], 4, "Bo")
        old, new = trace(session, "OLD"), trace(session, "NEW")
    assert [each.reference for each in old.claims[0].reships] == ["W-1-R1"]
    assert any("4 sent again as order W-1-R1, picked" in line for line in old.lines())
    assert [(each.reference, each.plugs, each.reship_of) for each in new.orders] == [
        ("W-1-R1", 4, "W-1")
    ]
    assert new.lines()[-1].endswith("; a reship of order W-1")
