"""Bench maps: against every possible map of tiny areas, and what may never happen on any."""

from __future__ import annotations

import random
import sys
from collections.abc import Iterator
from dataclasses import replace
from itertools import combinations, product
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from solver.benching import (
    Apart,
    Area,
    Bench,
    Block,
    Plan,
    Problem,
    Stand,
    cost,
    first_map,
    in_one_block,
    shortages,
    solve,
    violations,
)
from solver.benching.bound import least_short, lower_bound
from solver.benching.model import Answer, reseat
from solver.run import Limits, Status

QUICK = Limits(3.0, threads=2, seed=1)


def stand(key: str, places: int, enters: int, leaves: int, **more: object) -> Stand:
    plain = Stand(key, "frames", key, places, enters, leaves)
    return replace(plain, **more)  # type: ignore[arg-type]


def frames(*places: int, gap: int = 0, periods: int = 10, **more: object) -> Problem:
    """One area with benches of so many places, and no stands yet."""
    benches = tuple(Bench(f"F{at + 1}", number) for at, number in enumerate(places))
    return replace(Problem(periods, (Area("frames", benches, gap),), ()), **more)  # type: ignore[arg-type]


def with_stands(problem: Problem, *stands: Stand) -> Problem:
    return replace(problem, stands=stands)


# --- every map there is ---------------------------------------------------------------------


def every_choice(problem: Problem, one: Stand) -> Iterator[tuple[Block, ...]]:
    """Every set of places that this stand could take, from all it wants to none."""
    if one.fixed:
        yield one.fixed
        return
    (area,) = problem.areas
    single = [Block(b.key, at, 1) for b in area.benches for at in range(b.places)]
    for number in range(one.places, -1, -1):
        yield from combinations(single, number)


def cheapest(problem: Problem) -> int:
    """The least cost over all maps, by trying each of them."""
    best = None
    for choice in product(*(list(every_choice(problem, one)) for one in problem.stands)):
        plan = Plan({s.key: blocks for s, blocks in zip(problem.stands, choice, strict=True)})
        merged_plan = Plan({key: join(blocks) for key, blocks in plan.places.items()})
        if violations(problem, merged_plan):
            continue
        price = cost(problem, merged_plan)
        best = price if best is None else min(best, price)
    assert best is not None
    return best


def join(blocks: tuple[Block, ...]) -> tuple[Block, ...]:
    """Single places as runs of places, written anew here."""
    found: list[Block] = []
    for block in sorted(blocks):
        if found and found[-1].bench == block.bench and found[-1].end == block.first:
            found[-1] = replace(found[-1], places=found[-1].places + block.places)
        else:
            found.append(block)
    return tuple(found)


def tiny(seed: int) -> Problem:
    """Two short benches, three stands, now and then a closure, crops apart, a map of last week."""
    chance = random.Random(seed)
    shut = ((1, 3),) if chance.random() < 0.2 else ()
    houses = chance.choice((("", ""), ("east", "west")))
    benches = (
        Bench("F1", chance.randint(2, 4), houses[0]),
        Bench("F2", chance.randint(1, 2), houses[1], shut),
    )
    stands = []
    for at in range(3):
        enters = chance.randint(0, 3)
        one = stand(f"S{at}", chance.randint(1, 3), enters, enters + chance.randint(1, 3))
        if chance.random() < 0.3:
            one = replace(one, last=(Block("F1", 0, min(one.places, benches[0].places)),))
        if chance.random() < 0.2:
            one = replace(one, bench=chance.choice(("F1", "F2")))
        stands.append(one)
    apart = (Apart(("S0", "S1"), chance.choice((None, 1))),) if chance.random() < 0.4 else ()
    return Problem(
        periods=7,
        areas=(Area("frames", benches, chance.randint(0, 1)),),
        stands=tuple(stands),
        apart=apart,
        short_cost=chance.choice((100, 1000)),
    )


@pytest.mark.parametrize("seed", range(30))
def test_no_map_of_a_tiny_area_is_cheaper_than_the_one_that_is_found(seed: int) -> None:
    problem = tiny(seed)
    outcome = solve(problem, QUICK)
    assert outcome.cost == cheapest(problem)
    assert outcome.status is Status.OPTIMAL
    assert lower_bound(problem, problem.areas[0]) <= outcome.cost


# --- rules of the bench ---------------------------------------------------------------------


def test_a_tiny_map_that_is_called_proven_leaves_out_the_batch_that_costs_least() -> None:
    """One bench of two places, three batches: where a block that is absent had no places, CP-SAT
    9.15 called the map with "big" proven, which costs 8,200."""
    last = (Block("F1", 0, 1),)
    problem = with_stands(
        frames(2, gap=1, periods=3),
        stand("long", 2, 1, 3, last=last),
        stand("short", 2, 2, 3, bench="F1", last=last),
        stand("big", 4, 1, 2, tray_places=2),
    )
    outcome = solve(problem, Limits(5.0, threads=1))
    assert (outcome.cost, outcome.bound) == (6200, 6200)


def test_a_bench_of_the_last_map_may_be_gone() -> None:
    problem = with_stands(frames(3), stand("one", 2, 0, 1, last=(Block("sold", 0, 2),)))
    assert solve(problem, QUICK).cost == problem.change_cost


def test_a_batch_that_stands_beyond_the_end_of_its_bench_is_a_fault_of_the_data() -> None:
    with pytest.raises(ValueError, match="which has 1"):
        with_stands(frames(1), stand("one", 2, 0, 1, fixed=(Block("F1", 0, 2),)))


def test_a_batch_that_fits_on_a_bench_stands_in_one_block() -> None:
    problem = with_stands(frames(4, 6), stand("A", 5, 0, 3), stand("B", 4, 0, 3))
    plan = solve(problem, QUICK).found()
    assert plan.places["A"] == (Block("F2", 0, 5),)
    assert plan.places["B"] == (Block("F1", 0, 4),)
    assert in_one_block(problem, plan) == 2


def test_a_batch_larger_than_any_bench_is_split_into_as_few_blocks_as_can_be() -> None:
    problem = with_stands(frames(3, 4, 5), stand("A", 9, 0, 2))
    outcome = solve(problem, QUICK)
    assert sorted(block.places for block in outcome.found().places["A"]) == [4, 5]
    assert outcome.cost == problem.split_cost


def test_a_place_is_cleaned_before_the_next_batch_comes() -> None:
    first, second = stand("A", 2, 0, 3), stand("B", 2, 3, 5)
    at_once = with_stands(frames(2), first, second)
    assert not shortages(at_once, solve(at_once, QUICK).found())
    tight = with_stands(frames(2, gap=1), first, second)
    assert sum(one.places for one in shortages(tight, solve(tight, QUICK).found())) == 2
    later = with_stands(frames(2, gap=1), first, stand("B", 2, 4, 5))
    assert not shortages(later, solve(later, QUICK).found())
    hurried = Plan({"A": (Block("F1", 0, 2),), "B": (Block("F1", 0, 2),)})
    assert "no time to clean" in violations(tight, hurried)[0]


def test_a_tray_that_takes_two_places_is_never_split() -> None:
    problem = with_stands(frames(3, 3), stand("A", 4, 0, 2, tray_places=2))
    plan = solve(problem, QUICK).found()
    assert [block.places for block in plan.places["A"]] == [2, 2]
    halved = Plan({"A": (Block("F1", 0, 3), Block("F2", 0, 1))})
    assert "splits a tray" in violations(problem, halved)[0]


def test_crops_that_share_a_disease_stand_on_different_benches_or_so_far_apart() -> None:
    a, b = stand("cress", 2, 0, 4), stand("kale", 2, 2, 6)
    together = with_stands(frames(6, 2), a, b)
    on_two = replace(together, apart=(Apart(("cress", "kale")),))
    plan = solve(on_two, QUICK).found()
    assert {block.bench for blocks in plan.places.values() for block in blocks} == {"F1", "F2"}
    far = with_stands(frames(6, apart=(Apart(("cress", "kale"), 2),)), a, b)
    plan = solve(far, QUICK).found()
    (one,), (other,) = plan.places["cress"], plan.places["kale"]
    assert max(other.first - one.end, one.first - other.end) == 2
    near = Plan({"cress": (Block("F1", 0, 2),), "kale": (Block("F1", 3, 2),)})
    assert "must stand apart" in violations(far, near)[0]
    same_crop = with_stands(on_two, a, replace(b, crop="cress"))
    assert not violations(same_crop, Plan({s.key: (Block("F1", 2 * i, 2),)
                                           for i, s in enumerate(same_crop.stands)}))  # fmt: skip


def test_a_batch_that_stands_there_is_not_moved_for_another() -> None:
    here = (Block("F1", 1, 2),)
    problem = with_stands(frames(4, 1), stand("A", 2, 0, 5, fixed=here), stand("B", 3, 1, 3))
    outcome = solve(problem, QUICK)
    plan = outcome.found()
    assert plan.places["A"] == here
    assert len(plan.places["B"]) == 3 and not shortages(problem, plan)
    moved = Plan({**plan.places, "A": (Block("F1", 2, 2),), "B": ()})
    assert "may not be moved" in violations(problem, moved)[0]


def test_what_last_weeks_map_said_stands_if_it_costs_nothing() -> None:
    was = (Block("F2", 3, 2),)
    problem = with_stands(frames(4, 6), stand("A", 2, 1, 4, last=was), stand("B", 4, 0, 3))
    assert solve(problem, QUICK).found().places["A"] == was


def test_a_bench_out_of_use_takes_nothing() -> None:
    area = Area("frames", (Bench("F1", 4, closed=((2, 4),)), Bench("F2", 1)))
    problem = Problem(10, (area,), (stand("A", 2, 0, 3), stand("B", 2, 4, 6)))
    plan = solve(problem, QUICK).found()
    assert all(block.bench == "F2" for block in plan.places["A"])
    assert plan.places["B"] == (Block("F1", 0, 2),)
    assert "out of use" in violations(problem, Plan({"A": (Block("F1", 0, 2),)}))[0]


def test_what_does_not_fit_is_told_by_places_and_periods() -> None:
    problem = with_stands(frames(5), stand("A", 4, 0, 6), stand("B", 3, 2, 4), stand("C", 1, 8, 9))
    plan = solve(problem, QUICK).found()
    (one,) = shortages(problem, plan)
    assert (one.area, one.first, one.until, one.places) == ("frames", 2, 4, 2)
    assert least_short(problem, problem.areas[0]) == 4


def test_a_batch_is_not_spread_over_two_growing_areas_without_need() -> None:
    benches = (Bench("E1", 3, "east"), Bench("W1", 3, "west"), Bench("E2", 2, "east"))
    problem = Problem(5, (Area("frames", benches),), (stand("A", 5, 0, 2),))
    plan = solve(problem, QUICK).found()
    assert {block.bench for block in plan.places["A"]} == {"E1", "E2"}
    assert plan.cost == problem.split_cost


def test_two_batches_cannot_be_said_to_stand_on_the_same_place_now() -> None:
    a = stand("A", 2, 0, 4, fixed=(Block("F1", 0, 2),))
    with pytest.raises(ValueError, match="fixed on the same places"):
        with_stands(frames(4), a, replace(a, key="B", fixed=(Block("F1", 1, 2),)))


# --- whatever comes -------------------------------------------------------------------------


@st.composite
def areas_of_batches(draw: st.DrawFn) -> Problem:
    """Some benches and up to thirty stands, as full or as empty as chance has it."""
    whole = st.integers
    benches = draw(st.lists(whole(1, 9), min_size=1, max_size=4))
    stands = []
    for at in range(draw(whole(1, 30))):
        enters, long, tray = draw(whole(0, 15)), draw(whole(1, 6)), draw(whole(1, 2))
        places = tray * draw(whole(1, 5))
        one = stand(f"S{at}", places, enters, enters + long, tray_places=tray)
        stands.append(replace(one, crop=draw(st.sampled_from("abc"))))
    rules = (Apart(("a", "b"), draw(st.sampled_from((None, 1, 2)))),) if draw(st.booleans()) else ()
    problem = frames(*benches, gap=draw(whole(0, 3)), periods=21, apart=rules)
    return with_stands(problem, *stands)


@settings(max_examples=60, deadline=None)
@given(areas_of_batches())
def test_the_map_at_once_breaks_no_rule_and_its_text_says_the_same(problem: Problem) -> None:
    plan = first_map(problem)
    assert violations(problem, plan) == []
    again = Problem.from_json(problem.to_json())
    assert again == problem
    assert cost(again, Plan.from_json(plan.to_json())) == plan.cost
    assert lower_bound(problem, problem.areas[0]) <= (plan.cost or 0)


@settings(max_examples=12, deadline=None)
@given(areas_of_batches())
def test_mending_breaks_no_rule_and_never_makes_a_map_dearer(problem: Problem) -> None:
    outcome = solve(problem, Limits(0.4, threads=1, seed=3))
    assert violations(problem, outcome.found()) == []
    assert (outcome.bound or 0) <= (outcome.cost or 0) <= (first_map(problem).cost or 0)


@settings(max_examples=60, deadline=None)
@given(areas_of_batches())
def test_single_trays_always_fit_where_no_more_are_wanted_than_there_are(problem: Problem) -> None:
    """Interval graphs are perfect: as many colours as intervals at one time are enough.

    A place short is priced, so it is made dearer here than all blocks could be.
    """
    stands = tuple(replace(one, tray_places=1) for one in problem.stands)
    at_most = max(
        sum(s.places for s in stands if s.enters <= t < s.leaves + problem.areas[0].gap)
        for t in range(problem.periods)
    )
    frame = frames(at_most, gap=problem.areas[0].gap, periods=21)
    roomy = with_stands(replace(frame, short_cost=10**6), *stands)
    assert shortages(roomy, first_map(roomy)) == ()


@pytest.mark.parametrize("after", [1, 3])
def test_a_map_that_is_interrupted_while_it_is_mended_is_still_whole(
    after: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Ctrl-C while some batches are taken up: the best map before is kept, not the one without."""
    chance = random.Random(5)
    stands = [
        stand(f"S{n}", chance.randint(2, 5), at := chance.randint(0, 15), at + chance.randint(2, 6))
        for n in range(40)
    ]
    problem = with_stands(frames(13, 13, 13, gap=1, periods=30), *stands)
    calls = iter(range(after))

    def reseat_or_stop(*arguments: Any, **more: Any) -> Answer:
        if next(calls, None) is None:
            raise KeyboardInterrupt
        return reseat(*arguments, **more)

    monkeypatch.setattr(sys.modules["solver.benching.solve"], "reseat", reseat_or_stop)
    outcome = solve(problem, Limits(4.0, threads=1))
    assert outcome.status is Status.STOPPED
    assert violations(problem, outcome.found()) == []
    assert (outcome.cost or 0) <= (first_map(problem).cost or 0)
