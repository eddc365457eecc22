"""Materials to order by when, and the work that comes round every week."""

import math
from datetime import date, timedelta

import pytest
from sqlmodel import Session, select
from typer.testing import CliRunner

from nursery.cli import app
from nursery.crop import AreaKind as Kind
from nursery.crop import Method, StageKind, TrayFormat
from nursery.database import Database, site
from nursery.material import Material, MaterialKind, UsedFor
from nursery.order import Wrap
from nursery.planned import PlannedStart
from nursery.travelling import ParcelBox
from nursery.week.materials import CallOff, call_off, cell_cm3
from nursery.week.recurring import RecurringWork, rounds, usual_work, week_minutes
from nursery.week.warnings import WarningKind, warnings
from nursery.week.week_sheet import TaskKind, week_sheet
from nursery.weeks import Week
from nursery.working_days import working_day_before
from tests.builders import accepted_plan, crop_named, open_order, product_of, small_nursery
from tests.nursery.test_propagation_service import promise
from tests.nursery.test_trade_rules_plan import (
    CALTHA,
    MONDAY,
    bought_in,
    growing,
    replaced,
    seed_lot,
    sown,
    stage,
    tray,
    wanted,
)

THIS_WEEK = Week.of(MONDAY)


def accepted(session: Session, *starts: tuple[int, int]) -> None:
    """An accepted plan of the first crop: (week from now, trays)."""
    plan = accepted_plan(session, MONDAY)
    protocol = crop_named(session, CALTHA).protocols[0]
    for week, trays in starts:
        session.add(
            PlannedStart(
                plan_id=plan.id or 0,
                protocol_id=protocol.id or 0,
                week=str(THIS_WEEK + week),
                trays=trays,
            )
        )
    session.flush()


def material(session: Session, name: str, used_for: UsedFor, **given: object) -> Material:
    made = Material.model_validate({"name": name, "used_for": used_for, **given})
    session.add(made)
    session.flush()
    return made


def line(session: Session, name: str, weeks: int = 8) -> CallOff:
    return next(one for one in call_off(session, weeks) if one.name == name)


def test_trays_are_ordered_a_lead_time_before_the_week_that_the_stock_does_not_cover(
    db: Database,
) -> None:
    with db.writing() as session:
        small_nursery(session, MONDAY)
        accepted(session, (0, 6), (3, 5), (5, 4))
        material(
            session, "trays 104", UsedFor.TRAY, kind=MaterialKind.TRAYS, amount=1.0,
            in_stock=12.0, spare=2.0, lead_days=10, pack=25.0,
        )  # fmt: skip
        found = line(session, "trays 104")
    assert found.used == (6, 0, 0, 5, 0, 4, 0, 0)
    assert (found.lasts_until, found.short_from) == ("2027-W11", "2027-W12")
    # there by Monday 22 March, ten days before is Friday 12 March
    assert found.order_by == date(2027, 3, 12)
    assert (found.order, found.late) == (25.0, False)  # 15 used, 10 may be: a pack of 25
    assert "order 25 pieces by Fri 12 Mar 2027" in str(found)


def test_an_order_day_falls_on_a_working_day(db: Database) -> None:
    """Easter Monday 2027-03-29; Good Friday is worked in the Netherlands."""
    with db.writing() as session:
        small_nursery(session, MONDAY)
        here = site(session)
        assert working_day_before(here, date(2027, 3, 29)) == date(2027, 3, 26)
        assert working_day_before(here, date(2027, 3, 7)) == date(2027, 3, 5)
        assert working_day_before(here, date(2027, 3, 4)) == date(2027, 3, 4)
        here.working_days = "1010000"
        assert working_day_before(here, date(2027, 3, 30)) == date(2027, 3, 24)


def test_a_material_whose_order_day_has_passed_is_late_and_what_lasts_is_not_ordered(
    db: Database,
) -> None:
    with db.writing() as session:
        small_nursery(session, MONDAY)
        accepted(session, (1, 6))
        material(
            session, "labels", UsedFor.TRAY, kind=MaterialKind.LABELS, in_stock=5.0, lead_days=14
        )
        material(
            session, "tags", UsedFor.BATCH, kind=MaterialKind.LABELS, in_stock=1.0, lead_days=14
        )
        late, enough = line(session, "labels"), line(session, "tags")
    assert late.late and late.order == 1 and "it is late already" in str(late)
    assert (enough.total, enough.order_by, enough.order) == (1, None, 0)


def test_setting_over_fills_trays_of_the_next_format_when_the_stage_before_ends(
    db: Database,
) -> None:
    with db.writing() as session:
        small_nursery(session, MONDAY)
        crop = crop_named(session, CALTHA)
        small, large = tray(session, 288), tray(session, 72)
        replaced(
            session, crop, Method.DIVISION,
            [
                stage(StageKind.STRIKE, Kind.PROPAGATION, 14, small, 0.9),
                stage(StageKind.GROW_ON, Kind.GROWING, 28, large, 0.9),
            ],
        )  # fmt: skip
        accepted(session, (1, 2))
        for row in (small, large):
            material(
                session, row.name, UsedFor.TRAY, kind=MaterialKind.TRAYS, tray_format_id=row.id
            )
        assert line(session, "288").used == (0, 2, 0, 0, 0, 0, 0, 0)
        assert line(session, "72").used == (0, 0, 0, math.ceil(2 * 288 * 0.9 / 72), 0, 0, 0, 0)
        batch = growing(session, crop, "G1", 0, trays=3)
        batch.tray_format_id = small.id or 0
        session.flush()
        assert line(session, "72").used[2] == math.ceil(312 * 0.9 / 72)


def test_bought_in_plants_come_in_the_suppliers_trays_and_are_ordered_by_the_week_sheet(
    db: Database,
) -> None:
    with db.writing() as session:
        small_nursery(session, MONDAY)
        bought_in(session, crop_named(session, CALTHA))
        accepted(session, (0, 4))
        material(session, "trays", UsedFor.TRAY, kind=MaterialKind.TRAYS)
        assert line(session, "trays").total == 0
        (task,) = week_sheet(session, THIS_WEEK).of(TaskKind.START)
    assert (task.come_from, task.go_to) == ("order from the supplier", "on order")


def test_wrap_and_boxes_follow_promises_orders_and_expected_sales(db: Database) -> None:
    with db.writing() as session:
        small_nursery(session, MONDAY)
        crop = crop_named(session, CALTHA)
        wrap = session.exec(select(Wrap)).one()
        product = product_of(session, crop)
        product.wrap_id = wrap.id
        promise(session, "S1", crop, 5, MONDAY + timedelta(days=8))
        waiting = open_order(session, "S2", product, 3)
        waiting.not_before = MONDAY + timedelta(days=24)  # leaves in the fourth week
        wanted(session, crop, 5, 60)  # ten bundles of six, 4 in a parcel as on the book
        material(
            session, "moss", UsedFor.BUNDLE, kind=MaterialKind.WRAP, unit="grams", amount=40.0,
            wrap_id=wrap.id,
        )  # fmt: skip
        material(session, "boxes", UsedFor.PARCEL, kind=MaterialKind.BOXES)
        moss, boxes = line(session, "moss"), line(session, "boxes")
    assert moss.used == (0, 200, 0, 120, 0, 400, 0, 0)
    assert boxes.used == (0, 1, 0, 1, 0, 3, 0, 0)


def test_boxes_are_called_off_by_kind_from_what_each_order_holds(db: Database) -> None:
    """Two bundles of six plugs fill the small box of 12; three go into the large one of 30."""
    with db.writing() as session:
        small_nursery(session, MONDAY)
        crop = crop_named(session, CALTHA)
        session.add(ParcelBox(name="small", room=12, cost_cents=50))
        session.add(ParcelBox(name="large", room=30, cost_cents=90))
        session.add(ParcelBox(name="huge", room=31, cost_cents=900))
        promise(session, "S1", crop, 5, MONDAY + timedelta(days=8))
        for reference, quantity in (("S2", 3), ("S3", 1), ("S4", 7)):
            open_order(session, reference, product_of(session, crop), quantity)
        assumed = {one.name: one.used for one in call_off(session, 2) if one.kind == "boxes"}
        material(session, "boxes", UsedFor.PARCEL, kind=MaterialKind.BOXES)
        of_all = line(session, "boxes", 2).used
        material(session, "large", UsedFor.PARCEL, kind=MaterialKind.BOXES)
        material(session, "huge", UsedFor.PARCEL, kind=MaterialKind.BOXES)
        material(session, "slips", UsedFor.PARCEL, kind=MaterialKind.LABELS)
        listed = {one.name: one.used for one in call_off(session, 2) if one.assumed == ""}
    # 5 in a large one; 3 in a large one; 1 in a small one; 7 in a large and a small one.
    assert assumed == {"small": (2, 0), "large": (2, 1), "huge": (0, 0)}
    assert of_all == (4, 1)
    boxes = {name: listed[name] for name in ("boxes", "large", "huge", "slips")}
    assert boxes == {"boxes": (2, 0), "large": (2, 1), "huge": (0, 0), "slips": (3, 1)}


def test_wrap_is_called_off_as_it_is_chosen_for_the_journey_of_what_is_promised(
    db: Database,
) -> None:
    """Paper holds no water to speak of: every parcel in it travels in moss instead."""
    with db.writing() as session:
        small_nursery(session, MONDAY)
        crop = crop_named(session, CALTHA)
        moss = session.exec(select(Wrap)).one()
        paper = Wrap(name="paper", water_g=1.0, minimum_water_g=0.9, cost_cents=1)
        session.add(paper)
        session.flush()
        product_of(session, crop).wrap_id = paper.id
        promise(session, "S1", crop, 5, MONDAY + timedelta(days=8))
        for wrap in (moss, paper):
            material(session, wrap.name, UsedFor.BUNDLE, kind=MaterialKind.WRAP, wrap_id=wrap.id)
        used = {name: line(session, name, 2).used for name in (moss.name, "paper")}
    assert used == {"moss and paper": (0, 5), "paper": (0, 0)}


def test_seed_that_the_plan_sows_beyond_what_is_left_is_ordered(db: Database) -> None:
    with db.writing() as session:
        small_nursery(session, MONDAY)
        crop = crop_named(session, CALTHA)
        sown(session, crop)
        seed_lot(session, crop, date(2027, 12, 1), seeds=500)
        accepted(session, (2, 3), (4, 3))
        found = line(session, f"seed of {CALTHA}")
    assert found.used == (0, 0, 312, 0, 312, 0, 0, 0)
    assert (found.short_from, found.order, found.order_by) == ("2027-W13", 124, date(2027, 3, 15))


@pytest.mark.parametrize(("cells", "cm3"), [(72, 43), (128, 23), (288, 7)])
def test_cells_hold_what_is_published(cells: int, cm3: float) -> None:
    """Ontario, vegetable transplants in plug trays: 72 = 43 cm3, 128 = 23, 288 = 7."""
    assert cell_cm3(cells) == pytest.approx(cm3)
    assert cell_cm3(104) < cell_cm3(72) < cell_cm3(50)
    assert cell_cm3(128) > cell_cm3(200) > cell_cm3(288) > cell_cm3(338)


def test_without_listed_materials_the_usual_ones_are_to_be_counted_first(db: Database) -> None:
    with db.writing() as session:
        small_nursery(session, MONDAY)
        session.add(TrayFormat(name="72", cells=72))
        accepted(session, (2, 10))
        found = {one.name: one for one in call_off(session, 8)}
    substrate = found["substrate for trays 104"]
    assert substrate.total == pytest.approx(10 * 104 * cell_cm3(104) / 1000, abs=1)
    assert found["trays 72"].total == 0
    assert {one.assumed for one in found.values()} == {"common practice, no source"}
    assert all(one.order_by is None and one.in_stock is None for one in found.values())


def test_what_a_plan_uses_beside_the_listed_materials_is_warned_of(db: Database) -> None:
    with db.writing() as session:
        small_nursery(session, MONDAY)
        accepted(session, (1, 10))
        kind = MaterialKind.SUBSTRATE
        material(session, "compost", UsedFor.TRAY, kind=kind, amount=2.0, in_stock=100.0)
        found = {one.name: one for one in call_off(session, 8)}
        told = {w.thing: w for w in warnings(session) if w.kind is WarningKind.MATERIAL}
        kind = MaterialKind.TRAYS
        other = TrayFormat(name="54", cells=54)
        session.add(other)
        session.flush()
        only_other = material(session, "trays 54", UsedFor.TRAY, kind=kind,
                              tray_format_id=other.id)  # fmt: skip
        still = [w.thing for w in warnings(session) if w.thing == "trays 104"]
        only_other.tray_format_id = None
        washed = [w.thing for w in warnings(session) if w.thing == "trays 104"]
    assert (found["trays 104"].assumed, found["trays 104"].total) == ("not listed", 10)
    assert "substrate for trays 104" not in found and "boxes" not in found
    assert told["trays 104"].latest_day == MONDAY
    assert "about 10 pieces are used in 12 weeks, from 2027-W10 on" in told["trays 104"].text
    assert "with amount 0" in told["trays 104"].what_to_do
    assert set(told) == {"trays 104", "labels"}
    assert (still, washed) == (["trays 104"], [])


def test_the_call_off_is_printed_for_people_and_as_json(db: Database) -> None:
    with db.writing() as session:
        small_nursery(session, MONDAY)
        accepted(session, (0, 6))
        material(session, "trays", UsedFor.TRAY, kind=MaterialKind.TRAYS, in_stock=2.0)
    address = db.address.removeprefix("sqlite:///")
    run = CliRunner(env={"COLUMNS": "140"})
    shown = run.invoke(app, ["materials", "--weeks", "6", "--database", address])
    data = run.invoke(app, ["materials", "--json", "--database", address])
    assert shown.exit_code == data.exit_code == 0
    assert "LATE: trays: order 4 pieces at once" in " ".join(shown.stdout.split())
    assert '"order": 4' in data.stdout


def test_the_usual_rounds_stand_on_the_week_sheet_marked_as_assumed(db: Database) -> None:
    with db.writing() as session:
        small_nursery(session, MONDAY)
        found = week_sheet(session, THIS_WEEK).rounds
        winter = rounds(session, Week(2027, 2), site(session))
    names = " ".join(one.name for one in found)
    assert all(word in names for word in ("slugs", "aphids", "count", "watering", "hygiene"))
    assert {one.assumed for one in found} == {"common practice, no source"}
    assert len({one.day for one in found if one.name == "watering"}) == 7
    assert not any("aphids" in one.name for one in winter)  # weeks 9 to 44
    assert week_minutes(list(usual_work()), THIS_WEEK) == 270


def test_listed_rounds_replace_the_usual_ones_and_avoid_holidays(db: Database) -> None:
    """Easter Monday 2027-03-29."""
    with db.writing() as session:
        small_nursery(session, MONDAY)
        session.add(RecurringWork(name="slugs", days="1000000", minutes=25, skill="pests"))
        session.add(RecurringWork(name="watering", days="1111111", minutes=10))
        session.add(RecurringWork(name="never", days="1111111", minutes=0))
        session.flush()
        found = rounds(session, Week(2027, 13), site(session))
        sheet = week_sheet(session, Week(2027, 13))
        assert site(session).holiday_region == "NL"
    slugs = [one for one in found if one.name == "slugs"]
    assert [(one.day, one.minutes, one.skill) for one in slugs] == [
        (date(2027, 3, 30), 25, "pests")
    ]
    assert len([one for one in found if one.name == "watering"]) == 7
    assert {one.assumed for one in found} == {""}
    assert sheet.rounds == tuple(found)
    assert sheet.round_minutes == 25 + 70
