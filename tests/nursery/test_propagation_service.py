"""A plan is solved, stored, read, accepted, outdated or overtaken."""

from collections.abc import Callable
from datetime import date
from itertools import pairwise

import pandas as pd
import pytest
from sqlmodel import Session, select
from vega_datasets import local_data

from nursery.crop import AreaKind, Clock, Method, Protocol, Stage
from nursery.database import Database, site
from nursery.errors import Refused
from nursery.growing.batch_work import start_batch
from nursery.growing_area import Bench, GrowingArea, Person
from nursery.mother_plant import MotherBlock
from nursery.planned import PlannedStart, PlanVersion
from nursery.planning.assumptions import (
    OVERDISPERSION,
    Assumption,
    assumed_stages,
    assumed_text,
    assumptions_of,
)
from nursery.planning.fingerprint import differences, fingerprint
from nursery.planning.plan_report import judged, report_of
from nursery.planning.plan_sensitivity import ProtocolFacts, assumptions_that_matter, part_of
from nursery.planning.propagation import accept_plan, plan_propagation, stored_report
from nursery.planning.propagation_problem import build_problem
from nursery.seed import SeedLot
from nursery.weather import Station, WeatherDay
from solver.propagation import Plan, Problem, Start, cost, violations
from solver.run import Limits
from tests.builders import (
    crop_named,
    set_clock,
    small_nursery,
)
from tests.nursery.test_plan_from_rows import (
    CALTHA,
    DIVISION,
    QUICK,
    WEEKS,
    area_in,
    busy_nursery,
    crop_in,
    wanted,
)
from tests.nursery.test_plan_from_rows import (
    promise as promise,  # used by other tests
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


def as_assumed(session: Session) -> list[Stage]:
    """The stages of the division of Caltha with the values that the short form assumes."""
    protocol = crop_named(session, CALTHA).protocols[0]
    protocol.assumed, protocol.flush = assumed_text(protocol.method), "80/20"
    kinds = {area.kind for area in session.exec(select(GrowingArea)).all()}
    for stage, assumed in zip(
        protocol.stages, assumed_stages(protocol.method, 10, 104, kinds), strict=True
    ):
        stage.clock, stage.clock_amount = Clock.DAYS, assumed.days
        stage.survival, stage.minutes = assumed.survival, assumed.minutes
        stage.overdispersion = OVERDISPERSION
    session.flush()
    return list(protocol.stages)


def test_what_has_since_been_learned_is_no_longer_an_assumption(db: Database) -> None:
    with db.writing() as session:
        small_nursery(session)
        strike, grow_on, harden_off = as_assumed(session)
        before = {one.key for one in assumptions_of(session)}
        strike.learned_survival, grow_on.learned_days = 0.83, 4.0
        harden_off.learned_minutes = 6.5
        strike.protocol.learned_flush = "60/40"
        session.flush()
        after = {one.key for one in assumptions_of(session)}
        for stage in (strike, grow_on, harden_off):
            stage.learned_overdispersion = 0.05
        session.flush()
        last = {one.key for one in assumptions_of(session)}
    assert before - after == {
        "division/survival/strike",
        "division/days/grow on",
        "division/minutes/harden off",
        "division/flush",
    }
    assert after - last == {"division/overdispersion"}
    assert "division/survival/grow on" in last


def test_what_a_test_of_the_seed_says_is_no_longer_an_assumption(db: Database) -> None:
    with db.writing() as session:
        small_nursery(session)
        protocol = as_assumed(session)[0].protocol
        protocol.method = Method.SEED
        as_assumed(session)
        before = {one.key for one in assumptions_of(session)}
        session.add(
            SeedLot(
                code="S1",
                crop_id=protocol.crop_id,
                seeds=500,
                germination=0.7,
                tested_on=date(2027, 1, 11),
                sow_by=date(2027, 12, 31),
            )
        )
        session.flush()
        after = {one.key for one in assumptions_of(session)}
    assert before - after == {"seed/survival/strike"}
