"""From rows to a problem, to a plan that is stored, accepted, outdated or overtaken."""

import math
from collections.abc import Callable
from datetime import date, timedelta
from itertools import pairwise

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from sqlmodel import Session, select
from vega_datasets import local_data

from nursery.batch import Batch, Quarantine
from nursery.crop import AreaKind, Clock, Crop, Method, Protocol, Stage, StageKind, TrayFormat
from nursery.database import Database, site
from nursery.demand import Demand, DemandKind
from nursery.errors import Fault, Refused
from nursery.growing.batch_work import start_batch
from nursery.growing.growth import growing_stages
from nursery.growing.sowing import survival_of
from nursery.growing_area import Absence, Bench, Person
from nursery.mother_plant import MotherBlock, MotherPause, PauseKind
from nursery.order import Promise, PromiseLine, State
from nursery.planned import PlannedStart, PlanVersion
from nursery.planning.assumptions import Assumption, assumed_text
from nursery.planning.fingerprint import differences, fingerprint
from nursery.planning.plan_report import judged, report_of
from nursery.planning.plan_sensitivity import ProtocolFacts, assumptions_that_matter, part_of
from nursery.planning.propagation import accept_plan, plan_propagation, stored_report
from nursery.planning.propagation_problem import TYPICAL_BATCHES, build_problem, safe_flush
from nursery.shed.ledger import move
from nursery.stock import Moved, Pool
from nursery.weather import Station, WeatherDay
from nursery.weeks import Week
from solver.propagation import Area, Plan, Problem, Start, cost, violations
from solver.propagation import Crop as PlannedCrop
from solver.run import Limits
from tests.builders import (
    crop_named,
    open_order,
    product_of,
    ready_lot,
    set_clock,
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


@settings(deadline=None, max_examples=8)
@given(demand=st.integers(50, 4000), rho=st.sampled_from((0.0, 0.02, 0.1)), seed=st.integers(0, 99))
def test_safe_plugs_a_tray_keep_the_service_level_by_simulation(
    demand: int, rho: float, seed: int
) -> None:
    protocol = protocol_by_hand(rho)
    plugs = sum(safe_flush(protocol, demand))
    together = survival_of(growing_stages(protocol))
    trays = max(2, math.ceil(demand / (104 * together.mean)))
    draws = np.random.default_rng(seed)
    alive = np.zeros(20_000, dtype=np.int64)
    for _ in range(TYPICAL_BATCHES):
        left = np.full(20_000, trays * 104)
        for stage in growing_stages(protocol):
            share = stage.survival
            if rho:
                size = 1 / rho - 1
                chances = draws.beta(share * size, (1 - share) * size, 20_000)
            else:
                chances = np.full(20_000, share)
            left = draws.binomial(left, chances)
        alive += left
    kept = float((alive >= plugs * trays * TYPICAL_BATCHES).mean())
    assert kept >= 0.9 - 0.015


def protocol_by_hand(rho: float) -> Protocol:
    tray = TrayFormat(name="104", cells=104)
    crop = Crop(botanical_name=CALTHA, service_level=0.9)
    return Protocol(
        name="division",
        method=Method.DIVISION,
        smallest_batch=2,
        flush="70/30",
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


def test_a_plan_is_stored_with_its_problem_and_its_starts(db: Database) -> None:
    with db.writing() as session:
        busy_nursery(session)
    report = plan_propagation(db, WEEKS, QUICK, "Lea")
    with db.reading() as session:
        row = session.exec(select(PlanVersion)).one()
        starts = session.exec(select(PlannedStart)).all()
        again = stored_report(session, 1)
    problem, plan = Problem.from_json(row.problem), Plan.from_json(row.plan)
    assert violations(problem, plan) == []
    assert cost(problem, plan) == row.cost == report.cost
    assert row.bound <= row.cost <= row.rule_of_thumb_cost == report.backward_cost
    assert row.fingerprint == fingerprint(problem)
    assert {(s.week, s.trays) for s in starts} == {(s.week, s.trays) for s in report.starts}
    assert (again.starts, again.unmet, again.hours) == (report.starts, report.unmet, report.hours)
    assert report.starts
    assert report.unmet_plugs < 14 * 150


def test_what_is_wanted_too_soon_is_unmet_because_it_is_too_late_to_start(db: Database) -> None:
    with db.writing() as session:
        busy_nursery(session)
        wanted(session, crop_named(session, CALTHA), 2, 80)
    report = plan_propagation(db, WEEKS, QUICK, "Lea")
    first = report.unmet[0]
    assert (first.crop, first.week, first.plugs) == (CALTHA, "2027-W11", 80)
    assert "too late to start" in first.reason


@pytest.mark.parametrize(
    ("what", "reason"),
    [("mothers", "mother block 'M1'"), ("places", "growing house is full"), ("hours", "hours")],
)
def test_the_reason_for_the_unmet_is_what_was_taken_away(
    db: Database, what: str, reason: str
) -> None:
    with db.writing() as session:
        busy_nursery(session)
        crop = crop_named(session, CALTHA)
        if what == "mothers":
            block = MotherBlock(code="M1", crop_id=crop.id or 0, plants=0, propagules_a_week=5)
            session.add(block)
            session.flush()
            crop.protocols[0].mother_block_id = block.id
        elif what == "places":
            bench = session.exec(select(Bench).where(Bench.name == "Long house 1")).one()
            bench.places = 0
        else:
            ada = session.exec(select(Person)).one()
            ada.minutes_a_week, ada.overtime_minutes = 0, 0
        problem, notes = build_problem(session, WEEKS)
    nothing = judged(problem, Plan(), notes.horizon)
    report = report_of(nothing, notes, 1, 0, 0, 0.0, "by hand")
    late = [one for one in report.unmet if one.week >= "2027-W24"]
    assert late
    assert all(reason in one.reason for one in late)


def test_an_accepted_plan_is_followed_and_its_current_week_stands(db: Database) -> None:
    with db.writing() as session:
        busy_nursery(session)
    first = plan_propagation(db, WEEKS, QUICK, "Lea")
    with db.writing() as session:
        row = accept_plan(session, 1, "Lea")
        assert row.accepted_by == "Lea"
        accept_plan(session, 1, "Bo")
        assert row.accepted_by == "Lea"
    with db.reading() as session:
        problem, _ = build_problem(session, WEEKS)
    now = [(s.trays, s.extra_weeks) for s in first.starts_in("2027-W09")]
    assert [(s.trays, s.extra) for s in problem.fixed] == now
    assert problem.frozen_weeks == 1
    assert len(problem.accepted) == len(first.starts) - len(now)
    second = plan_propagation(db, WEEKS, QUICK, "Lea")
    assert second.starts_in("2027-W09") == first.starts_in("2027-W09")


def test_a_shorter_plan_says_which_accepted_starts_it_cannot_hold(db: Database) -> None:
    """This week's start still takes its places, though it is not ready within four weeks."""
    with db.writing() as session:
        busy_nursery(session)
        wanted(session, crop_named(session, CALTHA), 11, 600)
    first = plan_propagation(db, WEEKS, QUICK, "Lea")
    trays = sum(start.trays for start in first.starts_in("2027-W09"))
    with db.writing() as session:
        accept_plan(session, 1, "Lea")
        problem, notes = build_problem(session, 4)
    assert (problem.fixed, problem.accepted) == ((), ())
    assert area_in(problem, AreaKind.PROPAGATION).wip_places == (trays, trays, trays, 0)
    assert any("not ready within 4 weeks" in note for note in notes.sentences)


def test_a_start_that_was_never_made_is_named_in_the_next_week(db: Database) -> None:
    with db.writing() as session:
        busy_nursery(session)
        wanted(session, crop_named(session, CALTHA), 11, 600)
    plan_propagation(db, WEEKS, QUICK, "Lea")
    with db.writing() as session:
        accept_plan(session, 1, "Lea")
        set_clock(session, date(2027, 3, 8))
        problem, notes = build_problem(session, WEEKS)
    assert all(start.week > 0 for start in problem.accepted)
    assert any("never made: Caltha palustris / division of 2027-W09" in n for n in notes.sentences)


def test_a_start_that_was_made_is_a_batch_and_no_longer_a_start(db: Database) -> None:
    with db.writing() as session:
        busy_nursery(session)
        wanted(session, crop_named(session, CALTHA), 11, 600)
    first = plan_propagation(db, WEEKS, QUICK, "Lea")
    assert first.starts_in("2027-W09")
    with db.writing() as session:
        accept_plan(session, 1, "Lea")
        planned = session.exec(select(PlannedStart).where(PlannedStart.week == "2027-W09")).one()
        start_batch(session, planned.protocol, planned.trays, "Ada", planned=planned)
    with db.reading() as session:
        problem, _ = build_problem(session, WEEKS)
    assert problem.fixed == ()
    assert sum(crop_in(problem, CALTHA).ready) > 0
    assert area_in(problem, AreaKind.PROPAGATION).wip_places[0] == planned.trays


def test_an_outdated_plan_is_refused_and_says_what_changed(db: Database) -> None:
    with db.writing() as session:
        busy_nursery(session)
    plan_propagation(db, WEEKS, QUICK, "Lea")
    with db.writing() as session:
        wanted(session, crop_named(session, "Primula rosea"), 14, 77)
        session.exec(select(Bench).where(Bench.name == "Frames 1")).one().places = 50
    with pytest.raises(Refused) as caught, db.writing() as session:
        accept_plan(session, 1, "Lea")
    assert caught.value.refusal.code == "plan_outdated"
    assert "demand was 0, is 77 in 2027-W23" in caught.value.refusal.message
    assert "'hardening frame': places was 60, is 50" in caught.value.refusal.message
    with db.writing() as session:
        assert accept_plan(session, 1, "Lea", despite_changes=True).accepted_by == "Lea"


def test_a_second_planner_is_told_that_the_plan_was_overtaken(db: Database) -> None:
    with db.writing() as session:
        busy_nursery(session)
    plan_propagation(db, WEEKS, QUICK, "Lea")
    plan_propagation(db, WEEKS, QUICK, "Bo")
    with db.writing() as session:
        accept_plan(session, 2, "Bo")
    with pytest.raises(Refused) as caught, db.writing() as session:
        accept_plan(session, 1, "Lea")
    assert caught.value.refusal.code == "plan_overtaken"
    assert "plan 2 was accepted" in caught.value.refusal.message


class MeanwhileStop:
    """A stop signal that never stops, but lets something happen while the solver is at work."""

    def __init__(self, happens: Callable[[], None]) -> None:
        self.happens: Callable[[], None] | None = happens

    def is_set(self) -> bool:
        if self.happens is not None:
            happens, self.happens = self.happens, None
            happens()
        return False


def test_no_transaction_is_open_while_the_solver_works_and_what_changed_is_told(
    db: Database,
) -> None:
    with db.writing() as session:
        busy_nursery(session)

    def sell_more() -> None:
        with db.writing() as other:
            wanted(other, crop_named(other, "Primula rosea"), 20, 40)

    report = plan_propagation(db, WEEKS, Limits(0.3, stop=MeanwhileStop(sell_more)), "Lea")
    assert any("demand was 0, is 40 in 2027-W29" in note for note in report.notes)
    with pytest.raises(Refused) as caught, db.writing() as session:
        accept_plan(session, report.version, "Lea")
    assert caught.value.refusal.code == "plan_outdated"


def test_a_plan_is_not_kept_if_another_was_accepted_while_it_was_solved(db: Database) -> None:
    with db.writing() as session:
        busy_nursery(session)
    plan_propagation(db, WEEKS, QUICK, "Lea")

    def accept_the_other() -> None:
        with db.writing() as other:
            accept_plan(other, 1, "Bo")

    with pytest.raises(Refused) as caught:
        plan_propagation(db, WEEKS, Limits(0.3, stop=MeanwhileStop(accept_the_other)), "Lea")
    assert caught.value.refusal.code == "another_plan_accepted"
    with db.reading() as session:
        assert len(session.exec(select(PlanVersion)).all()) == 1


def test_a_plan_of_last_week_is_not_accepted_this_week(db: Database) -> None:
    with db.writing() as session:
        busy_nursery(session)
    plan_propagation(db, WEEKS, QUICK, "Lea")
    with db.writing() as session:
        set_clock(session, date(2027, 3, 8))
    with pytest.raises(Refused) as caught, db.writing() as session:
        accept_plan(session, 1, "Lea")
    assert caught.value.refusal.code == "plan_of_another_week"


def test_a_version_that_was_never_made_is_refused_by_name(db: Database) -> None:
    with db.writing() as session:
        small_nursery(session)
    with pytest.raises(Refused, match="plan 7: none has been made"), db.writing() as session:
        accept_plan(session, 7, "Lea")


def test_equal_books_have_equal_fingerprints_and_no_differences(db: Database) -> None:
    with db.writing() as session:
        busy_nursery(session)
        one, notes = build_problem(session, WEEKS)
        two, _ = build_problem(session, WEEKS)
    assert fingerprint(one) == fingerprint(two)
    assert differences(one, two, notes.horizon) == []


def test_the_assumption_that_costs_most_when_it_is_worse_comes_first(db: Database) -> None:
    with db.writing() as session:
        busy_nursery(session)
        problem, notes = build_problem(session, WEEKS)
    plan = plan_propagation(db, WEEKS, QUICK, "Lea")
    with db.reading() as session:
        stored = Plan.from_json(session.exec(select(PlanVersion)).one().plan)
    named = [
        Assumption(key, key, "", "", "", "", (CALTHA,))
        for key in (
            "division/minutes/grow on",
            "division/survival/strike",
            "division/smallest batch",
            "division/days/grow on",
            "seed/survival/strike",
        )
    ]
    facts = {
        DIVISION: ProtocolFacts("division", ("strike", "grow on", "harden off"), (50, 20)),
    }
    weighed = assumptions_that_matter(problem, stored, named, facts)
    keys = [one.assumption.key for one in weighed]
    assert keys[0] == "division/survival/strike"
    assert "division/smallest batch" not in keys
    assert "seed/survival/strike" not in keys
    assert all(a.costs_more >= b.costs_more > 0 for a, b in pairwise(weighed))
    assert plan.cost == stored.cost
    assert notes.crop_ids


def test_a_part_of_a_plan_is_judged_as_in_the_whole(db: Database) -> None:
    """Where crops do not share a full bench, the costs of the parts are those of the whole."""
    with db.writing() as session:
        busy_nursery(session)
        for week in range(14, WEEKS):
            wanted(session, crop_named(session, "Primula rosea"), week, 60)
        problem, _ = build_problem(session, WEEKS)
    keys = [crop.protocols[0].key for crop in problem.crops]
    plan = Plan(tuple(Start(key, week, 0, 6) for key in keys for week in (2, 6)))
    whole = cost(problem, plan)
    small, mine = part_of(problem, plan, frozenset({CALTHA}))
    nothing = cost(problem, Plan(tuple(s for s in plan.starts if s.protocol != DIVISION)))
    without = cost(small, Plan())
    assert whole - nothing == pytest.approx(cost(small, mine) - without, abs=2)


def test_the_short_form_names_the_five_assumptions_that_matter(db: Database) -> None:
    with db.writing() as session:
        busy_nursery(session)
        for protocol in session.exec(select(Protocol)).all():
            protocol.assumed = assumed_text(protocol.method)
            protocol.flush = "80/20"
            for stage in protocol.stages:
                stage.overdispersion = 0.03
    report = plan_propagation(db, WEEKS, QUICK, "Lea")
    assert 1 <= len(report.assumptions) <= 5
    assert all(one.costs_more > 0 for one in report.assumptions)


def test_a_plan_from_real_weather_runs_the_whole_way(db: Database) -> None:
    """Seattle 2012 to 2015 (vega_datasets) as the nursery's own station."""
    seattle = local_data.seattle_weather()
    days = pd.to_datetime(seattle["date"]).dt.date
    with db.writing() as session:
        busy_nursery(session)
        station = Station(name="Seattle")
        session.add(station)
        session.flush()
        session.add_all(
            WeatherDay(station_id=station.id or 0, day=day, min_c=low, max_c=high)
            for day, low, high in zip(days, seattle.temp_min, seattle.temp_max, strict=True)
        )
        site(session).station_id = station.id
    report = plan_propagation(db, WEEKS, QUICK, "Lea")
    assert report.starts
    assert report.overflow == ()
    assert report.cost <= report.backward_cost
    assert {peak.area for peak in report.peaks} >= {"growing house", "hardening frame"}


def test_peak_use_overflow_and_hours_are_read_from_the_plan(db: Database) -> None:
    with db.writing() as session:
        small_nursery(session)
        wanted(session, crop_named(session, CALTHA), 20, 500)
        problem, notes = build_problem(session, WEEKS)
    plan = Plan((Start(DIVISION, 3, 0, 50),))
    report = report_of(judged(problem, plan, notes.horizon), notes, 1, 0, 0, 0.0, "by hand")
    house = next(peak for peak in report.peaks if peak.area == "propagation house")
    assert (house.week, house.used, house.places, house.share) == ("2027-W12", 50, 40, 1.25)
    assert {(one.week, one.places) for one in report.overflow if one.area == house.area} == {
        ("2027-W12", 10),
        ("2027-W13", 10),
        ("2027-W14", 10),
    }
    hours = report.hours[3]
    assert hours.minutes == 40 + 50 * 30
    assert report.starts[0].plugs == 50 * sum(crop_in(problem, CALTHA).protocols[0].plugs)
