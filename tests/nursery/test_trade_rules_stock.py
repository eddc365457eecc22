"""The trade's rules on the benches: held cold, gapped up, graded, planted out, sold at the gate."""

from contextlib import suppress
from datetime import date, timedelta
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from sqlmodel import Session, select
from typer.testing import CliRunner

from nursery.batch import Batch, Quarantine
from nursery.cli import app
from nursery.crop import Crop
from nursery.database import Database, site
from nursery.errors import Refusal, Refused
from nursery.growing.batch_work import set_ready
from nursery.growing.cold import days_left, hold_cold, holds_of
from nursery.growing.gap_up import gap_up
from nursery.growing.leaving import plant_out, pot_on, regrade, sell_at_gate
from nursery.growing_area import Bench
from nursery.order import Product
from nursery.promising.supply import available
from nursery.shed.ledger import balance, held
from nursery.shed.trace import trace
from nursery.shed.veto import set_veto
from nursery.stock import ColdHold, Grade, Lot, Moved, Movement, Pool, VetoKind
from nursery.week import day_book
from nursery.week.day_undo import undo
from nursery.week.glut import glut_advice
from nursery.week.week_sheet import TaskKind, week_sheet
from nursery.weeks import Week
from tests.builders import crop_named, open_order, product_of, ready_lot, set_clock, small_nursery
from tests.nursery.small_workbook import load_tables, opened
from tests.nursery.test_trade_rules_plan import CALTHA, MONDAY, growing, wanted

NEXT_MONTH = MONDAY + timedelta(days=20)


def refusal_of(caught: pytest.ExceptionInfo[Refused]) -> Refusal:
    return caught.value.refusal


def lot_here(session: Session, plugs: int = 100) -> Lot:
    small_nursery(session, MONDAY)
    crop = crop_named(session, CALTHA)
    return ready_lot(session, crop, plugs, MONDAY, MONDAY + timedelta(days=6), code="B1")


def test_a_lot_held_cold_is_sold_later_by_a_decision_that_is_kept(db: Database) -> None:
    """Plugs keep 2 to 3 weeks at 5 to 10 °C (Kaczperski & Armitage): here 2, in two decisions."""
    with db.writing() as session:
        lot = lot_here(session)
        pool = lot.pool_id
        before = available(session, [pool])[pool]
        hold_cold(session, lot, 10, 7.0, "Ada", "glut after Easter")
        after = available(session, [pool])[pool]
        assert lot.last_sale_on == MONDAY + timedelta(days=16)
        with pytest.raises(Refused) as too_long:
            hold_cold(session, lot, 5, 7.0, "Ada")
        hold_cold(session, lot, 4, 7.0, "Bo")
        rows = session.exec(select(ColdHold)).all()
        told = "\n".join(trace(session, "B1").lines())
    assert (before[6], before[7]) == (95, 0)
    assert (after[6], after[16], after[17]) == (95, 95, 0)
    assert refusal_of(too_long).code == "held_long_enough"
    assert "4 more days" in refusal_of(too_long).message
    assert [(row.last_sale_before, row.decided_by) for row in rows] == [
        (MONDAY + timedelta(days=6), "Ada"),
        (MONDAY + timedelta(days=16), "Bo"),
    ]
    assert "held cold for 10 days at 7 °C by Ada (glut after Easter)" in told


def test_holding_cold_is_in_the_day_book_and_is_taken_back_by_a_new_entry(db: Database) -> None:
    with db.writing() as session:
        lot = lot_here(session)
        pool = lot.pool_id
        before = available(session, [pool])[pool].tolist()
        first = day_book.hold_cold(session, lot, 10, 7.0, "Ada", "glut after Easter")
        second = day_book.hold_cold(session, lot, 4, 7.0, "Ada")
        with pytest.raises(Refused) as under:
            undo(session, first.entry.id or 0, "Bo", "the store is broken")
        for booked in (second, first):
            undo(session, booked.entry.id or 0, "Bo", "the store is broken")
        assert available(session, [pool])[pool].tolist() == before
        assert lot.last_sale_on == MONDAY + timedelta(days=6)
        assert days_left(lot, holds_of(session, lot)) == 14
        book = day_book.day_lines(session, MONDAY)
        told = "\n".join(trace(session, "B1").lines())
        with pytest.raises(Refused) as twice:
            undo(session, first.entry.id or 0, "Bo", "again")
    assert refusal_of(under).code == "changed_since"
    assert refusal_of(twice).code == "undone_already"
    assert [(line.action.value, line.plugs, line.undoes, line.undone) for line in book] == [
        ("held cold", 100, None, True),
        ("held cold", 100, None, True),
        ("held cold", 100, second.entry.id, False),
        ("held cold", 100, first.entry.id, False),
    ]
    assert "no longer held cold for 10 days: taken back" in told


def test_a_lot_held_cold_stands_where_it_stood_before_once_that_is_taken_back(
    db: Database,
) -> None:
    with db.writing() as session:
        lot = lot_here(session)
        stood = lot.batch.bench_id
        store = Bench(area_id=session.exec(select(Bench.area_id)).first() or 0, name="Store",
                      places=9)  # fmt: skip
        session.add(store)
        session.flush()
        booked = day_book.hold_cold(session, lot, 7, 5.0, "Ada", "", store)
        assert lot.batch.bench_id == store.id
        undo(session, booked.entry.id or 0, "Ada", "another batch")
        assert lot.batch.bench_id == stood


def test_the_last_sale_date_never_moves_by_itself(db: Database) -> None:
    with db.writing() as session:
        lot = lot_here(session)
        set_clock(session, MONDAY + timedelta(days=8))
        with pytest.raises(Refused) as past:
            hold_cold(session, lot, 3, 7.0, "Ada")
        assert lot.last_sale_on == MONDAY + timedelta(days=6)
        assert available(session, [lot.pool_id])[lot.pool_id].sum() == 0
    assert refusal_of(past).code == "past_last_sale"


def test_a_workbook_does_not_put_a_last_sale_date_off_but_a_command_does(
    db: Database, tmp_path: Path
) -> None:
    tables = opened(db, tmp_path / "site.xlsx")
    assert load_tables(db, tmp_path / "all.xlsx", tables).taken
    tables["Lots"][0]["Last sale on"] = date(2027, 4, 7)  # it was 28 March
    report = load_tables(db, tmp_path / "later.xlsx", tables)
    assert not report.taken
    assert any("put off by a workbook" in fault.rule for fault in report.faults)
    words = ["hold-cold", "B2701", "--days", "10", "--celsius", "7", "--by", "Ada"]
    run = CliRunner().invoke(app, [*words, "--database", db.address.removeprefix("sqlite:///")])
    assert "for sale until 2027-04-07 instead of 2027-03-28" in run.stdout
    with db.reading() as session:
        assert session.exec(select(Lot)).one().last_sale_on == date(2027, 4, 7)


@pytest.mark.parametrize(("store_c", "days"), [(5.0, 14), (10.0, 14), (10.1, 7), (18.0, 7)])
def test_the_warmer_the_store_the_shorter_plugs_are_held(
    db: Database, store_c: float, days: int
) -> None:
    """1 week at 18 °C (Kaczperski & Armitage)."""
    with db.writing() as session:
        lot = lot_here(session)
        assert days_left(lot, holds_of(session, lot), store_c) == days
        hold_cold(session, lot, days, store_c, "Ada")
        assert days_left(lot, holds_of(session, lot), store_c) == 0


@pytest.mark.parametrize("store_c", [4.9, 18.1, -2.0])
def test_a_store_that_is_too_cold_or_too_warm_holds_nothing(db: Database, store_c: float) -> None:
    with db.writing() as session:
        lot = lot_here(session)
        with pytest.raises(Refused) as refused:
            hold_cold(session, lot, 1, store_c, "Ada")
    assert refusal_of(refused).code == "not_cold"


def test_a_crop_that_is_not_held_cold_and_a_lot_under_a_veto_are_refused(db: Database) -> None:
    with db.writing() as session:
        lot = lot_here(session)
        lot.pool.crop.cold_weeks = 0
        session.flush()
        with pytest.raises(Refused) as never:
            hold_cold(session, lot, 1, 7.0, "Ada")
        lot.pool.crop.cold_weeks = 2
        set_veto(session, lot.batch, VetoKind.INSPECTION, "spots", "Ada")
        with pytest.raises(Refused) as veto:
            hold_cold(session, lot, 1, 7.0, "Ada")
    assert refusal_of(never).code == "held_long_enough"
    assert refusal_of(veto).code == "veto"


def test_more_plugs_set_aside_to_a_lot_that_is_held_cold_share_its_date(db: Database) -> None:
    with db.writing() as session:
        small_nursery(session, MONDAY)
        batch = growing(session, crop_named(session, CALTHA), "G1", 2)
        lot = set_ready(session, batch, 100, "Ada")
        hold_cold(session, lot, 7, 7.0, "Ada")
        again = set_ready(session, batch, 50, "Ada")
    assert again.id == lot.id
    assert (lot.plugs, lot.last_sale_on) == (150, MONDAY + timedelta(days=27 + 7))


def two_batches(session: Session, first: int, second: int) -> tuple[Batch, Batch]:
    """Batches of one lineage, 10 trays of 104 each, struck 15 days ago."""
    small_nursery(session, MONDAY)
    crop = crop_named(session, CALTHA)
    found = []
    for code, plugs in (("G1", first), ("G2", second)):
        batch = growing(session, crop, code, 0, trays=10, plugs=plugs)
        batch.lineage = "M-CALTHA"
        batch.started_on = batch.stage_entered_on = MONDAY - timedelta(days=13)
        found.append(batch)
    session.flush()
    return found[0], found[1]


def test_half_empty_trays_are_gapped_up_from_the_same_lineage_and_trays_come_free(
    db: Database,
) -> None:
    with db.writing() as session:
        taker, donor = two_batches(session, 700, 650)
        free = gap_up(session, taker, "Ada", donor)
        rows = session.exec(select(Movement).where(Movement.kind == Moved.REGRADED)).all()
        assert (balance(session, taker), balance(session, donor)) == (1040, 310)
        assert (taker.trays, donor.trays, free) == (10, 3, 7)
    assert sorted((row.plugs, row.batch_id) for row in rows) == [(-340, donor.id), (340, taker.id)]
    assert {row.reason for row in rows} == {"gapped up: G2 into G1"}


def test_a_donor_that_gives_all_its_plugs_is_closed(db: Database) -> None:
    with db.writing() as session:
        taker, donor = two_batches(session, 700, 200)
        assert gap_up(session, taker, "Ada", donor) == 10
        assert (donor.closed_on, donor.trays, balance(session, taker)) == (MONDAY, 0, 900)


def test_a_batch_may_be_gapped_up_from_its_own_last_trays(db: Database) -> None:
    with db.writing() as session:
        batch, _ = two_batches(session, 700, 650)
        assert gap_up(session, batch, "Ada") == 3
        assert (batch.trays, balance(session, batch)) == (7, 700)


@pytest.mark.parametrize(
    ("what", "value", "why"),
    [
        ("lineage", "M-OTHER", "another lineage"),
        ("lineage", "", "not known"),
        ("quarantine", Quarantine.UNKNOWN, "another state of health"),
        ("origin_country", "DE", "another origin"),
    ],
)
def test_plugs_of_another_lineage_or_state_of_health_never_fill_the_gaps(
    db: Database, what: str, value: object, why: str
) -> None:
    with db.writing() as session:
        taker, donor = two_batches(session, 700, 650)
        setattr(donor, what, value)
        session.flush()
        with pytest.raises(Refused) as refused:
            gap_up(session, taker, "Ada", donor)
        assert balance(session, taker) == 700
    assert (refusal_of(refused).code, why in refusal_of(refused).message) == ("other_lineage", True)


def test_a_batch_under_a_veto_is_not_gapped_up(db: Database) -> None:
    with db.writing() as session:
        taker, donor = two_batches(session, 700, 650)
        set_veto(session, donor, VetoKind.RE_ENTRY, "sprayed", "Ada")
        with pytest.raises(Refused) as refused:
            gap_up(session, taker, "Ada", donor)
        assert not week_sheet(session, Week.of(MONDAY)).of(TaskKind.GAP_UP)[1:]
    assert refusal_of(refused).code == "veto"


class Undone(Exception):
    """Takes back what one example wrote."""


@settings(
    deadline=None,
    max_examples=15,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)
@given(
    first=st.integers(1, 1040), second=st.integers(1, 1040), asked=st.integers(-5, 1100) | st.none()
)
def test_gapping_up_neither_makes_nor_loses_a_plug_and_every_plug_has_a_cell(
    db: Database, first: int, second: int, asked: int | None
) -> None:
    with suppress(Undone), db.writing() as session:
        taker, donor = two_batches(session, first, second)
        try:
            gap_up(session, taker, "Ada", donor, asked)
        except Refused as refused:
            gaps = 1040 - first
            wrong = asked is not None and not 1 <= asked <= min(gaps, second)
            assert wrong or gaps == 0, refused.refusal
        assert balance(session, taker) + balance(session, donor) == first + second
        for one in (taker, donor):
            assert balance(session, one) <= one.trays * 104
        raise Undone


def test_gapping_up_stands_on_the_week_sheet_two_to_three_weeks_after_the_start(
    db: Database,
) -> None:
    with db.writing() as session:
        taker, donor = two_batches(session, 700, 650)
        (task,) = week_sheet(session, Week.of(MONDAY)).of(TaskKind.GAP_UP)
        assert {task.batch, task.come_from.split(",")[0]} == {"G1", "G2"}
        assert (task.trays, task.minutes) == (7, 46)
        assert "7 trays come free" in task.go_to
        set_clock(session, MONDAY + timedelta(days=14))  # four weeks after the start it is too late
        assert week_sheet(session, Week.of(MONDAY) + 2).of(TaskKind.GAP_UP) == ()
        set_clock(session, MONDAY)
        site(session).gap_up_below = 0.6  # both are filled more than that
        session.flush()
        assert week_sheet(session, Week.of(MONDAY)).of(TaskKind.GAP_UP) == ()
        site(session).gap_up_below = 0.8
        taker.lineage = "M-OTHER"  # no donor any more: each is closed up by itself
        session.flush()
        tasks = week_sheet(session, Week.of(MONDAY)).of(TaskKind.GAP_UP)
    assert [(t.batch, t.trays) for t in tasks] == [("G1", 3), ("G2", 3)]
    assert donor.trays == 10  # the sheet only reads


def grade_b(session: Session, crop: Crop) -> Pool:
    session.add(Product(code="CP-B", name="seconds", crop_id=crop.id or 0, grade=Grade.B, plugs=6))
    pool = Pool(crop_id=crop.id or 0, grade=Grade.B)
    session.add(pool)
    session.flush()
    return pool


def test_a_regraded_plug_leaves_the_one_grade_and_enters_the_other_and_none_is_lost(
    db: Database,
) -> None:
    with db.writing() as session:
        lot = lot_here(session)
        with pytest.raises(Refused) as no_pool:
            regrade(session, lot, 30, Grade.B, "Ada", "leggy")
        pool = grade_b(session, lot.batch.crop)
        other = regrade(session, lot, 30, Grade.B, "Ada", "leggy")
        regrade(session, lot, 10, Grade.B, "Ada", "leggy")
        assert (lot.plugs, other.plugs, other.pool_id) == (60, 40, pool.id)
        assert (other.ready_on, other.last_sale_on) == (lot.ready_on, lot.last_sale_on)
        assert balance(session, lot.batch) == 100
        with pytest.raises(Refused) as too_many:
            regrade(session, lot, 61, Grade.B, "Ada", "leggy")
        with pytest.raises(Refused) as same:
            regrade(session, lot, 1, Grade.A, "Ada", "fine")
    codes = [refusal_of(each).code for each in (no_pool, too_many, same)]
    assert codes == ["no_pool", "not_enough_plugs", "same_grade"]


def test_plugs_potted_on_planted_out_or_sold_at_the_gate_are_promised_no_more(
    db: Database,
) -> None:
    with db.writing() as session:
        lot = lot_here(session)
        pool = lot.pool_id
        pot_on(session, lot.batch, 20, "Ada", "for autumn", lot)
        plant_out(session, lot.batch, 30, "Ada", "stream bed", lot)
        sell_at_gate(session, lot, 10, "Bo")
        assert available(session, [pool])[pool][0] == 38  # 40 left, less 5 %
        with pytest.raises(Refused) as more:
            sell_at_gate(session, lot, 41, "Bo")
        rows = session.exec(select(Movement).where(Movement.plugs < 0)).all()
        sell_at_gate(session, lot, 40, "Bo")
        assert lot.batch.closed_on == MONDAY
    assert [row.kind for row in rows] == [Moved.POTTED_ON, Moved.PLANTED_OUT, Moved.SOLD_AT_GATE]
    assert refusal_of(more).code == "not_enough_plugs"


def test_a_lot_past_its_last_sale_date_is_not_sold_at_the_gate(db: Database) -> None:
    with db.writing() as session:
        lot = lot_here(session)
        set_clock(session, MONDAY + timedelta(days=7))
        with pytest.raises(Refused) as past:
            sell_at_gate(session, lot, 1, "Bo")
        assert held(session, lot.batch, lot) == 100
    assert refusal_of(past).code == "past_last_sale"


def test_a_glut_is_held_cold_discounted_potted_on_or_discarded_by_dates(db: Database) -> None:
    with db.writing() as session:
        small_nursery(session, MONDAY)
        crop = crop_named(session, CALTHA)
        ready_lot(session, crop, 400, MONDAY - timedelta(days=7), NEXT_MONTH, code="B1")
        ready_lot(session, crop, 100, MONDAY, MONDAY + timedelta(days=27), code="B2")
        wanted(session, crop, 1, 90)
        open_order(session, "S1", product_of(session, crop), 5)
        wanted(session, crop, 3, 95)  # the other lot
        wanted(session, crop, 4, 140)  # the second week after the first lot's last sale date
        (first, *rest) = glut_advice(session, MONDAY)
        assert week_sheet(session, Week.of(MONDAY)).glut == (first,)
        assert week_sheet(session, Week.of(MONDAY) + 1).glut == ()  # of today's lots, this week
    assert rest == []
    assert (first.batch_code, first.plugs) == ("B1", 380 - 90 - 30)
    assert first.last_sale_on == first.pot_on_by == NEXT_MONTH  # a Sunday
    assert first.discount_from == MONDAY + timedelta(days=6)
    assert first.discard_on == NEXT_MONTH + timedelta(days=1)
    assert (first.hold_until, first.held_sells) == (date(2027, 4, 4), 140)


def test_nobody_is_told_of_a_glut_where_all_is_wanted(db: Database) -> None:
    with db.writing() as session:
        small_nursery(session, MONDAY)
        crop = crop_named(session, CALTHA)
        ready_lot(session, crop, 400, MONDAY, NEXT_MONTH)
        for week in range(3):
            wanted(session, crop, week, 130)
        assert glut_advice(session, MONDAY) == []
        sheet = week_sheet(session, Week.of(MONDAY))
        assert sheet.glut == ()
