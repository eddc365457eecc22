"""Which boxes an order takes: against trying everything, and against published bin packing."""

from __future__ import annotations

import random
from collections import Counter
from collections.abc import Sequence
from dataclasses import replace
from functools import cache
from itertools import product

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from solver.boxing import (
    Band,
    Box,
    Item,
    Packed,
    Plan,
    Problem,
    cost,
    first_boxes,
    solve,
    violations,
)
from solver.boxing.filling import best_filling
from solver.run import Limits, Status

QUICK = Limits(5.0, threads=2)

# Instance u120_00 of Falkenauer (1996), "A hybrid grouping genetic algorithm for bin packing",
# Journal of Heuristics 2: 120 sizes, room for 150; the least is 48 boxes (OR-Library, binpack1).
U120_00 = """
    42 69 67 57 93 90 38 36 45 42 33 79 27 57 44 84 86 92 46 38 85 33 82 73 49 70 59 23 57 72 74 69
    33 42 28 46 30 64 29 74 41 49 55 98 80 32 25 38 82 30 35 39 57 84 62 50 55 27 30 36 20 78 47 26
    45 41 58 98 91 96 73 84 37 93 91 43 73 85 81 79 71 80 76 83 41 78 70 23 42 87 43 84 60 55 49 78
    73 62 36 44 94 69 32 96 70 84 58 78 25 80 58 66 83 24 98 60 42 43 43 39
"""


def of_sizes(sizes: list[int], room: int) -> Problem:
    """Bin packing as boxes: one kind, one cent each."""
    items = tuple(Item(f"{size}", many, size) for size, many in Counter(sizes).items())
    return Problem(items, (Box("box", room, price=1),))


def small(seed: int) -> Problem:
    """Up to six bundles, two kinds of box, three bands."""
    chance = random.Random(seed)
    items = tuple(
        Item(f"p{at}", chance.randrange(1, 3), chance.randrange(1, 7), chance.randrange(50, 400))
        for at in range(chance.randrange(1, 4))
    )
    boxes = (
        Box("small", 6, 80, chance.randrange(20, 90)),
        Box("large", chance.randrange(7, 16), 150, chance.randrange(60, 160)),
    )
    bands = (Band(500, 300), Band(1000, chance.randrange(350, 600)), Band(2000, 700))
    return Problem(items, boxes, bands, lift=chance.choice((900, 2000)))


def cheapest(problem: Problem) -> int:
    """The least cost over all ways to part the bundles into boxes."""
    bundles = tuple(item for item in problem.items for _ in range(item.count))

    def alone(chosen: tuple[Item, ...]) -> int | None:
        room, weighs = sum(one.room for one in chosen), sum(one.weight for one in chosen)
        prices = [
            box.price + problem.postage(box.weight + weighs)
            for box in problem.boxes
            if room <= box.room and box.weight + weighs <= problem.heaviest
        ]
        return min(prices, default=None)

    @cache
    def least(left: int) -> int:
        if not left:
            return 0
        first, found = left & -left, []
        rest = left ^ first
        part = rest
        while True:
            chosen = part | first
            price = alone(tuple(one for at, one in enumerate(bundles) if chosen >> at & 1))
            if price is not None:
                found.append(price + least(left ^ chosen))
            if not part:
                return min(found)
            part = (part - 1) & rest

    return least((1 << len(bundles)) - 1)


def test_the_boxes_of_small_orders_are_the_cheapest_of_all() -> None:
    """200 random orders, parted in every way."""
    for seed in range(200):
        problem = small(seed)
        outcome = solve(problem, QUICK)
        assert outcome.status is Status.OPTIMAL
        assert outcome.cost == cheapest(problem), seed


def test_a_published_bin_packing_takes_as_few_boxes_as_it_can() -> None:
    problem = of_sizes([int(size) for size in U120_00.split()], 150)
    outcome = solve(problem, Limits(240.0, threads=2))  # it ends as soon as it is proven
    assert (outcome.cost, outcome.bound) == (48, 48)
    assert first_boxes(problem).boxes and cost(problem, first_boxes(problem)) <= 50


def test_first_fit_with_the_largest_first_falls_short_where_it_is_known_to() -> None:
    """Sizes 5 4 3 3 3 in boxes of 9: it needs three, two are enough (worked by hand)."""
    problem = of_sizes([5, 4, 3, 3, 3], 9)
    assert cost(problem, first_boxes(problem)) <= 3
    assert solve(problem, QUICK).cost == 2


@given(
    st.lists(
        st.tuples(st.integers(1, 4), st.integers(1, 9), st.integers(0, 900)),
        min_size=1,
        max_size=5,
    ),
    st.integers(9, 20),
)
@settings(max_examples=30, deadline=None)
def test_no_box_is_overfilled_or_too_heavy_and_a_larger_one_never_costs_more(
    wanted: list[tuple[int, int, int]], room: int
) -> None:
    items = tuple(Item(str(at), *each) for at, each in enumerate(wanted))
    bands = (Band(1000, 400), Band(2500, 650))
    problem = Problem(items, (Box("box", room, 100, 70),), bands, lift=2000)
    outcome = solve(problem, Limits(3.0, threads=2))
    assert violations(problem, outcome.found()) == []
    larger = replace(problem, boxes=(Box("box", room + 5, 100, 70),))
    more = solve(larger, Limits(3.0, threads=2))
    if outcome.status is Status.OPTIMAL and more.status is Status.OPTIMAL:
        assert (more.cost or 0) <= (outcome.cost or 0)


@given(
    st.lists(
        st.tuples(st.integers(0, 3), st.integers(0, 6), st.integers(0, 5), st.floats(0.0, 9.0)),
        min_size=1,
        max_size=4,
    ),
    st.integers(0, 14),
    st.integers(0, 14),
)
@settings(max_examples=60, deadline=None)
def test_a_box_is_filled_with_what_is_worth_most_of_all_that_fits(
    wanted: list[tuple[int, int, int, float]], room: int, weight: int
) -> None:
    items = tuple(Item(str(at), *each[:3]) for at, each in enumerate(wanted))
    worth = [each[3] for each in wanted]
    roomy = (Box("box", room), Box("any", 99))
    found = best_filling(Problem(items, roomy), roomy[0], weight, worth, 60.0)
    assert found is not None
    most, counts = found
    every = product(*(range(item.count + 1) for item in items))

    def fits(chosen: Sequence[int]) -> bool:
        pairs = list(zip(items, chosen, strict=True))
        return (
            sum(item.room * n for item, n in pairs) <= room
            and sum(item.weight * n for item, n in pairs) <= weight
        )

    def is_worth(chosen: Sequence[int]) -> float:
        return sum(each * n for each, n in zip(worth, chosen, strict=True))

    assert fits(counts) and is_worth(counts) == pytest.approx(most, abs=1e-6)
    assert most == pytest.approx(max(is_worth(each) for each in every if fits(each)), abs=1e-6)


def test_what_cannot_be_packed_is_refused_in_a_sentence() -> None:
    with pytest.raises(ValueError, match="'tree': no box has room for one"):
        Problem((Item("tree", 1, 30),), (Box("box", 20),))
    with pytest.raises(ValueError, match="'box': no number may be below 0"):
        Problem((), (Box("box", -1),))
    problem = Problem((Item("a", 2, 5, 600),), (Box("box", 9, 100, 50),), (Band(900, 400),))
    both = Plan((Packed("box", (("a", 2),)),))
    assert violations(problem, both) == [
        "Box 1 holds 10 units, it has room for 9",
        "Box 1 weighs 1300 g, at most 900 may be",
    ]
    assert violations(problem, Plan(())) == ["Item 'a': 0 of 2 are packed"]
    assert "there is no box 'bag'" in violations(problem, Plan((Packed("bag", ()),)))[0]


def test_an_order_and_its_boxes_are_the_same_read_again() -> None:
    problem = small(3)
    plan = solve(problem, QUICK).found()
    assert Problem.from_json(problem.to_json()) == problem
    assert Plan.from_json(plan.to_json()) == plan
    with pytest.raises(ValueError, match="boxing-plan/1"):
        Plan.from_json(problem.to_json())


def test_an_order_without_plants_takes_no_box() -> None:
    outcome = solve(Problem((), (Box("box", 9, price=3),)), QUICK)
    assert (outcome.found().boxes, outcome.cost, outcome.status) == ((), 0, Status.OPTIMAL)
