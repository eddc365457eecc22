"""Pick sheets, picks, shorts and hand-over: what the packer does, and what the books then say."""

from collections.abc import Callable
from datetime import date, timedelta
from functools import partial

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from sqlmodel import Session, col, select

from nursery.batch import Quarantine
from nursery.carrier import CarrierService
from nursery.database import Database, now, site
from nursery.errors import Refused
from nursery.growing_area import Bench
from nursery.order import EventKind, Product, Promise, PromiseEvent, PromiseLine, State
from nursery.promising.basket import Basket, BasketLine
from nursery.promising.promise import amend
from nursery.promising.supply import supply
from nursery.shed.counting import count_round
from nursery.shed.ledger import balance, record_count
from nursery.shed.parcels import Step, parcels_on, to_pack
from nursery.shed.pick_sheet import trays_and_plugs
from nursery.shed.picking import (
    delivered,
    hand_over,
    not_collected,
    pack_parcel,
    pick_sheet,
    print_sheet,
    record_pick,
    report_short,
    undo_pick,
)
from nursery.shed.veto import set_veto
from nursery.stock import Lot, Moved, Movement, Pool, VetoKind
from tests.builders import (
    crop_named,
    open_order,
    product_of,
    ready_lot,
    set_clock,
    small_nursery,
)

MONDAY = date(2027, 3, 1)
TUESDAY = MONDAY + timedelta(days=1)
LATER = MONDAY + timedelta(days=20)
SOON = MONDAY + timedelta(days=5)


@pytest.fixture
def shed(db: Database) -> Database:
    with db.writing() as session:
        small_nursery(session, MONDAY)
    return db


def promised(
    session: Session,
    reference: str,
    quantity: int = 1,
    crop: str = "Caltha palustris",
    ship_on: date = TUESDAY,
    state: State = State.CONFIRMED,
) -> PromiseLine:
    """An order with a promise of `quantity` times 6 plugs for a ship day."""
    product = product_of(session, crop_named(session, crop))
    order = open_order(session, reference, product, quantity)
    service = session.exec(select(CarrierService)).one()
    promise = Promise(
        order_id=order.id or 0,
        service_id=service.id or 0,
        state=state,
        ship_on=ship_on,
        first_ship_on=ship_on,
        pack_on=ship_on,
        arrives_from=ship_on + timedelta(days=1),
        arrives_until=ship_on + timedelta(days=2),
        probability=0.99,
        reserved_until=now(session) + timedelta(minutes=30) if state is State.RESERVED else None,
        minutes=5,
    )
    session.add(promise)
    session.flush()
    line = PromiseLine(
        promise_id=promise.id or 0,
        product_id=product.id or 0,
        pool_id=pool_of(session, crop),
        quantity=quantity,
        plugs=6 * quantity,
    )
    session.add(line)
    session.flush()
    return line


def pool_of(session: Session, crop: str) -> int:
    pool = session.exec(select(Pool).where(Pool.crop_id == crop_named(session, crop).id)).one()
    return pool.id or 0


def events(session: Session, promise_id: int) -> list[EventKind]:
    query = select(PromiseEvent).where(PromiseEvent.promise_id == promise_id)
    return [event.kind for event in session.exec(query.order_by(col(PromiseEvent.id)))]


def lot_of(session: Session, plugs: int, last: date = LATER, code: str | None = None) -> Lot:
    return ready_lot(session, crop_named(session, "Caltha palustris"), plugs, MONDAY, last, code)


def test_the_lot_with_the_first_last_sale_date_is_picked_first_not_the_one_first_ready(
    shed: Database,
) -> None:
    with shed.writing() as session:
        crop = crop_named(session, "Caltha palustris")
        ready_lot(session, crop, 50, MONDAY - timedelta(days=9), LATER, "OLD")
        ready_lot(session, crop, 4, MONDAY, SOON, "SOON")
        promised(session, "A-1")
        sheet = pick_sheet(session, TUESDAY)
    assert [(pick.batch_code, pick.plugs) for pick in sheet.picks] == [("SOON", 4), ("OLD", 2)]
    assert sheet.slips[0].lines[0].batches == (("SOON", 4), ("OLD", 2))


def test_the_sheet_walks_the_benches_in_walking_order(shed: Database) -> None:
    with shed.writing() as session:
        far = lot_of(session, 6, SOON, "FAR")
        near = lot_of(session, 50, LATER, "NEAR")
        far.batch.bench = session.exec(select(Bench).where(Bench.walk_order == 4)).one()
        near.batch.bench = session.exec(select(Bench).where(Bench.walk_order == 1)).one()
        promised(session, "A-1", 2)
        sheet = pick_sheet(session, TUESDAY)
    assert [(pick.stop, pick.batch_code, pick.bench) for pick in sheet.picks] == [
        (1, "NEAR", "Mist house 1"),
        (2, "FAR", "Sales bench 1"),
    ]


def test_a_lot_under_a_veto_never_stands_on_a_pick_sheet(shed: Database) -> None:
    with shed.writing() as session:
        lot = lot_of(session, 50, SOON, "HELD")
        lot_of(session, 50, LATER, "FREE")
        promised(session, "A-1")
        set_veto(session, lot.batch, VetoKind.INSPECTION, "spots on leaves", "Ada")
        sheet = pick_sheet(session, TUESDAY)
    assert [pick.batch_code for pick in sheet.picks] == ["FREE"]


@pytest.mark.parametrize("status", [Quarantine.HELD, Quarantine.UNKNOWN])
def test_a_batch_whose_quarantine_is_not_clear_is_not_picked(
    shed: Database, status: Quarantine
) -> None:
    with shed.writing() as session:
        lot_of(session, 50).batch.quarantine = status
        promised(session, "A-1")
        sheet = pick_sheet(session, TUESDAY)
    assert sheet.picks == () and sheet.missing[0].plugs == 6


def test_a_lot_past_its_last_sale_date_is_never_picked(shed: Database) -> None:
    with shed.writing() as session:
        lot = lot_of(session, 50, MONDAY)
        line = promised(session, "A-1")
        assert pick_sheet(session, TUESDAY).picks == ()
        with pytest.raises(Refused) as refused:
            record_pick(session, line, lot, 6, "Bo")
    assert refused.value.refusal.code == "past_last_sale"


def test_what_an_earlier_ship_day_needs_is_not_offered_to_a_later_one(shed: Database) -> None:
    with shed.writing() as session:
        lot_of(session, 6, SOON, "SOON")
        lot_of(session, 50, LATER, "LATER")
        promised(session, "A-1", ship_on=TUESDAY)
        promised(session, "A-2", ship_on=TUESDAY + timedelta(days=1))
        today_, tomorrow = (pick_sheet(session, TUESDAY + timedelta(days=i)) for i in (0, 1))
    assert [pick.batch_code for pick in today_.picks] == ["SOON"]
    assert [pick.batch_code for pick in tomorrow.picks] == ["LATER"]


def test_an_order_that_is_only_reserved_is_not_picked(shed: Database) -> None:
    with shed.writing() as session:
        lot_of(session, 50)
        promised(session, "A-1", state=State.RESERVED)
        assert pick_sheet(session, TUESDAY).slips == ()


def test_the_sheet_says_whole_trays_and_plugs_wrap_water_and_passport_code(shed: Database) -> None:
    with shed.writing() as session:
        lot_of(session, 300, code="CP-27-03")
        for i in range(37):
            promised(session, f"A-{i:02d}")
        sheet = pick_sheet(session, TUESDAY)
    pick = sheet.picks[0]
    assert (pick.plugs, pick.trays) == (222, "2 trays + 14")
    assert (pick.wrap, pick.wrap_water_g, pick.passport_code) == ("moss and paper", 120, "CP-27-03")
    assert sheet.slips[0].postcode == "1011AB" and len(sheet.slips) == 37
    assert sum(part.plugs for part in pick.parts) == 222


@given(st.integers(1, 5000), st.integers(1, 400))
def test_trays_and_plugs_are_the_plugs(plugs: int, cells: int) -> None:
    words = trays_and_plugs(plugs, cells)
    trays, rest = 0, words.removesuffix(" of one")
    if "tray" in words:
        trays, rest = int(words.split()[0]), words.partition(" + ")[2] or "0"
    assert trays * cells + int(rest) == plugs and int(rest) < cells


def test_the_same_books_give_the_same_sheet_and_reprints_are_numbered(shed: Database) -> None:
    with shed.writing() as session:
        lot_of(session, 50)
        promised(session, "A-2")
        promised(session, "A-1")
        assert pick_sheet(session, TUESDAY).to_json() == pick_sheet(session, TUESDAY).to_json()
        first = print_sheet(session, TUESDAY, "Bo")
        second = print_sheet(session, TUESDAY, "Bo")
    assert (first.number, second.number) == (1, 2)
    assert first.picks == second.picks


def test_a_pick_closes_its_part_of_the_commitment_so_that_no_plug_counts_twice(
    shed: Database,
) -> None:
    with shed.writing() as session:
        lot = lot_of(session, 100)
        line = promised(session, "A-1", 2)
        before = supply(session, [lot.pool_id])[lot.pool_id]
        record_pick(session, line, lot, 5, "Bo")
        after = supply(session, [lot.pool_id])[lot.pool_id]
        assert (before.committed[1], after.committed[1]) == (12, 7)
        assert lot.plugs == balance(session, lot.batch) == 95
        assert after.available[1] == before.available[1]
        assert line.promise.state is State.CONFIRMED


def test_the_last_pick_of_an_order_makes_it_picked_and_it_leaves_the_sheet(
    shed: Database,
) -> None:
    with shed.writing() as session:
        lot = lot_of(session, 100)
        line = promised(session, "A-1")
        record_pick(session, line, lot, 2, "Bo")
        assert pick_sheet(session, TUESDAY).plugs == 4
        picked = record_pick(session, line, lot, 4, "Bo")
        assert picked.state is line.promise.state is State.PICKED
        assert pick_sheet(session, TUESDAY).slips == ()
        assert events(session, line.promise_id) == [EventKind.PICKED]


def test_a_parcel_that_is_picked_in_part_keeps_its_whole_slip_and_box(shed: Database) -> None:
    with shed.writing() as session:
        lot = lot_of(session, 100, code="CP")
        other = ready_lot(session, crop_named(session, "Primula rosea"), 50, MONDAY, LATER, "PR")
        line = promised(session, "A-1", 2)
        product = product_of(session, crop_named(session, "Primula rosea"))
        second = PromiseLine(
            promise_id=line.promise_id,
            product_id=product.id or 0,
            pool_id=other.pool_id,
            quantity=1,
            plugs=6,
        )
        session.add(second)
        session.flush()
        (before,) = pick_sheet(session, TUESDAY).slips
        record_pick(session, line, lot, 12, "Bo")
        sheet = pick_sheet(session, TUESDAY)
        (after,) = sheet.slips
        assert [pick.batch_code for pick in sheet.picks] == ["PR"]
        assert (after.boxes, after.minutes, after.weight_g) == (
            before.boxes,
            before.minutes,
            before.weight_g,
        )
        assert [(one.plugs, one.picked, one.batches) for one in after.lines] == [
            (12, 12, (("CP", 12),)),
            (6, 0, (("PR", 6),)),
        ]


def test_a_picked_parcel_is_on_the_table_until_the_van_has_it(shed: Database) -> None:
    with shed.writing() as session:
        lot = lot_of(session, 100)
        line = promised(session, "A-1")

        def on_the_table() -> tuple[Step, str, int]:
            (parcel,) = parcels_on(session, TUESDAY)
            return parcel.next, parcel.checked_by, parcel.slip.lines[0].picked

        assert on_the_table() == (Step.PICK, "", 0)
        picked = record_pick(session, line, lot, 6, "Bo")
        assert on_the_table() == (Step.PACK, "", 6)
        pack_parcel(session, line.promise_id, "Bo", "Mo")
        assert on_the_table() == (Step.HAND_OVER, "Mo", 6)
        undo_pick(session, picked.movement, "Bo", "wrong plants")
        assert on_the_table() == (Step.PICK, "", 0)
        record_pick(session, line, lot, 6, "Bo")
        assert on_the_table() == (Step.PACK, "", 6)  # another parcel than the one that was checked
        pack_parcel(session, line.promise_id, "Bo", "Mo")
        not_collected(session, line.promise_id, SOON, "Bo")
        assert on_the_table() == (Step.PACK_AGAIN, "", 6)
        assert [slip.order_reference for slip in to_pack(session, TUESDAY)] == ["A-1"]
        pack_parcel(session, line.promise_id, "Bo", "Jo")
        assert on_the_table() == (Step.HAND_OVER, "Jo", 6)
        hand_over(session, line.promise_id, "T-1", "Bo")
        assert on_the_table()[0] is Step.GONE
        assert to_pack(session, TUESDAY) == ()


def test_more_than_the_books_had_is_recorded_as_found_and_a_recount_is_asked_for(
    shed: Database,
) -> None:
    with shed.writing() as session:
        lot = lot_of(session, 4)
        line = promised(session, "A-1")
        picked = record_pick(session, line, lot, 6, "Bo")
        rows = session.exec(select(Movement).order_by(col(Movement.sequence))).all()
        assert (picked.found, picked.recount) == (2, True)
        assert [(row.kind, row.plugs, row.balance) for row in rows] == [
            (Moved.COUNTED, 4, 4),
            (Moved.FOUND, 2, 6),
            (Moved.PICKED, -6, 0),
        ]


def test_found_plugs_ask_for_a_recount_on_the_round_until_somebody_counts(shed: Database) -> None:
    with shed.writing() as session:
        lot = lot_of(session, 4)
        record_pick(session, promised(session, "A-1"), lot, 6, "Bo")
        record_count(session, lot.batch, 3, "Ada", now(session), lot)
        assert [place.recount for place in count_round(session)] == [False]
        record_pick(session, promised(session, "A-2"), lot, 5, "Bo")
        record_count(session, lot.batch, 0, "Ada", now(session), lot)
        assert count_round(session) == []


def test_a_pick_written_down_before_a_count_does_not_empty_the_lot_twice(shed: Database) -> None:
    with shed.writing() as session:
        lot = lot_of(session, 100)
        line = promised(session, "A-1")
        at = now(session)
        record_count(session, lot.batch, 4, "Ada", at + timedelta(minutes=1), lot)
        picked = record_pick(session, line, lot, 6, "Bo", at)
        assert (lot.plugs, picked.found, line.picked) == (4, 0, 6)


def test_more_than_the_order_wants_is_not_taken(shed: Database) -> None:
    with shed.writing() as session:
        lot, line = lot_of(session, 100), promised(session, "A-1")
        with pytest.raises(Refused, match="wants 6 more plugs, 7 are too many"):
            record_pick(session, line, lot, 7, "Bo")


def test_a_lot_of_another_crop_cannot_be_picked_for_a_line(shed: Database) -> None:
    with shed.writing() as session:
        other = ready_lot(session, crop_named(session, "Primula rosea"), 50, MONDAY, LATER)
        with pytest.raises(Refused) as refused:
            record_pick(session, promised(session, "A-1"), other, 6, "Bo")
    assert refused.value.refusal.code == "wrong_pool"


def test_a_lot_that_came_under_a_veto_after_printing_is_refused_at_the_pick(
    shed: Database,
) -> None:
    with shed.writing() as session:
        lot, line = lot_of(session, 50), promised(session, "A-1")
        set_veto(session, lot.batch, VetoKind.RE_ENTRY, "label", "Ada", SOON)
        with pytest.raises(Refused, match="re-entry interval") as refused:
            record_pick(session, line, lot, 6, "Bo")
    assert refused.value.refusal.code == "not_for_sale"


def test_undoing_a_pick_gives_plugs_and_commitment_back(shed: Database) -> None:
    with shed.writing() as session:
        lot, line = lot_of(session, 50), promised(session, "A-1")
        picked = record_pick(session, line, lot, 6, "Bo")
        undo_pick(session, picked.movement, "Bo", "wrong order")
        assert (lot.plugs, line.picked, line.promise.state) == (50, 0, State.CONFIRMED)


def test_a_product_whose_plugs_were_picked_and_put_back_stays_on_its_promise(
    shed: Database,
) -> None:
    """The ledger's rows name the line for which they were picked, and rows are never changed."""
    with shed.writing() as session:
        site(session).allowance, mild = 0.0, session.exec(select(Product)).all()
        for product in mild:
            product.frost_limit_c = -25.0
        lot, line = lot_of(session, 50), promised(session, "A-1")
        ready_lot(session, crop_named(session, "Primula rosea"), 50, MONDAY, LATER)
        undo_pick(session, record_pick(session, line, lot, 6, "Bo").movement, "Bo", "wrong order")
        other, more = Basket((BasketLine("PRG-6", 1),)), Basket((BasketLine("CP-6", 2),))
        with pytest.raises(Refused, match="cannot lose CP-6") as refused:
            amend(session, line.promise_id, "shop", other)
        assert refused.value.refusal.code == "not_changeable"
        assert amend(session, line.promise_id, "shop", more).lines[0].plugs == 12


def test_a_short_counts_the_lot_down_and_offers_another_lot(shed: Database) -> None:
    with shed.writing() as session:
        lot, other = lot_of(session, 30, SOON, "THIN"), lot_of(session, 40, LATER, "FULL")
        line = promised(session, "A-1")
        short = report_short(session, line, lot, 2, "Bo", "vine weevil")
        assert lot.plugs == 2
        assert [(take.batch_code, take.plugs) for take in short.takes] == [("THIN", 2), ("FULL", 4)]
        assert (short.missing, short.touched, other.plugs) == (0, (), 40)
        assert events(session, line.promise_id) == [EventKind.SHORT]


def test_a_short_that_no_lot_can_cover_names_the_promises_it_touches(shed: Database) -> None:
    with shed.writing() as session:
        lot = lot_of(session, 30)
        line = promised(session, "A-1")
        late = promised(session, "A-2", ship_on=SOON)
        short = report_short(session, line, lot, 7, "Bo", "miscounted")
        assert short.missing == 0
        assert [touched.promises for touched in short.touched] == [((late.promise_id, 6),)]


def test_a_place_that_holds_what_the_books_say_is_not_short(shed: Database) -> None:
    with shed.writing() as session, pytest.raises(Refused) as refused:
        report_short(session, promised(session, "A-1"), lot_of(session, 30), 30, "Bo", "")
    assert refused.value.refusal.code == "not_short"


def test_a_parcel_is_picked_packed_handed_over_and_delivered(shed: Database) -> None:
    with shed.writing() as session:
        line = promised(session, "A-1", ship_on=MONDAY)
        record_pick(session, line, lot_of(session, 30), 6, "Bo")
        promise = pack_parcel(session, line.promise_id, "Bo", checked_by="Ada")
        hand_over(session, line.promise_id, "TR-1", "Bo")
        assert (promise.state, promise.tracking) == (State.HANDED_OVER, "TR-1")
        set_clock(session, TUESDAY)
        delivered(session, line.promise_id, TUESDAY, "carrier")
        assert promise.state is State.DELIVERED
        assert events(session, line.promise_id) == [
            EventKind.PICKED,
            EventKind.PACKED,
            EventKind.HANDED_OVER,
            EventKind.DELIVERED,
        ]


def test_a_parcel_the_van_left_behind_is_packed_again_and_goes_later(shed: Database) -> None:
    with shed.writing() as session:
        line = promised(session, "A-1", ship_on=MONDAY)
        record_pick(session, line, lot_of(session, 30), 6, "Bo")
        promise = not_collected(session, line.promise_id, TUESDAY, "Bo", "no van")
        assert promise.state is State.NOT_COLLECTED
        assert pick_sheet(session, TUESDAY).to_repack == ("A-1",)
        set_clock(session, TUESDAY + timedelta(days=1))
        with pytest.raises(Refused) as refused:
            hand_over(session, line.promise_id, "TR-1", "Bo")
        assert refused.value.refusal.code == "repack_first"
        pack_parcel(session, line.promise_id, "Bo")
        assert hand_over(session, line.promise_id, "TR-1", "Bo").state is State.HANDED_OVER


def test_a_step_from_the_wrong_state_is_refused(shed: Database) -> None:
    with shed.writing() as session:
        line, lot = promised(session, "A-1"), lot_of(session, 30)
        steps: list[Callable[[], Promise]] = [
            partial(pack_parcel, session, line.promise_id, "Bo"),
            partial(hand_over, session, line.promise_id, "TR-1", "Bo"),
            partial(not_collected, session, line.promise_id, TUESDAY, "Bo"),
            partial(delivered, session, line.promise_id, MONDAY, "carrier"),
        ]
        for step in steps:
            with pytest.raises(Refused, match="is confirmed, only"):
                step()
        record_pick(session, line, lot, 6, "Bo")
        with pytest.raises(Refused, match="only a confirmed one is picked"):
            record_pick(session, line, lot, 1, "Bo")


def test_an_order_whose_ship_day_passed_unpicked_is_named_on_the_sheet(shed: Database) -> None:
    with shed.writing() as session:
        lot_of(session, 30)
        promised(session, "A-1", ship_on=MONDAY)
        set_clock(session, TUESDAY)
        sheet = pick_sheet(session, TUESDAY)
    assert (sheet.slips, sheet.overdue) == ((), ("A-1",))


_lots = st.lists(
    st.tuples(st.integers(-3, 6), st.integers(0, 6), st.integers(1, 20)), min_size=1, max_size=4
)


@given(_lots, st.lists(st.tuples(st.integers(0, 4), st.integers(1, 2)), max_size=6))
@settings(
    max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
def test_whatever_stands_there_and_is_promised_a_sheet_asks_no_lot_for_more_than_it_has(
    shed: Database, lots: list[tuple[int, int, int]], orders: list[tuple[int, int]]
) -> None:
    # Nothing is committed, so that every example starts with an empty shed.
    with Session(shed.writer) as session:
        crop = crop_named(session, "Caltha palustris")
        held: dict[int, Lot] = {}
        for ready, life, plugs in lots:
            first = MONDAY + timedelta(days=ready)
            lot = ready_lot(session, crop, plugs, first, first + timedelta(days=life))
            held[lot.id or 0] = lot
        for i, (after, quantity) in enumerate(orders):
            promised(session, f"A-{i}", quantity, ship_on=MONDAY + timedelta(days=after))
        given_away: dict[int, int] = {}
        for after in range(5):
            day = MONDAY + timedelta(days=after)
            sheet = pick_sheet(session, day)
            wanted = sum(6 * quantity for when, quantity in orders if when == after)
            assert sheet.plugs + sum(each.plugs for each in sheet.missing) == wanted
            for pick in sheet.picks:
                assert held[pick.lot_id].ready_on <= day <= pick.last_sale_on
                given_away[pick.lot_id] = given_away.get(pick.lot_id, 0) + pick.plugs
        # Sheets of several days printed on one evening share the lots between them.
        assert all(plugs <= held[lot_id].plugs for lot_id, plugs in given_away.items())
