"""A plan that does not fit on the benches, or takes more seed than there is, is solved again."""

from __future__ import annotations

from dataclasses import replace

from nursery.planning.second_solve import (
    missing_seed,
    solve_to_fit,
    told,
    with_places,
    with_seed,
    without_overflow,
)
from nursery.weeks import Horizon, Week
from solver.benching import Area as BenchArea
from solver.benching import Bench, Stand
from solver.benching import Problem as BenchProblem
from solver.propagation import Area, Crop, Mother, Plan, Problem, Protocol, Stage, Start, violations
from solver.run import Limits

WEEKS = 8
SOON = Limits(1.0, threads=1)
HORIZON = Horizon(Week(2027, 9), WEEKS)
SEED = "seed of Caltha palustris"


def one_crop(demand: tuple[int, ...], places: int = 10, quota: tuple[int, ...] = ()) -> Problem:
    """One crop of a stage of two weeks in the frame, a plug a tray; a life of four weeks."""
    protocol = Protocol(
        key="sown",
        tray_cost=10,
        batch_cost=(100,) * WEEKS,
        batch_minutes=0,
        smallest_batch=1,
        plugs=(1,),
        stages=(Stage("frame", 1, 0, (2,) * WEEKS),),
        mother=SEED if quota else None,
        propagules=10 if quota else 0,
    )
    crop = Crop(
        key="Caltha palustris",
        demand=demand,
        ready=(0,) * WEEKS,
        life=4,
        lateness=0,
        shortage_cost=10_000,
        late_cost=0,
        store_cost=1,
        discard_cost=0,
        protocols=(protocol,),
    )
    none = (0,) * WEEKS
    return Problem(
        name="one crop",
        weeks=WEEKS,
        areas=(Area("frame", (places,) * WEEKS, none), Area("ready", (100,) * WEEKS, none)),
        crops=(crop,),
        regular_minutes=(1000,) * WEEKS,
        overtime_minutes=none,
        wip_minutes=none,
        regular_cost=0,
        overtime_cost=0,
        beyond_cost=0,
        overflow_cost=20_000,
        starts_per_week=5,
        ready_area="ready",
        plugs_per_ready_place=50,
        mothers=(Mother(SEED, quota),) if quota else (),
    )


def benches(plan: Plan) -> BenchProblem:
    """A frame of ten places whose bench is cleaned for a week after every batch."""
    return BenchProblem(
        periods=7 * WEEKS + 14,
        areas=(BenchArea("frame", (Bench("F1", 10),), gap=7),),
        stands=tuple(
            Stand(f"{s.week}", "frame", "Caltha palustris", s.trays, 7 * s.week, 7 * s.week + 14)
            for s in plan.starts
        ),
    )


def test_a_plan_whose_batches_find_no_places_is_solved_again_and_then_fits() -> None:
    """Ten places hold eight trays and then eight, but not in the week in which they are cleaned."""
    demand = (0, 0, 8, 0, 8, 0, 0, 0)
    problem = one_crop(demand)
    tight = replace(problem, crops=(replace(problem.crops[0], life=1),))
    fitted = solve_to_fit(tight, SOON, benches)
    kept = fitted.outcome.found()
    assert fitted.further >= 1
    assert sum(fitted.first_short.values()) > 0
    assert fitted.short == {}
    assert violations(tight, kept) == []
    assert fitted.outcome.cost is not None and fitted.outcome.bound is not None
    assert fitted.outcome.cost >= fitted.first_cost >= fitted.outcome.bound
    (sentence,) = told(fitted, HORIZON)
    assert "did not fit on the benches" in sentence
    assert "now every batch has its places" in sentence


def test_a_plan_that_fits_is_solved_once_and_nothing_is_told() -> None:
    fitted = solve_to_fit(one_crop((0, 0, 5, 0, 0, 0, 0, 0)), SOON, benches)
    assert (fitted.further, fitted.first_short, told(fitted, HORIZON)) == (0, {}, [])


def test_what_the_plan_says_itself_does_not_fit_is_not_told_twice() -> None:
    problem = one_crop((0,) * WEEKS)
    over = Plan((Start("sown", 1, 0, 13),))
    assert without_overflow(problem, over, {("frame", 1): 3, ("frame", 2): 3}) == {}
    assert without_overflow(problem, over, {("frame", 1): 5}) == {("frame", 1): 2}


def test_only_the_weeks_in_which_places_were_missing_get_fewer() -> None:
    problem = one_crop((0,) * WEEKS)
    standing = replace(
        problem, areas=(replace(problem.areas[0], wip_places=(9,) * WEEKS), problem.areas[1])
    )
    plan = Plan((Start("sown", 2, 0, 9),))
    fewer = with_places(problem, plan, {("frame", 3): 4}).areas[0].places
    assert fewer == (10, 10, 10, 5, 10, 10, 10, 10)
    kept = with_places(standing, Plan(), {("frame", 3): 4}).areas[0].places
    assert kept == (10, 10, 10, 9, 10, 10, 10, 10)


def test_a_plan_takes_no_more_seed_over_several_weeks_than_there_is() -> None:
    """100 seeds are ten trays; each week alone would let sixteen plugs be sown for."""
    problem = one_crop((0, 0, 8, 0, 0, 0, 8, 0), quota=(100,) * WEEKS)
    short_lived = replace(problem, crops=(replace(problem.crops[0], life=1),))
    greedy = Plan((Start("sown", 0, 0, 8), Start("sown", 4, 0, 8)))
    assert violations(short_lived, greedy) == []
    assert missing_seed(short_lived, greedy) == {"Caltha palustris": 60}
    wide = BenchProblem(7, (), ())
    fitted = solve_to_fit(short_lived, SOON, lambda _: wide)
    assert sum(start.trays for start in fitted.outcome.found().starts) == 10
    assert (fitted.further, fitted.seed) == (1, {})
    (sentence,) = told(fitted, HORIZON)
    assert "60 seeds of Caltha palustris" in sentence
    assert "takes no more than there is" in sentence


def test_seed_of_a_lot_that_is_past_is_not_counted_for_later_weeks() -> None:
    """60 seeds to be sown by week 3 and 40 at any time: 100 in all, at most 40 from week 4 on."""
    problem = one_crop((0,) * WEEKS, quota=(100,) * 4 + (40,) * 4)
    early = Plan((Start("sown", 0, 0, 6), Start("sown", 5, 0, 4)))
    late = Plan((Start("sown", 4, 0, 3), Start("sown", 5, 0, 3)))
    assert missing_seed(problem, early) == {}
    assert missing_seed(problem, late) == {"Caltha palustris": 20}
    (mother,) = with_seed(problem, late)
    assert mother.quota == (0, 0, 0, 0, 30, 10, 0, 0)
