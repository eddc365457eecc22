"""Walks of the pick sheet: against trying everything, and against the rule of thumb."""

from __future__ import annotations

import random
from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from solver.run import Limits, Status
from solver.walking import (
    Plan,
    Problem,
    Stop,
    cost,
    length,
    s_shape,
    s_shape_length,
    shortest_walk,
    solve,
    violations,
)
from tests.solver.walking_instances import random_day, shortest_length, shortest_walks

QUICK = Limits(2.0, threads=1)


def small(seed: int) -> Problem:
    """A block of any shape: no aisle to five, short or long, the table in front of any."""
    chance = random.Random(seed)
    depth = chance.randrange(12)
    places = [chance.randrange(-10, 15) for _ in range(chance.randrange(1, 6))]
    return Problem(
        tuple(
            Stop(str(at), chance.choice(places), chance.randrange(depth + 1), 1)
            for at in range(chance.randrange(1, 8))
        ),
        depth,
        chance.choice([*places, 3]),
    )


def test_one_walk_is_as_short_as_the_best_of_all_orders() -> None:
    """400 random blocks. Held & Karp (1962) tries every order."""
    for seed in range(400):
        problem = small(seed)
        walk = shortest_walk(problem, problem.stops)
        assert sorted(walk) == sorted(problem.stop_of)
        assert length(problem, walk) == shortest_length(problem), seed


def test_a_walk_by_spots_that_were_walked_before_is_the_walk_searched_anew() -> None:
    """However many stops lie at a spot, and whichever of its spots are asked for."""
    for seed in range(200):
        problem, known = small(seed), dict[frozenset[tuple[int, int]], Any]()
        for end in range(1, len(problem.stops) + 1):
            stops = problem.stops[:end]
            assert shortest_walk(problem, stops, known) == shortest_walk(problem, stops), seed


def test_a_day_with_more_stops_than_can_be_tried_is_proven_when_one_trolley_holds_it() -> None:
    outcome = solve(random_day(1, 60), QUICK)
    assert outcome.status is Status.OPTIMAL
    assert outcome.cost == outcome.bound


def test_several_walks_are_close_to_the_best_of_all_ways_to_part_the_stops() -> None:
    """Thirty days of six picks, parted in every way: not one may be shorter than the bound."""
    ours = best = 0
    for seed in range(30):
        problem = random_day(seed, 6, aisles=5, trolley=70)
        outcome = solve(problem, Limits(0.1, threads=1))
        shortest = shortest_walks(problem)
        assert outcome.bound is not None and outcome.cost is not None
        assert outcome.bound <= shortest <= outcome.cost
        ours, best = ours + outcome.cost, best + shortest
    assert ours <= 1.01 * best


def test_walks_are_never_longer_than_the_rule_of_thumb() -> None:
    for seed in range(20):
        problem = random_day(seed, 25, trolley=150)
        plan = solve(problem, Limits(0.1, threads=1)).found()
        assert cost(problem, plan) <= cost(problem, s_shape(problem))


def test_the_rule_of_thumb_walks_an_aisle_from_end_to_end() -> None:
    """Worked by hand: three aisles 10 apart and 20 long, the table before the first."""
    stops = (Stop("a", 0, 5), Stop("b", 10, 4), Stop("c", 20, 6))
    problem = Problem(stops, depth=20)
    walk = s_shape(problem).walks[0]
    assert walk == ("a", "b", "c")
    assert s_shape_length(problem, walk) == 20 + 10 + 20 + 10 + 2 * 6 + 20
    assert length(problem, shortest_walk(problem, stops)) == 2 * (5 + 4 + 6) + 2 * 20


@given(
    st.lists(
        st.tuples(st.integers(0, 4), st.integers(0, 20), st.integers(1, 9)), min_size=1, max_size=9
    ),
    st.integers(9, 30),
)
@settings(max_examples=40, deadline=None)
def test_every_stop_is_walked_to_once_and_no_trolley_is_overloaded(
    places: list[tuple[int, int, int]], trolley: int
) -> None:
    stops = tuple(Stop(str(at), 3 * x, y, load) for at, (x, y, load) in enumerate(places))
    problem = Problem(stops, depth=20, trolley=trolley)
    outcome = solve(problem, Limits(0.02, threads=1))
    plan = outcome.found()
    assert violations(problem, plan) == []
    assert outcome.cost == sum(length(problem, walk) for walk in plan.walks)
    everything = solve(replace(problem, trolley=1_000), Limits(0.02, threads=1))
    assert everything.status is Status.OPTIMAL
    assert (everything.cost or 0) <= (outcome.cost or 0)


def test_what_cannot_be_walked_is_refused_in_a_sentence() -> None:
    with pytest.raises(ValueError, match="'far': must lie 0 to 20 from the front, got 21"):
        Problem((Stop("far", 0, 21),), depth=20)
    with pytest.raises(ValueError, match=r"'heavy': the load must be 0 to 5, .* got 6; split it"):
        Problem((Stop("heavy", 0, 1, 6),), depth=20, trolley=5)
    problem = Problem((Stop("a", 0, 1, 3), Stop("b", 0, 2, 3)), depth=20, trolley=5)
    assert violations(problem, Plan((("a", "b"),))) == ["Walk 1 fetches 6, the trolley holds 5"]
    assert violations(problem, Plan((("a",),))) == ["Stop 'b' is walked to 0 times"]
    assert violations(problem, Plan((("a",), ("c",)))) == ["Stop 'c' is not in the problem"]


def test_a_problem_and_its_plan_are_the_same_read_again() -> None:
    problem = random_day(3, 5, trolley=60)
    plan = solve(problem, Limits(0.05, threads=1)).found()
    assert Problem.from_json(problem.to_json()) == problem
    assert Plan.from_json(plan.to_json()) == plan
    with pytest.raises(ValueError, match="walking-plan/1"):
        Plan.from_json(problem.to_json())


def test_a_day_without_picks_is_no_walk() -> None:
    outcome = solve(Problem((), depth=10), QUICK)
    assert (outcome.found().walks, outcome.cost, outcome.status) == ((), 0, Status.OPTIMAL)
