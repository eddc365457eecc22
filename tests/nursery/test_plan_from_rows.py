"""From rows to a problem: places, hours, demand, stock, batches, and the plugs of a tray."""

from datetime import date, timedelta

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from sqlmodel import Session, select

from nursery.batch import Batch, Quarantine
from nursery.crop import AreaKind, Clock, Crop, Method, Protocol, Stage, StageKind, TrayFormat
from nursery.database import Database
from nursery.demand import Demand, DemandKind
from nursery.errors import Fault
from nursery.growing.batch_work import start_batch
from nursery.growing.growth import growing_stages
from nursery.growing.sowing import survival_of
from nursery.growing_area import Absence, Bench, Person
from nursery.mother_plant import MotherBlock, MotherPause, PauseKind
from nursery.order import Promise, PromiseLine, State
from nursery.planning.fingerprint import fingerprint
from nursery.planning.propagation import plan_propagation
from nursery.planning.propagation_problem import build_problem, ordinary_week, safe_flush
from nursery.shed.ledger import move
from nursery.stock import Moved, Pool
from nursery.weeks import Week
from nursery.yields import chance_of_enough
from solver.propagation import Area, Problem
from solver.propagation import Crop as PlannedCrop
from solver.run import Limits
from tests.builders import (
    crop_named,
    open_order,
    product_of,
    ready_lot,
    small_nursery,
)

MONDAY = date(2027, 3, 1)
WEEKS = 26
QUICK = Limits(seconds=0.3)
CALTHA = "Caltha palustris"
DIVISION = "Caltha palustris / division"


def wanted(
    session: Session, crop: Crop, week: int, plugs: int, kind: str = "expected sales"
) -> None:
    """So many plugs are wanted in the `week`-th week from 2027-W09."""
    text = str(Week.of(MONDAY) + week)
    session.add(Demand(crop_id=crop.id or 0, week=text, kind=DemandKind(kind), plugs=plugs))
    session.flush()


def busy_nursery(session: Session, at: date = MONDAY) -> None:
    """The small nursery with sales of one crop from week 12 on."""
    small_nursery(session, at)
    crop = crop_named(session, CALTHA)
    for week in range(12, WEEKS):
        wanted(session, crop, week, 150)


def promise(session: Session, reference: str, crop: Crop, quantity: int, ship_on: date) -> Promise:
    product = product_of(session, crop)
    order = open_order(session, reference, product, quantity)
    made = Promise(
        order_id=order.id or 0,
        service_id=1,
        state=State.CONFIRMED,
        ship_on=ship_on,
        first_ship_on=ship_on,
        pack_on=ship_on,
        arrives_from=ship_on + timedelta(days=1),
        arrives_until=ship_on + timedelta(days=1),
        probability=0.99,
        lines=[
            PromiseLine(
                product_id=product.id or 0,
                pool_id=crop_pool(session, crop),
                quantity=quantity,
                plugs=quantity * product.plugs,
            )
        ],
    )
    session.add(made)
    session.flush()
    return made


def crop_pool(session: Session, crop: Crop) -> int:
    return session.exec(select(Pool).where(Pool.crop_id == crop.id)).one().id or 0


def crop_in(problem: Problem, name: str) -> PlannedCrop:
    return next(crop for crop in problem.crops if crop.key == name)


def area_in(problem: Problem, kind: AreaKind) -> Area:
    return next(area for area in problem.areas if area.key == kind.value)


def test_an_empty_database_says_in_one_sentence_what_to_do(db: Database) -> None:
    with pytest.raises(Fault, match=r"no nursery yet.*`nursery load`"):
        plan_propagation(db, WEEKS, QUICK, "Lea")


def test_a_nursery_without_protocols_says_in_one_sentence_what_to_do(db: Database) -> None:
    with db.writing() as session:
        small_nursery(session)
        for protocol in session.exec(select(Protocol)).all():
            for stage in protocol.stages:
                session.delete(stage)
    with pytest.raises(Fault, match="needs at least one crop with a protocol and its stages"):
        plan_propagation(db, WEEKS, QUICK, "Lea")


def test_a_nursery_that_nobody_buys_from_starts_nothing(db: Database) -> None:
    with db.writing() as session:
        small_nursery(session)
    report = plan_propagation(db, WEEKS, QUICK, "Lea")
    assert (report.starts, report.unmet, report.cost) == ((), (), 0)


def test_the_problem_reads_back_from_its_own_json(db: Database) -> None:
    with db.writing() as session:
        busy_nursery(session)
        ready_lot(session, crop_named(session, CALTHA), 300, MONDAY, MONDAY + timedelta(days=27))
        problem, notes = build_problem(session, WEEKS)
    again = Problem.from_json(problem.to_json())
    assert again == problem
    assert fingerprint(again) == notes.fingerprint


def test_places_are_those_of_the_benches_in_use(db: Database) -> None:
    with db.writing() as session:
        small_nursery(session)
        bench = session.exec(select(Bench).where(Bench.name == "Frames 1")).one()
        bench.out_from, bench.out_until = date(2027, 3, 17), date(2027, 3, 22)
        session.add(Bench(area_id=bench.area_id, name="Frames 2", places=25))
        session.flush()
        problem, _ = build_problem(session, 6)
    assert area_in(problem, AreaKind.FRAME).places == (85, 85, 25, 25, 85, 85)


def test_hours_leave_out_absences_and_public_holidays(db: Database) -> None:
    """Good Friday 2027-03-26 is worked in the Netherlands, Easter Monday 2027-03-29 is not."""
    with db.writing() as session:
        small_nursery(session)
        ada = session.exec(select(Person)).one()
        session.add(
            Absence(person_id=ada.id or 0, first_day=date(2027, 3, 9), last_day=date(2027, 3, 10))
        )
        session.add(Person(name="Bo", minutes_a_week=1000))
        session.flush()
        problem, _ = build_problem(session, 6)
    assert problem.regular_minutes == (3280, 2368, 3280, 3280, 2624, 3280)
    assert problem.overtime_minutes == (300, 180, 300, 300, 240, 300)


def test_a_mother_block_gives_nothing_in_rest_and_never_its_reserve(db: Database) -> None:
    with db.writing() as session:
        small_nursery(session)
        crop = crop_named(session, CALTHA)
        block = MotherBlock(
            code="M1",
            crop_id=crop.id or 0,
            plants=50,
            reserve=10,
            propagules_a_week=8,
            use_until=date(2027, 4, 7),
        )
        block.pauses = [MotherPause(kind=PauseKind.BLACKOUT, first_week=11, last_week=12)]
        session.add(block)
        session.flush()
        crop.protocols[0].mother_block_id = block.id
        session.flush()
        before, notes = build_problem(session, 6)
        start_batch(session, crop.protocols[0], 2, "Ada")
        after, _ = build_problem(session, 6)
    (mother,) = before.mothers
    assert mother.quota == (320, 320, 0, 0, 320, 0)
    assert after.mothers[0].quota == (320 - 208, 320, 0, 0, 320, 0)
    assert crop_in(before, CALTHA).protocols[0].propagules == 104
    assert notes.reserves == {"M1": 10}


def test_an_order_is_counted_once_by_its_promise_or_by_its_line(db: Database) -> None:
    with db.writing() as session:
        small_nursery(session)
        crop = crop_named(session, CALTHA)
        promise(session, "PROMISED", crop, 5, date(2027, 3, 16))
        made = promise(session, "PICKED", crop, 4, date(2027, 3, 16))
        made.lines[0].picked = 24
        promise(session, "CANCELLED", crop, 3, date(2027, 3, 16)).state = State.CANCELLED
        open_line = open_order(session, "OPEN", product_of(session, crop), 7)
        open_line.not_before = date(2027, 4, 14)
        session.flush()
        wanted(session, crop, 2, 11)
        wanted(session, crop, 2, 13, "planting out")
        wanted(session, crop, 2, 17, "mother renewal")
        problem, _ = build_problem(session, 8)
    demand = crop_in(problem, CALTHA).demand
    assert demand[2] == 5 * 6 + 11 + 13 + 17
    assert demand[5] == 7 * 6  # on its first day it must have left by Sunday 11 April, 2027-W14
    assert sum(demand) == demand[2] + demand[5]


def test_an_open_order_without_a_day_is_wanted_when_plugs_can_first_be_had(db: Database) -> None:
    with db.writing() as session:
        small_nursery(session)
        crop = crop_named(session, CALTHA)
        ready_lot(session, crop, 100, MONDAY, MONDAY + timedelta(days=20))
        for number in range(4):
            open_order(session, f"O{number}", product_of(session, crop), 5)
        problem, notes = build_problem(session, WEEKS)
    assert notes.from_stock[CALTHA][0] == 90  # 95 after the allowance: three orders of 30
    demand = crop_in(problem, CALTHA).demand
    assert sum(demand) == 30
    week = next(w for w, plugs in enumerate(demand) if plugs)
    entry, stages = 0, crop_in(problem, CALTHA).protocols[0].stages
    for stage in stages:
        entry += stage.dwell[entry]
    assert week == entry


def test_ready_lots_serve_the_demand_before_the_plan_and_stand_on_the_ready_bench(
    db: Database,
) -> None:
    with db.writing() as session:
        small_nursery(session)
        crop = crop_named(session, CALTHA)
        ready_lot(session, crop, 400, date(2027, 2, 15), date(2027, 3, 14))
        ready_lot(session, crop, 400, date(2027, 2, 22), date(2027, 3, 21))
        for week in range(4):
            wanted(session, crop, week, 200)
        problem, notes = build_problem(session, 8)
    assert notes.from_stock[CALTHA] == (200, 200, 200, 0, 0, 0, 0, 0)
    assert crop_in(problem, CALTHA).demand == (0, 0, 0, 200, 0, 0, 0, 0)
    assert sum(left.plugs for left in notes.leftovers) == 760 - 600
    assert area_in(problem, AreaKind.READY).wip_places == (6, 4, 2, 0, 0, 0, 0, 0)


def test_what_is_under_a_veto_is_not_counted_on_and_the_lead_is_told(db: Database) -> None:
    with db.writing() as session:
        small_nursery(session)
        crop = crop_named(session, CALTHA)
        lot = ready_lot(session, crop, 400, MONDAY, MONDAY + timedelta(days=27), code="B77")
        lot.batch.quarantine = Quarantine.HELD
        wanted(session, crop, 1, 200)
        problem, notes = build_problem(session, 8)
    assert crop_in(problem, CALTHA).demand[1] == 200
    assert any("B77" in note and "400 plugs" in note for note in notes.sentences)


def test_growing_batches_hold_their_places_and_bring_their_safe_plugs(db: Database) -> None:
    with db.writing() as session:
        small_nursery(session)
        crop = crop_named(session, CALTHA)
        protocol, tray = crop.protocols[0], session.exec(select(TrayFormat)).one()
        batch = Batch(
            code="G1",
            crop_id=crop.id or 0,
            protocol_id=protocol.id or 0,
            stage_id=protocol.stages[0].id or 0,
            tray_format_id=tray.id or 0,
            trays=7,
            started_on=MONDAY,
            stage_entered_on=MONDAY,
            quarantine=Quarantine.CLEAR,
        )
        session.add(batch)
        session.flush()
        move(session, batch, Moved.COUNTED, 728, "Ada", "started")
        problem, _ = build_problem(session, WEEKS)
    house, grow, frame = (
        area_in(problem, kind).wip_places
        for kind in (AreaKind.PROPAGATION, AreaKind.GROWING, AreaKind.FRAME)
    )
    assert house[:4] == (7, 7, 7, 0)
    assert grow[2:5] == (0, 7, 7)
    weeks_growing, weeks_hardening = sum(grow) // 7, sum(frame) // 7
    ready = 3 + weeks_growing + weeks_hardening
    assert [w for w, plugs in enumerate(crop_in(problem, CALTHA).ready) if plugs] == [
        ready,
        ready + 1,
    ]
    assert problem.wip_minutes[3] == 7 * 6
    assert sum(problem.wip_minutes) == 7 * 6 + 7 * 5


@example(demand=2288, rho=0.0, flush="50/35/15", seed=0)
@settings(deadline=None, max_examples=10)
@given(
    demand=st.integers(50, 4000),
    rho=st.sampled_from((0.0, 0.02, 0.1)),
    flush=st.sampled_from(("100", "70/30", "50/35/15")),
    seed=st.integers(0, 99),
)
def test_each_flush_of_one_batch_gives_the_plugs_counted_on_in_the_stated_share_of_seasons(
    demand: int, rho: float, flush: str, seed: int
) -> None:
    """By simulation, stage by stage, of one batch of the trays that an ordinary week fills."""
    protocol = protocol_by_hand(rho, flush)
    a_tray = safe_flush(protocol, demand)
    together = survival_of(growing_stages(protocol))
    trays = max(2, int(demand / (104 * together.mean)))
    draws = np.random.default_rng(seed)
    alive = np.full(20_000, trays * 104)
    for stage in growing_stages(protocol):
        share = stage.survival
        if rho:
            size = 1 / rho - 1
            chances = draws.beta(share * size, (1 - share) * size, 20_000)
        else:
            chances = np.full(20_000, share)
        alive = draws.binomial(alive, chances)
    ends = np.cumsum(protocol.flush_shares)
    by_then = [np.floor(alive * min(1.0, end) + 1e-9) for end in ends]
    ready = [end - start for start, end in zip([0.0, *by_then], by_then, strict=False)]
    kept = [
        float((made >= plugs * trays).mean()) for made, plugs in zip(ready, a_tray, strict=True)
    ]
    assert float((alive >= sum(a_tray) * trays).mean()) >= 0.9 - 0.01
    assert min(kept) >= 0.9 - 0.02


def test_one_plug_more_of_a_tray_would_break_the_stated_level() -> None:
    """A batch of two trays, the chance by the beta-binomial itself."""
    protocol = protocol_by_hand(0.02, "100")
    (a_tray,) = safe_flush(protocol, 0)
    together = survival_of(growing_stages(protocol))
    assert chance_of_enough(2 * a_tray, 208, together) >= 0.9
    assert chance_of_enough(2 * (a_tray + 1), 208, together) < 0.9


def test_the_trays_of_a_batch_share_their_luck_so_more_of_them_are_hardly_safer() -> None:
    """With rho 0.02 ten times the trays give a tray 2 % more, without rho far more."""
    few, many = (sum(safe_flush(protocol_by_hand(0.02, "100"), w)) for w in (0, 2000))
    assert few <= many <= 1.03 * few
    assert sum(safe_flush(protocol_by_hand(0.0, "100"), 2000)) > many


def test_an_ordinary_week_is_the_median_of_those_that_want_anything() -> None:
    assert ordinary_week((0, 0, 10, 90, 20, 0)) == 20
    assert ordinary_week((0, 0, 0)) == 0


def protocol_by_hand(rho: float, flush: str = "70/30") -> Protocol:
    tray = TrayFormat(name="104", cells=104)
    crop = Crop(botanical_name=CALTHA, service_level=0.9)
    return Protocol(
        name="division",
        method=Method.DIVISION,
        smallest_batch=2,
        flush=flush,
        crop=crop,
        stages=[
            Stage(
                position=place + 1,
                kind=kind,
                area_kind=AreaKind.GROWING,
                clock=Clock.DAYS,
                clock_amount=7,
                survival=share,
                overdispersion=rho,
                tray_format=tray,
            )
            for place, (kind, share) in enumerate(
                ((StageKind.STRIKE, 0.85), (StageKind.GROW_ON, 0.92), (StageKind.HARDEN_OFF, 0.97))
            )
        ],
    )
