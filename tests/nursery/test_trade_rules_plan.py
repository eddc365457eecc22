"""Every rule of the trade that a propagation plan keeps: without the rule its test fails."""

import math
from datetime import date, timedelta

import numpy as np
import pytest
from sqlmodel import Session, col, select

from nursery.batch import Batch, Quarantine
from nursery.crop import AreaKind, Clock, Crop, Method, Protocol, Stage, StageKind, TrayFormat
from nursery.database import Database, now, site
from nursery.demand import Demand, DemandKind
from nursery.errors import Refused
from nursery.growing.batch_work import start_batch
from nursery.growing.growth import expected_lots, pooled_lots
from nursery.growing.leaving import plant_out
from nursery.growing_area import Absence, Bench, GrowingArea, Person
from nursery.mother_plant import MotherBlock, MotherPause, PauseKind
from nursery.planning.plan_reasons import Reasons
from nursery.planning.plan_report import judged, seed_use
from nursery.planning.propagation_problem import build_problem, safe_flush
from nursery.seed import SeedLot
from nursery.shed.ledger import move, record_count
from nursery.stock import Moved
from nursery.week.recurring import RecurringWork
from nursery.weeks import Week
from nursery.yields import Survival, chain, safe_plugs, safe_together
from solver.propagation import Area, Plan, Problem, Start, cost, violations
from solver.propagation import Crop as PlannedCrop
from solver.propagation import Protocol as PlannedProtocol
from solver.rules_of_thumb import backward
from tests.builders import crop_named, product_of, ready_lot, small_nursery

MONDAY = date(2027, 3, 1)
WEEKS = 26
CALTHA, PRIMULA = "Caltha palustris", "Primula rosea"


def wanted(
    session: Session,
    crop: Crop,
    week: int,
    plugs: int,
    kind: DemandKind = DemandKind.EXPECTED_SALES,
) -> None:
    """So many plugs are wanted in the `week`-th week from 2027-W09."""
    text = str(Week.of(MONDAY) + week)
    session.add(Demand(crop_id=crop.id or 0, week=text, kind=kind, plugs=plugs))
    session.flush()


def crop_in(problem: Problem, name: str = CALTHA) -> PlannedCrop:
    return next(crop for crop in problem.crops if crop.key == name)


def only_protocol(problem: Problem, name: str = CALTHA) -> PlannedProtocol:
    (protocol,) = crop_in(problem, name).protocols
    return protocol


def area_in(problem: Problem, kind: AreaKind) -> Area:
    return next(area for area in problem.areas if area.key == kind.value)


def tray(session: Session, cells: int = 104) -> TrayFormat:
    found = session.exec(select(TrayFormat).where(TrayFormat.cells == cells)).first()
    if found is None:
        found = TrayFormat(name=str(cells), cells=cells)
        session.add(found)
        session.flush()
    return found


def stage(
    kind: StageKind, area: AreaKind, days: float, tray_format: TrayFormat, survival: float = 1.0
) -> Stage:
    return Stage(
        position=0,
        kind=kind,
        area_kind=area,
        clock=Clock.DAYS,
        clock_amount=days,
        tray_format_id=tray_format.id,
        survival=survival,
        overdispersion=0.02,
        minutes=3,
    )


def replaced(session: Session, crop: Crop, method: Method, stages: list[Stage]) -> Protocol:
    """The crop's one protocol, with other stages."""
    (protocol,) = crop.protocols
    for old in list(protocol.stages):
        session.delete(old)
    session.flush()
    protocol.method = method
    protocol.stages = stages
    for place, one in enumerate(stages, start=1):
        one.position = place
    session.flush()
    return protocol


def growing(
    session: Session,
    crop: Crop,
    code: str,
    place: int = 0,
    trays: int = 7,
    plugs: int | None = None,
) -> Batch:
    """A clear batch that entered the `place`-th stage of its protocol on the Monday."""
    protocol, form = crop.protocols[0], tray(session)
    batch = Batch(
        code=code,
        crop_id=crop.id or 0,
        protocol_id=protocol.id or 0,
        stage_id=protocol.stages[place].id or 0,
        tray_format_id=form.id or 0,
        trays=trays,
        started_on=MONDAY - timedelta(weeks=4 * place),
        stage_entered_on=MONDAY,
        quarantine=Quarantine.CLEAR,
    )
    session.add(batch)
    session.flush()
    move(session, batch, Moved.COUNTED, plugs or trays * form.cells, "Ada", "started")
    return batch


@pytest.mark.parametrize(
    ("place", "kind"),
    [(0, AreaKind.PROPAGATION), (1, AreaKind.GROWING), (2, AreaKind.FRAME)],
)
def test_work_in_progress_holds_the_places_of_whatever_stage_it_is_in_and_counts_rule_its_plugs(
    db: Database, place: int, kind: AreaKind
) -> None:
    with db.writing() as session:
        small_nursery(session, MONDAY)
        crop = crop_named(session, CALTHA)
        batch = growing(session, crop, "G1", place)
        before, _ = build_problem(session, WEEKS)
        record_count(session, batch, 300, "Bo", now(session))
        after, _ = build_problem(session, WEEKS)
    assert area_in(before, kind).wip_places[0] == 7
    first = [k for k in (AreaKind.PROPAGATION, AreaKind.GROWING, AreaKind.FRAME) if k is not kind]
    assert all(area_in(before, other).wip_places[0] == 0 for other in first)
    assert sum(crop_in(before).ready) > 500 > 300 >= sum(crop_in(after).ready) > 200


def test_a_flush_spreads_a_batchs_plugs_over_the_weeks_after_it_is_ready(db: Database) -> None:
    with db.writing() as session:
        small_nursery(session, MONDAY)
        crop = crop_named(session, CALTHA)
        crop.protocols[0].flush = "50/30/20"
        growing(session, crop, "G1", 2)
        session.flush()
        problem, _ = build_problem(session, WEEKS)
    plugs = only_protocol(problem).plugs
    assert [round(n / sum(plugs), 1) for n in plugs] == [0.5, 0.3, 0.2]
    weeks = [w for w, n in enumerate(crop_in(problem).ready) if n]
    assert weeks == list(range(weeks[0], weeks[0] + 3))


def bought_in(session: Session, crop: Crop) -> Protocol:
    """Three weeks from the supplier, three in isolation, in lots of at least 4 trays."""
    form = tray(session)
    protocol = replaced(
        session,
        crop,
        Method.BOUGHT_IN,
        [
            stage(StageKind.ON_ORDER, AreaKind.NONE, 21, form),
            stage(StageKind.ISOLATION, AreaKind.ISOLATION, 21, form, 0.97),
        ],
    )
    protocol.smallest_batch = 4
    area = GrowingArea(name="Far house", kind=AreaKind.ISOLATION, cleaning_days=0)
    area.benches = [Bench(name="Far house 1", places=5)]
    session.add(area)
    session.flush()
    return protocol


def test_bought_in_plants_come_after_the_suppliers_lead_weeks_and_stand_in_isolation(
    db: Database,
) -> None:
    with db.writing() as session:
        small_nursery(session, MONDAY)
        crop = crop_named(session, CALTHA)
        protocol = bought_in(session, crop)
        wanted(session, crop, 3, 100)
        wanted(session, crop, 10, 100)
        problem, notes = build_problem(session, WEEKS)
        batch = start_batch(session, protocol, 4, "Ada")
        fresh, _ = build_problem(session, WEEKS)
    key = only_protocol(problem).key
    order, isolation = only_protocol(problem).stages
    assert (order.places, order.dwell[0]) == (0, 3)
    assert (isolation.area, isolation.places, isolation.dwell[3]) == ("isolation house", 1, 3)
    assert area_in(problem, AreaKind.ISOLATION).places[0] == 5
    assert violations(problem, Plan((Start(key, 0, 0, 3),)))  # under the supplier's smallest lot
    assert violations(problem, Plan((Start(key, 0, 0, 4),))) == []
    plan = backward(problem)
    assert plan.starts and min(start.week for start in plan.starts) + 6 <= 10
    unmet = judged(problem, plan, notes.horizon).completion.unmet
    assert round(unmet[CALTHA, 3]) == 100  # two weeks late at most: nothing is here by then
    assert batch.quarantine is Quarantine.UNKNOWN
    assert area_in(fresh, AreaKind.ISOLATION).wip_places[:7] == (0, 0, 0, 4, 4, 4, 0)
    assert sum(crop_in(fresh).ready) == 0  # not counted on until somebody says they are clear


def sown(session: Session, crop: Crop) -> Protocol:
    form = tray(session)
    return replaced(
        session,
        crop,
        Method.SEED,
        [
            stage(StageKind.STRIKE, AreaKind.PROPAGATION, 14, form, 0.8),
            stage(StageKind.GROW_ON, AreaKind.GROWING, 28, form, 0.9),
        ],
    )


def seed_lot(
    session: Session, crop: Crop, sow_by: date, germination: float = 0.5, seeds: int = 2000
) -> SeedLot:
    lot = SeedLot(
        code=f"S{seeds}-{sow_by}",
        crop_id=crop.id or 0,
        seeds=seeds,
        germination=germination,
        tested_on=date(2027, 1, 11),
        sow_by=sow_by,
    )
    session.add(lot)
    session.flush()
    return lot


@pytest.mark.parametrize("germination", [0.5, 0.95])
def test_seed_comes_up_as_its_lot_was_tested(db: Database, germination: float) -> None:
    with db.writing() as session:
        small_nursery(session, MONDAY)
        crop = crop_named(session, CALTHA)
        protocol = sown(session, crop)
        wanted(session, crop, 12, 500)
        book, _ = build_problem(session, WEEKS)
        seed_lot(session, crop, date(2027, 12, 31), germination)
        tested, _ = build_problem(session, WEEKS)
        start_batch(session, protocol, 4, "Ada")
        (lot, _late) = expected_lots(session, MONDAY)
    plugs = sum(only_protocol(tested).plugs)
    assert plugs == pytest.approx(sum(only_protocol(book).plugs) * germination / 0.8, rel=0.15)
    assert plugs < 104 * germination * 0.9  # safe, so below the mean
    alone = safe_plugs(416, 1, chain([Survival(germination, 0.02), Survival(0.9, 0.02)]), 0.9)
    assert lot.plugs == pytest.approx(0.7 * alone, abs=1)


def test_nothing_is_sown_after_its_sow_by_date_nor_more_than_there_is(db: Database) -> None:
    with db.writing() as session:
        small_nursery(session, MONDAY)
        crop = crop_named(session, CALTHA)
        sown(session, crop)
        seed_lot(session, crop, date(2027, 4, 2), seeds=500)  # Friday of 2027-W13
        for week in range(6, WEEKS):
            wanted(session, crop, week, 60)
        problem, notes = build_problem(session, WEEKS)
    protocol = only_protocol(problem)
    assert protocol.mother == f"seed of {CALTHA}"
    assert problem.mothers[0].quota == (500,) * 5 + (0,) * 21
    assert violations(problem, Plan((Start(protocol.key, 4, 0, 4),))) == []
    assert violations(problem, Plan((Start(protocol.key, 5, 0, 4),)))  # past the date
    assert violations(problem, Plan((Start(protocol.key, 4, 0, 5),)))  # 520 seeds of 500
    plan = backward(problem)
    assert plan.starts and all(start.week <= 4 for start in plan.starts)
    at = judged(problem, plan, notes.horizon)
    why = Reasons(problem, plan, at.loads, notes.horizon).unmet(crop_in(problem), 20)
    assert "past its sow-by date" in why
    two = judged(
        problem, Plan((Start(protocol.key, 0, 0, 3), Start(protocol.key, 2, 0, 3))), notes.horizon
    )
    (use,) = seed_use(two)
    assert (use.sown, use.left, use.short_from) == (624, 500, "2027-W11")


def test_the_seed_lot_that_is_first_past_sowing_is_sown_first_and_is_the_batchs_lineage(
    db: Database,
) -> None:
    with db.writing() as session:
        small_nursery(session, MONDAY)
        crop = crop_named(session, CALTHA)
        protocol = sown(session, crop)
        seed_lot(session, crop, date(2027, 2, 28), seeds=9000)  # past yesterday
        soon = seed_lot(session, crop, date(2027, 3, 1), seeds=300)
        later = seed_lot(session, crop, date(2027, 9, 1), seeds=208)
        first = start_batch(session, protocol, 2, "Ada")
        second = start_batch(session, protocol, 2, "Ada")
        assert (first.seed_lot_id, first.lineage, first.seeds_sown) == (soon.id, soon.code, 208)
        assert second.seed_lot_id == later.id
        with pytest.raises(Refused) as too_many:
            start_batch(session, protocol, 1, "Ada")
        later.seeds, later.sow_by = 5000, date(2027, 2, 1)
        soon.sow_by = date(2027, 2, 1)
        session.flush()
        with pytest.raises(Refused) as past:
            start_batch(session, protocol, 1, "Ada")
    assert too_many.value.refusal.code == "not_enough_seed"
    assert past.value.refusal.code == "seed_past_sow_by"


def block(session: Session, crop: Crop, **given: object) -> MotherBlock:
    rows: dict[str, object] = {"code": "M1", "plants": 40, "propagules_a_week": 8.0}
    made = MotherBlock.model_validate({"crop_id": crop.id or 0, **rows, **given})
    session.add(made)
    session.flush()
    return made


def test_a_mother_block_is_renewed_some_weeks_before_its_use_ends(db: Database) -> None:
    with db.writing() as session:
        small_nursery(session, MONDAY)
        crop = crop_named(session, CALTHA)
        old = block(session, crop, use_until=date(2027, 8, 1), renewal_weeks=6)
        problem, notes = build_problem(session, WEEKS)
        demand = crop_in(problem).demand
        assert (demand[15], sum(demand)) == (40, 40)  # Sunday 2027-06-20 is in the 16th week
        assert any("'M1' is used until 2027-08-01: 40 young plants" in s for s in notes.sentences)
        old.use_until, old.use_from = None, date(2024, 8, 4)  # three years and no more
        session.flush()
        assert crop_in(build_problem(session, WEEKS)[0]).demand[15] == 40
        wanted(session, crop, 3, 25, DemandKind.MOTHER_RENEWAL)  # the lead's own word counts
        by_hand = crop_in(build_problem(session, WEEKS)[0]).demand
        assert (by_hand[3], sum(by_hand)) == (25, 25)
        for row in session.exec(select(Demand)).all():
            session.delete(row)
        block(session, crop, code="M2", use_from=date(2027, 6, 1), use_until=date(2030, 6, 1))
        assert sum(crop_in(build_problem(session, WEEKS)[0]).demand) == 0  # has its successor


def test_dwell_follows_the_season(db: Database) -> None:
    with db.writing() as session:
        small_nursery(session, MONDAY)
        problem, _ = build_problem(session, 52)
    grow = only_protocol(problem).stages[1].dwell
    assert grow[44] > grow[0] > grow[18]  # early January, March, early July


def test_setting_over_into_larger_cells_multiplies_trays_places_and_minutes(db: Database) -> None:
    with db.writing() as session:
        small_nursery(session, MONDAY)
        crop = crop_named(session, CALTHA)
        replaced(
            session,
            crop,
            Method.DIVISION,
            [
                stage(StageKind.STRIKE, AreaKind.PROPAGATION, 14, tray(session, 288), 0.9),
                stage(StageKind.GROW_ON, AreaKind.GROWING, 28, tray(session, 72), 0.9),
            ],
        )
        problem, _ = build_problem(session, WEEKS)
    strike, grow = only_protocol(problem).stages
    assert (strike.places, strike.minutes) == (1, 3)
    assert math.ceil(288 * 0.9 / 72) == 4
    assert (grow.places, grow.minutes) == (4, 12)


def test_mother_plants_are_cut_within_quota_never_in_blackout_never_the_reserve(
    db: Database,
) -> None:
    with db.writing() as session:
        small_nursery(session, MONDAY)
        crop = crop_named(session, CALTHA)
        made = block(session, crop, plants=40, reserve=14)  # 26 * 8 = 208: two trays
        for kind, first, last in ((PauseKind.BLACKOUT, 11, 12), (PauseKind.REST, 14, 14)):
            session.add(
                MotherPause(block_id=made.id or 0, kind=kind, first_week=first, last_week=last)
            )
        crop.protocols[0].mother_block_id = made.id
        session.flush()
        problem, _ = build_problem(session, WEEKS)
    key = only_protocol(problem).key
    assert violations(problem, Plan((Start(key, 0, 0, 2),))) == []
    assert violations(problem, Plan((Start(key, 0, 0, 3),)))
    for paused in (2, 3, 5):
        assert violations(problem, Plan((Start(key, paused, 0, 2),)))
    assert violations(problem, Plan((Start(key, 4, 0, 2),))) == []


def test_a_frame_opens_with_the_weather_hardening_takes_longer_in_frost(db: Database) -> None:
    with db.writing() as session:
        small_nursery(session, MONDAY)
        for area in session.exec(select(GrowingArea)).all():
            if area.kind is AreaKind.FRAME:
                area.coupling = 1.0  # an open frame: the air outside
        session.flush()
        problem, _ = build_problem(session, 52)
    frame = only_protocol(problem).stages[2].dwell
    assert frame[14] == 2  # eight days of June
    assert frame[44] > 2  # January: frost days do not count


def test_places_are_kept_free_indoors_for_the_frames_in_weeks_with_frost(db: Database) -> None:
    with db.writing() as session:
        small_nursery(session, MONDAY)
        for area in session.exec(select(GrowingArea)).all():
            if area.kind is AreaKind.FRAME:
                area.coupling = 1.0
        site(session).frost_reserve = 0.25
        growing(session, crop_named(session, CALTHA), "G1", 1, trays=110)
        problem, notes = build_problem(session, 52)
    house, work = area_in(problem, AreaKind.GROWING), area_in(problem, AreaKind.GROWING).wip_places
    assert house.places[18] == 120  # July
    assert house.places[44] == 120 - 15  # a quarter of the 60 places of the frames, in January
    assert work[0] == 110
    assert house.places[0] == 110  # never so many that what stands there already would not fit
    assert any("15 places of the growing house are kept free" in s for s in notes.sentences)


def test_hours_follow_absences_overtime_and_listed_recurring_work(db: Database) -> None:
    with db.writing() as session:
        small_nursery(session, MONDAY)
        ada = session.exec(select(Person)).one()
        session.add(
            Absence(person_id=ada.id or 0, first_day=date(2027, 3, 8), last_day=date(2027, 3, 9))
        )
        before, told = build_problem(session, 6)
        session.add(RecurringWork(name="watering", days="1111111", minutes=30))
        session.add(
            RecurringWork(name="aphids", days="0100000", minutes=20, persons=2, first_week=11)
        )
        session.flush()
        after, _ = build_problem(session, 6)
        rest = session.exec(select(RecurringWork).where(col(RecurringWork.name) == "aphids")).one()
        rest.minutes = 2200.0 / 2
        session.flush()
        full, _ = build_problem(session, 6)
    assert before.regular_minutes[:2] == (2280, 1368)
    assert before.overtime_minutes[:2] == (300, 180)
    assert after.regular_minutes[:3] == (2280 - 210, 1368 - 210, 2280 - 250)
    assert (full.regular_minutes[2], full.overtime_minutes[2]) == (0, 300 - 130)
    assert any("No recurring work is listed" in sentence for sentence in told.sentences)


def test_a_day_away_costs_as_much_of_the_week_as_the_nursery_has_working_days(
    db: Database,
) -> None:
    with db.writing() as session:
        small_nursery(session, MONDAY)
        ada = session.exec(select(Person)).one()
        friday = MONDAY + timedelta(days=4)
        session.add(Absence(person_id=ada.id or 0, first_day=friday, last_day=friday))
        found = []
        for worked in ("1111100", "1100110", "1111000"):
            site(session).working_days = worked
            session.flush()
            found.append(build_problem(session, 6)[0].regular_minutes[0])
    assert found == [2280 * 4 // 5, 2280 * 3 // 4, 2280]


def test_a_batch_has_its_smallest_size_and_a_week_its_number_of_starts(db: Database) -> None:
    with db.writing() as session:
        small_nursery(session, MONDAY)
        crop_named(session, CALTHA).protocols[0].smallest_batch = 3
        site(session).starts_per_week = 1
        session.flush()
        problem, _ = build_problem(session, WEEKS)
    one, other = (only_protocol(problem, crop.key).key for crop in problem.crops)
    assert violations(problem, Plan((Start(one, 0, 0, 3),))) == []
    assert violations(problem, Plan((Start(one, 0, 0, 2),)))
    assert violations(problem, Plan((Start(one, 0, 0, 3), Start(other, 0, 0, 2))))
    assert violations(problem, Plan((Start(one, 0, 0, 3), Start(other, 1, 0, 2)))) == []


def test_places_stand_empty_for_cleaning_between_batches(db: Database) -> None:
    with db.writing() as session:
        small_nursery(session, MONDAY)
        growing(session, crop_named(session, CALTHA), "G1", 0, trays=39)
        for area in session.exec(select(GrowingArea)).all():
            area.cleaning_days = 3 if area.kind is AreaKind.PROPAGATION else 0
        session.flush()
        problem, _ = build_problem(session, WEEKS)
    house = area_in(problem, AreaKind.PROPAGATION)
    assert house.places[4] == 35  # stays of 21 days, 3 of cleaning: 40 * 21 / 24
    assert house.wip_places[0] == 39
    assert house.places[0] == 39  # work in progress stands where it stands
    assert area_in(problem, AreaKind.GROWING).places[4] == 120


def test_what_has_priority_weighs_more_when_it_is_unmet_or_late(db: Database) -> None:
    with db.writing() as session:
        small_nursery(session, MONDAY)
        caltha, primula = crop_named(session, CALTHA), crop_named(session, PRIMULA)
        wanted(session, caltha, 2, 100)
        wanted(session, primula, 2, 100)
        plain, _ = build_problem(session, WEEKS)
        caltha.priority = 2.0
        product_of(session, primula).priority = 3.0
        session.flush()
        weighed, _ = build_problem(session, WEEKS)
    assert crop_in(plain).shortage_cost == 15_000
    assert crop_in(weighed).shortage_cost == 30_000
    assert crop_in(weighed).late_cost == 2 * crop_in(plain).late_cost
    name = "Primula rosea 'Gigas'"
    assert crop_in(weighed, name).shortage_cost == 3 * crop_in(plain, name).shortage_cost
    # 100 plugs of each at 150 cents, in hundredths of a cent
    assert cost(plain, Plan()) == 100 * 15_000 * 2
    assert cost(weighed, Plan()) == 100 * 15_000 * 5


@pytest.mark.parametrize("kind", list(DemandKind))
def test_sales_planting_out_and_renewal_are_each_demand(db: Database, kind: DemandKind) -> None:
    with db.writing() as session:
        small_nursery(session, MONDAY)
        wanted(session, crop_named(session, CALTHA), 9, 70, kind)
        problem, _ = build_problem(session, WEEKS)
    assert crop_in(problem).demand[9] == sum(crop_in(problem).demand) == 70


def test_what_was_planted_out_this_week_is_no_longer_wanted_for_it(db: Database) -> None:
    with db.writing() as session:
        small_nursery(session, MONDAY, hour=12)
        crop = crop_named(session, CALTHA)
        batch = growing(session, crop, "G1", 1)
        wanted(session, crop, 0, 60, DemandKind.PLANTING_OUT)
        wanted(session, crop, 0, 30)
        plant_out(session, batch, 45, "Ada", "stream bed")
        problem, _ = build_problem(session, WEEKS)
    assert crop_in(problem).demand[0] == 60 - 45 + 30


def test_the_risk_of_batches_that_stand_in_for_one_another_is_pooled(db: Database) -> None:
    with db.writing() as session:
        small_nursery(session, MONDAY)
        crop = crop_named(session, CALTHA)
        for number in range(4):
            growing(session, crop, f"G{number}", 1, trays=5)
        growing(session, crop_named(session, PRIMULA), "P1", 1, trays=5)
        alone = expected_lots(session, MONDAY)
        pooled = pooled_lots(session, MONDAY)
        problem, _ = build_problem(session, WEEKS)
    mine = [sum(x.plugs for x in lots if x.crop_id == crop.id) for lots in (alone, pooled)]
    assert mine[0] < mine[1] < sum(x.expected_plugs for x in alone if x.crop_id == crop.id)
    assert sum(crop_in(problem).ready) == mine[1]
    other = [sum(x.plugs for x in lots if x.crop_id != crop.id) for lots in (alone, pooled)]
    assert other[0] == other[1]  # one batch alone has nothing to be pooled with


def test_pooled_safe_plugs_keep_the_service_level_by_simulation() -> None:
    batches = [(520, Survival(0.89, 0.04)), (300, Survival(0.7, 0.05)), (900, Survival(0.8, 0.02))]
    draws = np.random.default_rng(7)
    alive = np.zeros(60_000, dtype=np.int64)
    for plugs, survival in batches:
        alive += draws.binomial(plugs, draws.beta(*survival.beta, alive.size))
    for level in (0.8, 0.9, 0.95):
        safe = safe_together(batches, level)
        assert float((alive >= safe).mean()) == pytest.approx(level, abs=0.012)
        assert safe > sum(safe_plugs(n, 1, s, level) for n, s in batches)


def test_a_higher_service_level_counts_on_fewer_plugs(db: Database) -> None:
    with db.writing() as session:
        small_nursery(session, MONDAY)
        crop = crop_named(session, CALTHA)
        plugs = []
        for level in (0.5, 0.9, 0.99):
            crop.service_level = level
            plugs.append(sum(safe_flush(crop.protocols[0], 400)))
    assert plugs[0] > plugs[1] > plugs[2]


def test_ready_lots_that_are_past_are_not_counted_on(db: Database) -> None:
    with db.writing() as session:
        small_nursery(session, MONDAY)
        crop = crop_named(session, CALTHA)
        ready_lot(session, crop, 300, date(2027, 2, 8), date(2027, 3, 7))
        for week in (0, 1):
            wanted(session, crop, week, 200)
        problem, notes = build_problem(session, WEEKS)
    assert notes.from_stock[CALTHA][:2] == (200, 0)
    assert crop_in(problem).demand[:2] == (0, 200)
