"""Odd data give a plan all the same; accepted starts are kept where they can be."""

from __future__ import annotations

import threading
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from solver.propagation import (
    Area,
    Mother,
    Plan,
    Problem,
    Start,
    breakdown,
    cost,
    solve,
    violations,
)
from solver.propagation.solving import search
from solver.relief import Binding, why, with_relief
from solver.rules_of_thumb import backward
from solver.run import Limits, Progress, Status
from tests.benchmarks.propagation_instances import random_problem
from tests.solver.propagation.cases import small
from tests.solver.propagation.test_judge import one_crop

QUICK = Limits(15, threads=1)


def _plan(problem: Problem) -> Plan:
    outcome = solve(problem, QUICK)
    plan = outcome.found()
    assert violations(problem, plan) == []
    assert outcome.cost == cost(problem, plan)
    assert (outcome.bound or 0) <= (outcome.cost or 0)
    return plan


def test_an_empty_nursery_and_one_without_demand_start_nothing() -> None:
    empty = replace(one_crop(), crops=(), mothers=())
    assert _plan(empty).starts == ()
    quiet = replace(one_crop().crops[0], demand=(0,) * 6)
    assert _plan(replace(one_crop(), crops=(quiet,))).starts == ()


def test_a_quota_of_nothing_and_a_horizon_shorter_than_any_dwell_leave_all_unmet() -> None:
    rest = replace(one_crop(), mothers=(Mother("block", (0,) * 6),))
    assert _plan(rest).starts == ()
    protocol = one_crop().crops[0].protocols[0]
    slow = replace(protocol, stages=(replace(protocol.stages[0], dwell=(9,) * 6),))
    crop = replace(one_crop().crops[0], protocols=(slow,))
    plan = _plan(replace(one_crop(), crops=(crop,)))
    assert plan.starts == ()
    assert plan.cost == 35 * 90 + 10 * 2


def test_work_in_progress_beyond_the_places_still_gives_a_plan() -> None:
    full = Area("bench", (4,) * 6, (9,) * 6)
    problem = replace(one_crop(), areas=(full, one_crop().areas[1]))
    plan = _plan(problem)
    assert (plan.cost or 0) >= 6 * 5 * 500


def test_demand_of_ten_times_the_room_still_gives_a_plan() -> None:
    crop = one_crop().crops[0]
    crowd = replace(crop, demand=tuple(10 * number for number in crop.demand))
    _plan(replace(one_crop(), crops=(crowd,)))


def test_no_weeks_at_all_cost_nothing() -> None:
    crop = one_crop().crops[0]
    protocol = replace(crop.protocols[0], batch_cost=())
    none = replace(crop, demand=(), ready=(), protocols=(protocol,))
    problem = replace(
        one_crop(),
        weeks=0,
        areas=(Area("bench", (), ()), Area("ready", (), ())),
        crops=(none,),
        regular_minutes=(),
        overtime_minutes=(),
        wip_minutes=(),
        mothers=(Mother("block", ()),),
    )
    assert _plan(problem).cost == 0


@given(seed=st.integers(0, 10**6), crops=st.integers(1, 4), weeks=st.integers(1, 8))
@settings(deadline=None, max_examples=60)
def test_no_plan_ever_breaks_a_rule_and_none_is_under_its_bound(
    seed: int, crops: int, weeks: int
) -> None:
    problem = small(seed, crops, weeks)
    plan = _plan(problem)
    sheet = backward(problem)
    assert violations(problem, sheet) == []
    assert (plan.cost or 0) <= (sheet.cost or 0)


@given(
    seed=st.integers(0, 10**6),
    week=st.integers(0, 4),
    what=st.sampled_from(("place", "hour", "mother", "start")),
)
@settings(deadline=None, max_examples=60)
def test_one_more_place_hour_or_mother_plant_is_never_dearer(
    seed: int, week: int, what: str
) -> None:
    problem = small(seed)

    def more(weeks: tuple[int, ...], amount: int) -> tuple[int, ...]:
        return tuple(n + amount if at == week else n for at, n in enumerate(weeks))

    if what == "place":
        area = problem.areas[0]
        wider = replace(area, places=more(area.places, 1))
        given_more = replace(problem, areas=(wider, *problem.areas[1:]))
    elif what == "hour":
        given_more = replace(problem, overtime_minutes=more(problem.overtime_minutes, 60))
    elif what == "mother":
        block = replace(problem.mothers[0], quota=more(problem.mothers[0].quota, 3))
        given_more = replace(problem, mothers=(block,))
    else:
        given_more = replace(problem, starts_per_week=problem.starts_per_week + 1)
    first, second = solve(problem, QUICK), solve(given_more, QUICK)
    assert first.status == second.status == Status.OPTIMAL
    assert (second.cost or 0) <= (first.cost or 0)


def test_fixed_starts_stand_as_they_are_and_frozen_weeks_take_no_others() -> None:
    kept = 0
    for seed in range(40):
        problem = small(seed)
        plan = _plan(problem)
        early = tuple(start for start in plan.starts if start.week == 0)
        other = small(seed + 500)
        if not early or any(violations(other, Plan((start,))) for start in early):
            continue
        kept += 1
        again = _plan(replace(other, fixed=early, frozen_weeks=1))
        assert {k: n for k, n in again.batches().items() if k[1] == 0} == Plan(early).batches()
    assert kept >= 5


def test_a_dear_change_keeps_the_accepted_plan_and_a_free_one_does_not() -> None:
    moved = 0
    for seed in range(30):
        problem = small(seed)
        accepted = _plan(problem).starts
        shocked = replace(
            problem,
            crops=tuple(replace(c, demand=(*c.demand[1:], c.demand[0])) for c in problem.crops),
        )
        free = _plan(replace(shocked, accepted=accepted, change_cost=0))
        dear = _plan(replace(shocked, accepted=accepted, change_cost=10**6))
        before = Plan(accepted).batches()
        changes = [sum(p.batches().get(k, 0) != n for k, n in before.items()) for p in (free, dear)]
        assert changes[1] == 0
        moved += changes[0]
        assert cost(shocked, Plan(free.starts)) <= cost(shocked, Plan(dear.starts))
    assert moved > 0


def test_a_stop_keeps_the_best_plan_and_progress_only_gets_better() -> None:
    problem = random_problem(12, 26, seed=3)
    seen: list[Progress] = []
    stop = threading.Event()

    def note(progress: Progress) -> None:
        seen.append(progress)
        if progress.bound:
            stop.set()

    outcome = search(problem, Limits(60, progress=note, stop=stop))
    assert outcome.status == Status.STOPPED
    assert outcome.seconds < 55
    assert violations(problem, outcome.found()) == []
    costs = [one.cost for one in seen if one.cost is not None]
    assert costs == sorted(costs, reverse=True)
    assert outcome.cost == costs[-1]


def test_a_search_of_a_season_beats_the_sheet_and_keeps_every_rule() -> None:
    problem = random_problem(8, 26, seed=5)
    outcome = solve(problem, Limits(8))
    assert violations(problem, outcome.found()) == []
    assert outcome.cost == cost(problem, outcome.found())
    assert 0 < (outcome.bound or 0) <= (outcome.cost or 0) < (backward(problem).cost or 0)


def test_mother_plants_that_are_used_up_are_named_and_more_of_them_help() -> None:
    tight = replace(one_crop(), mothers=(Mother("block", (24, 0, 0, 0, 0, 0)),))
    plan = _plan(tight)
    relief = why(tight, plan, "primula", 3)
    assert relief.binding == Binding.MOTHER
    assert relief.resource == "block"
    assert 0 < relief.found <= relief.promised
    assert relief.amount > 0
    assert relief.met > 0


def test_demand_that_comes_before_any_start_is_ready_is_too_late_to_start() -> None:
    crop = replace(one_crop().crops[0], demand=(8, 0, 0, 0, 0, 0))
    problem = replace(one_crop(), crops=(crop,))
    relief = why(problem, _plan(problem), "primula", 0)
    assert relief.binding == Binding.TIME
    with pytest.raises(ValueError, match="met in time"):
        why(problem, _plan(problem), "primula", 3)


def test_a_relief_gives_the_gain_that_it_promises_when_the_whole_is_solved_again() -> None:
    shown = 0
    for seed in range(24):
        problem = small(seed)
        plan = _plan(problem)
        for crop, week in _unmet(problem, plan):
            relief = why(problem, plan, crop, week)
            if relief.binding in (Binding.TIME, Binding.NOT_WORTH_IT):
                continue
            shown += 1
            wider = _plan(with_relief(problem, relief))
            assert 0 < relief.found <= relief.promised
            assert (wider.cost or 0) <= (plan.cost or 0) - relief.found
    assert shown >= 3


def _unmet(problem: Problem, plan: Plan) -> list[tuple[str, int]]:
    return list(breakdown(problem, plan).unmet)[:2]


def test_starts_are_ordered_and_hold_no_empty_trays() -> None:
    plan = _plan(small(4))
    assert list(plan.starts) == sorted(plan.starts)
    assert all(isinstance(start, Start) and start.trays > 0 for start in plan.starts)
