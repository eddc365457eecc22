"""The rota: against every rota of tiny weeks, and what may never stand on one."""

from __future__ import annotations

import random
from collections.abc import Iterator
from dataclasses import replace
from itertools import combinations, product

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from solver.rota import (
    After,
    Person,
    Plan,
    Problem,
    Task,
    Turn,
    cost,
    first_rota,
    hours,
    solve,
    still_held,
    undone,
    violations,
    worked,
)
from solver.run import Limits, Status

QUICK = Limits(5.0, threads=2, seed=1)
ADA, BEN = Person("Ada", (400, 400, 400)), Person("Ben", (400, 400, 400))


def task(key: str, minutes: int = 60, earliest: int = 0, latest: int = 2, **more: object) -> Task:
    return replace(Task(key, "move", minutes, earliest, latest), **more)  # type: ignore[arg-type]


def week(*tasks: Task, people: tuple[Person, ...] = (ADA, BEN), **more: object) -> Problem:
    return replace(Problem(3, people, tasks), **more)  # type: ignore[arg-type]


# --- every rota there is --------------------------------------------------------------------


def every_turn(problem: Problem, one: Task) -> Iterator[Turn | None]:
    """Any team of the right number on any day at all; the judge says which may be."""
    yield None
    for day in range(problem.days):
        for team in combinations([person.key for person in problem.people], one.persons):
            yield Turn(day, team)


def cheapest(problem: Problem) -> int:
    best = None
    for choice in product(*(list(every_turn(problem, one)) for one in problem.tasks)):
        turns = {t.key: turn for t, turn in zip(problem.tasks, choice, strict=True) if turn}
        plan = Plan(turns)
        if violations(problem, plan):
            continue
        price = cost(problem, plan)
        best = price if best is None else min(best, price)
    assert best is not None
    return best


def tiny(seed: int) -> Problem:
    """Two or three people, three days, four tasks with all that may tie them."""
    chance = random.Random(seed)
    people = tuple(
        Person(
            key=name,
            minutes=tuple(chance.choice((0, 100, 200)) for _ in range(3)),
            overtime=chance.choice((0, 60)),
            skills=("knife",) if chance.random() < 0.5 else (),
        )
        for name in ("Ada", "Ben", "Cy")[: chance.randint(2, 3)]
    )
    tasks: list[Task] = []
    for at in range(4):
        first = chance.randint(0, 2)
        tasks.append(
            Task(
                key=f"T{at}",
                kind=chance.choice(("move", "count")),
                minutes=chance.randint(1, 15) * 10,
                earliest=first,
                latest=chance.randint(first, 2),
                persons=2 if chance.random() < 0.3 else 1,
                skill="knife" if chance.random() < 0.2 else "",
                after=(After(f"T{at - 1}", chance.randint(0, 1)),)
                if at and chance.random() < 0.3
                else (),
                undone_cost=chance.choice((None, 5_000)),
            )
        )
    hot = {"move": tuple(d for d in range(3) if chance.random() < 0.2)}
    return Problem(3, people, tuple(tasks), hot)


@pytest.mark.parametrize("seed", range(25))
def test_no_rota_of_a_tiny_week_is_cheaper_than_the_one_that_is_found(seed: int) -> None:
    problem = tiny(seed)
    outcome = solve(problem, QUICK)
    assert outcome.cost == cheapest(problem)
    assert outcome.status is Status.OPTIMAL and outcome.bound == outcome.cost


# --- rules of the week ----------------------------------------------------------------------


def test_a_move_for_two_is_done_on_a_day_on_which_two_are_in() -> None:
    ben = replace(BEN, minutes=(0, 0, 400))
    problem = week(task("bench 3", persons=2), people=(ADA, ben))
    turn = solve(problem, QUICK).found().turns["bench 3"]
    assert turn.day == 2 and sorted(turn.people) == ["Ada", "Ben"]
    alone = Plan({"bench 3": Turn(0, ("Ada", "Ben"))})
    assert "'Ben' is not in on day 0" in violations(problem, alone)[0]
    assert "needs 2 persons" in violations(problem, Plan({"bench 3": Turn(2, ("Ada",))}))[0]


def test_a_move_for_two_is_left_undone_and_told_where_one_is_in() -> None:
    problem = week(task("bench 3", persons=2), people=(ADA,))
    plan = solve(problem, QUICK).found()
    assert undone(problem, plan) == {"bench 3": "it needs 2 people at once, 1 are in on its days"}


def test_a_place_is_cleared_then_cleaned_then_filled() -> None:
    problem = week(
        task("fill", after=(After("clean", 1),)),
        task("clean", after=(After("clear"),)),
        task("clear"),
    )
    turns = solve(problem, QUICK).found().turns
    assert turns["clear"].day <= turns["clean"].day < turns["fill"].day
    dirty = Plan({k: Turn(1, ("Ada",)) for k in ("clear", "clean", "fill")})
    assert "comes before 'clean' is done" in violations(problem, dirty)[0]


def test_nothing_heavy_is_moved_on_a_day_forecast_hot() -> None:
    problem = week(task("frames"), task("count", kind="count"), not_on={"move": (0, 1)})
    assert solve(problem, QUICK).found().turns["frames"].day == 2
    all_hot = replace(problem, not_on={"move": (0, 1, 2)})
    plan = solve(all_hot, QUICK).found()
    assert undone(all_hot, plan) == {"frames": "'move' is not to be done on any of its days"}
    assert "not done on day 1" in violations(problem, Plan({"frames": Turn(1, ("Ada",))}))[0]


def test_cuttings_are_taken_by_somebody_who_can() -> None:
    cy = Person("Cy", (0, 400, 0), skills=("cuttings",))
    problem = week(task("offsets", skill="cuttings"), people=(ADA, cy))
    assert solve(problem, QUICK).found().turns["offsets"] == Turn(1, ("Cy",))
    nobody = week(task("offsets", skill="cuttings"))
    told = undone(nobody, solve(nobody, QUICK).found())
    assert told == {"offsets": "nobody who can do 'cuttings' is in on its days"}


def test_hours_are_spread_over_the_days_and_the_people_who_are_in() -> None:
    """Six times 60 minutes over two people and three days is 60 minutes a person and day."""
    problem = week(*(task(f"T{n}") for n in range(6)))
    outcome = solve(problem, QUICK)
    assert worked(problem, outcome.found()) == {"Ada": (60, 60, 60), "Ben": (60, 60, 60)}
    assert outcome.cost == 0


def test_nobody_is_over_their_hours_without_it_being_said() -> None:
    ada = Person("Ada", (100, 100, 0), overtime=30)
    problem = week(task("A", 120, 0, 0), task("B", 150, 1, 1), people=(ada,))
    (row,) = hours(problem, solve(problem, QUICK).found())
    assert (row.minutes, row.overtime, row.beyond) == ((120, 150, 0), 70, 40)
    assert row.long_days == ((0, 20), (1, 50))


def test_tasks_that_wait_for_one_another_are_refused() -> None:
    with pytest.raises(ValueError, match="wait for one another"):
        week(task("A", after=(After("B"),)), task("B", after=(After("A"),)))


# --- whatever comes -------------------------------------------------------------------------


@st.composite
def weeks(draw: st.DrawFn) -> Problem:
    whole = st.integers
    people = tuple(
        Person(
            f"P{n}",
            tuple(draw(st.lists(st.sampled_from((0, 240, 480)), min_size=5, max_size=5))),
            draw(whole(0, 200)),
            draw(st.sampled_from(((), ("knife",)))),
        )
        for n in range(draw(whole(1, 4)))
    )
    tasks = []
    for at in range(draw(whole(0, 14))):
        first = draw(whole(0, 4))
        tasks.append(
            Task(
                key=f"T{at}",
                kind=draw(st.sampled_from(("move", "clean", "count"))),
                minutes=draw(whole(0, 300)),
                earliest=first,
                latest=draw(whole(first, 4)),
                persons=draw(whole(1, 3)),
                skill=draw(st.sampled_from(("", "", "knife"))),
                after=(After(f"T{draw(whole(0, at - 1))}", draw(whole(0, 2))),)
                if at and draw(st.booleans())
                else (),
            )
        )
    hot = {"move": tuple(draw(st.sets(whole(0, 4))))}
    return Problem(5, people, tuple(tasks), hot)


@settings(max_examples=80, deadline=None)
@given(weeks())
def test_the_rota_at_once_breaks_no_rule_and_its_text_says_the_same(problem: Problem) -> None:
    plan = first_rota(problem)
    assert violations(problem, plan) == []
    again = Problem.from_json(problem.to_json())
    assert again == problem
    assert cost(again, Plan.from_json(plan.to_json())) == cost(problem, plan)


@settings(max_examples=60, deadline=None)
@given(weeks(), weeks())
def test_a_rota_that_was_kept_stays_as_far_as_it_may_and_breaks_no_rule(
    was: Problem, problem: Problem
) -> None:
    kept = first_rota(was)
    stays = still_held(problem, kept)
    plan = first_rota(problem, kept)
    assert violations(problem, plan) == []
    assert {key: plan.turns[key] for key in stays} == stays
    assert still_held(was, kept) == kept.turns
    assert first_rota(was, kept).turns == kept.turns


@settings(max_examples=25, deadline=None)
@given(weeks())
def test_a_better_rota_breaks_no_rule_and_tells_all_that_it_leaves(problem: Problem) -> None:
    outcome = solve(problem, Limits(1.0, threads=1))
    plan = outcome.found()
    assert violations(problem, plan) == []
    assert (outcome.bound or 0) <= (outcome.cost or 0) <= cost(problem, first_rota(problem))
    assert set(undone(problem, plan)) | set(plan.turns) == set(problem.task_of)
    for row in hours(problem, plan):
        person = problem.person_of[row.person]
        assert sum(row.minutes) <= person.week + row.overtime
        assert all(m == 0 or person.minutes[day] for day, m in enumerate(row.minutes))
