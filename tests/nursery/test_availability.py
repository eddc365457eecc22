"""What may still be promised: against textbook tables, maximum flow and plain enumeration."""

from __future__ import annotations

import itertools
from typing import NamedTuple

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from ortools.graph.python import max_flow

from nursery.availability import allot, deficit, extra, unkept
from nursery.errors import Fault

EVER = 10_000


class Pool(NamedTuple):
    ready: list[int]
    last_sale: list[int]
    plugs: list[int]
    committed: list[int]


def served(pool: Pool) -> int:
    """Most plugs that any assignment of lots to days can serve: OR-Tools maximum flow."""
    lots, days = len(pool.plugs), len(pool.committed)
    flow = max_flow.SimpleMaxFlow()
    source, sink = lots + days, lots + days + 1
    for lot in range(lots):
        flow.add_arc_with_capacity(source, lot, pool.plugs[lot])
        for day in range(max(pool.ready[lot], 0), min(pool.last_sale[lot], days - 1) + 1):
            flow.add_arc_with_capacity(lot, lots + day, pool.plugs[lot])
    for day, wanted in enumerate(pool.committed):
        flow.add_arc_with_capacity(lots + day, sink, wanted)
    if lots == 0 or days == 0:
        return 0
    assert flow.solve(source, sink) == flow.OPTIMAL
    return int(flow.optimal_flow())


def extra_by_flow(pool: Pool) -> list[int]:
    if served(pool) < sum(pool.committed):
        return [0] * len(pool.committed)
    answers = []
    for day in range(len(pool.committed)):
        asked = list(pool.committed)
        asked[day] += sum(pool.plugs)
        answers.append(served(pool._replace(committed=asked)) - sum(pool.committed))
    return answers


def random_pool(rng: np.random.Generator, keepable: bool) -> Pool:
    """Lots of any overlap, a quarter of them nested inside the one before."""
    days, lots = int(rng.integers(1, 13)), int(rng.integers(0, 7))
    ready: list[int] = []
    last_sale: list[int] = []
    for lot in range(lots):
        if lot and rng.random() < 0.25:
            a, b = ready[-1], last_sale[-1]
        else:
            a, b = -2, days + 1
        one, other = sorted(rng.integers(a, b + 1, 2).tolist())
        ready.append(one)
        last_sale.append(other)
    plugs = rng.integers(0, 9, lots).tolist()
    committed = (rng.integers(0, 7, days) * (rng.random(days) < 0.5)).tolist()
    if keepable:
        committed = allot(ready, last_sale, plugs, committed).sum(axis=0).tolist()
    return Pool(ready, last_sale, plugs, committed)


# Textbook tables of available-to-promise: stock at the beginning, receipts, orders, answer.
# 1: a master schedule record of the kind printed in operations textbooks (name from memory; both
#    rows recomputed). 2: Stevenson, Operations Management, industrial pumps. 3: Stevenson, lot 75
#    (answers computed from the inputs). 4: Krajewski, Ritzman & Malhotra, ladder-back chair (from
#    memory, arithmetic checked).
TEXTBOOK = [
    (
        65,
        [250, 0, 0, 200, 0, 0, 150, 0],
        [25, 150, 49, 26, 75, 22, 68, 10],
        [91, 0, 0, 77, 0, 0, 72, 0],
    ),
    (64, [0, 0, 70, 0, 70, 0, 70, 70], [33, 20, 10, 4, 2, 0, 0, 0], [11, 0, 56, 0, 68, 0, 70, 70]),
    (
        0,
        [75, 75, 75, 0, 75, 75, 0, 75],
        [52, 35, 20, 12, 0, 0, 0, 0],
        [23, 40, 43, 0, 75, 75, 0, 75],
    ),
    (55, [0, 150, 0, 0, 0, 0, 150, 0], [38, 27, 24, 8, 0, 0, 0, 0], [17, 91, 0, 0, 0, 0, 150, 0]),
]


@pytest.mark.parametrize(("begin", "receipts", "orders", "available"), TEXTBOOK)
def test_lots_that_never_expire_give_the_textbooks_available_to_promise(
    begin: int, receipts: list[int], orders: list[int], available: list[int]
) -> None:
    ready = [0, *range(len(receipts))]
    answer = extra(ready, [EVER] * len(ready), [begin, *receipts], orders)
    assert np.diff(answer, prepend=0).tolist() == available


def test_a_lot_nested_in_a_longer_one_is_not_counted_twice() -> None:
    # Lots (2..2, 4 plugs) and (1..5, 6 plugs), 2, 1 and 1 plugs promised on days 1, 4 and 5.
    # Simple formulas say that day 1 can take 4 more; maximum flow says 2.
    pool = Pool([2, 1], [2, 5], [4, 6], [0, 2, 0, 0, 1, 1])
    assert extra(*pool)[1] == 2
    assert extra(*pool).tolist() == extra_by_flow(pool)


def test_a_lot_past_its_last_sale_day_is_never_promised() -> None:
    assert extra([0], [2], [10], [0] * 5).tolist() == [10, 10, 10, 0, 0]


def test_a_lot_that_is_not_ready_is_not_promised() -> None:
    assert extra([3], [9], [10], [0] * 5).tolist() == [0, 0, 0, 10, 10]


def test_plugs_promised_later_are_kept_for_their_day() -> None:
    assert extra([0, 2], [3, 3], [5, 5], [0, 0, 0, 8]).tolist() == [2, 2, 2, 2]


def test_a_pool_without_lots_promises_nothing() -> None:
    assert extra([], [], [], [0, 0, 0]).tolist() == [0, 0, 0]
    assert extra([0], [3], [5], []).tolist() == []


def test_nothing_more_is_promised_while_a_promise_cannot_be_kept() -> None:
    pool = Pool([0, 4], [1, 6], [3, 20], [2, 0, 5, 0, 1, 0, 0])
    assert extra(*pool).tolist() == [0] * 7
    assert deficit(*pool).tolist() == [0, 0, 5, 0, 0, 0, 0]


def test_extra_equals_maximum_flow_on_five_thousand_random_pools() -> None:
    rng = np.random.default_rng(20_270_401)
    for _ in range(5_000):
        pool = random_pool(rng, keepable=True)
        assert extra(*pool).tolist() == extra_by_flow(pool), pool


def test_the_deficit_equals_maximum_flow_where_promises_cannot_be_kept() -> None:
    rng = np.random.default_rng(20_270_402)
    short = 0
    for _ in range(2_000):
        pool = random_pool(rng, keepable=False)
        missing = sum(pool.committed) - served(pool)
        assert deficit(*pool).sum() == missing, pool
        assert missing == 0 or not extra(*pool).any()
        short += missing > 0
    assert short > 500


def every_way(pool: Pool) -> bool:
    """Can the commitments be kept? By trying every lot for every single plug."""
    plugs = [day for day, wanted in enumerate(pool.committed) for _ in range(wanted)]
    for choice in itertools.product(range(len(pool.plugs)), repeat=len(plugs)):
        ok = all(
            pool.ready[lot] <= day <= pool.last_sale[lot]
            for lot, day in zip(choice, plugs, strict=True)
        )
        if ok and all(choice.count(lot) <= n for lot, n in enumerate(pool.plugs)):
            return True
    return False


@given(
    st.lists(st.tuples(st.integers(0, 3), st.integers(0, 3), st.integers(0, 2)), max_size=3),
    st.lists(st.integers(0, 1), min_size=4, max_size=4),
)
@settings(deadline=None, max_examples=60)
def test_extra_equals_plain_enumeration_on_tiny_pools(
    lots: list[tuple[int, int, int]], committed: list[int]
) -> None:
    pool = Pool(
        [min(a, b) for a, b, _ in lots],
        [max(a, b) for a, b, _ in lots],
        [n for _, _, n in lots],
        committed,
    )
    answer = extra(*pool).tolist()
    for day in range(4):
        for more in range(1, 4):
            asked = list(committed)
            asked[day] += more
            assert every_way(pool._replace(committed=asked)) == (more <= answer[day])
            if more > answer[day]:
                break


SEEDS = st.integers(0, 2**32 - 1)


@given(SEEDS)
@settings(deadline=None, max_examples=150)
def test_promising_what_is_offered_leaves_every_promise_kept(seed: int) -> None:
    rng = np.random.default_rng(seed)
    pool = random_pool(rng, keepable=True)
    committed = np.array(pool.committed)
    for _ in range(6):
        day = int(rng.integers(len(committed)))
        committed[day] += extra(pool.ready, pool.last_sale, pool.plugs, committed)[day]
        assert not deficit(pool.ready, pool.last_sale, pool.plugs, committed).any()
        assert extra(pool.ready, pool.last_sale, pool.plugs, committed)[day] == 0


@given(SEEDS)
@settings(deadline=None, max_examples=150)
def test_a_further_lot_never_lessens_what_may_be_promised(seed: int) -> None:
    rng = np.random.default_rng(seed)
    pool = random_pool(rng, keepable=True)
    grown = pool._replace(
        ready=[*pool.ready, 2], last_sale=[*pool.last_sale, 5], plugs=[*pool.plugs, 4]
    )
    assert (extra(*grown) >= extra(*pool)).all()


@given(SEEDS)
@settings(deadline=None, max_examples=150)
def test_time_running_backwards_gives_the_same_answer_backwards(seed: int) -> None:
    pool = random_pool(np.random.default_rng(seed), keepable=True)
    end = len(pool.committed) - 1
    mirror = Pool(
        [end - day for day in pool.last_sale],
        [end - day for day in pool.ready],
        pool.plugs,
        pool.committed[::-1],
    )
    assert extra(*mirror).tolist() == extra(*pool).tolist()[::-1]


@given(SEEDS)
@settings(deadline=None, max_examples=150)
def test_an_allotment_takes_no_plug_twice_and_none_outside_its_dates(seed: int) -> None:
    pool = random_pool(np.random.default_rng(seed), keepable=False)
    given_plugs = allot(*pool)
    assert (given_plugs >= 0).all()
    assert (given_plugs.sum(axis=1) <= pool.plugs).all()
    assert (given_plugs.sum(axis=0) <= pool.committed).all()
    for lot, day in zip(*np.nonzero(given_plugs), strict=True):
        assert pool.ready[lot] <= day <= pool.last_sale[lot]


@given(SEEDS)
@settings(deadline=None, max_examples=100)
def test_whoever_stands_first_keeps_first_and_the_total_lost_is_the_least(seed: int) -> None:
    rng = np.random.default_rng(seed)
    pool = random_pool(rng, keepable=False)
    days = len(pool.committed)
    when = rng.integers(0, days, 6)
    wanted = rng.integers(1, 5, 6)
    asked = np.bincount(when, wanted, days).astype(np.int64)
    lots = (pool.ready, pool.last_sale, pool.plugs)
    missing = unkept(*lots, when, wanted, days)
    assert missing.sum() == deficit(*lots, asked).sum()
    for i in range(6):  # none could have more without an earlier one having less
        had = np.where(np.arange(6) < i, wanted - missing, 0)
        had[i] = wanted[i] - missing[i] + 1
        if missing[i]:
            assert deficit(*lots, np.bincount(when, had, days).astype(np.int64)).any()


def test_the_promise_given_last_is_the_one_that_is_touched() -> None:
    assert unkept([0], [5], [10], [4, 1, 4], [5, 5, 3], 7).tolist() == [0, 0, 3]
    assert unkept([0], [5], [10], [4, 1], [5, 5], 7).tolist() == [0, 0]


@pytest.mark.parametrize(
    ("pool", "rule"),
    [
        (([3], [2], [5], [0] * 5), "last sale day must not come before ready"),
        (([0], [2], [-5], [0] * 5), "plugs must be >= 0"),
        (([0], [2], [5], [0, -1]), "committed must be >= 0"),
        (([0, 1], [2], [5], [0]), "one value a lot"),
    ],
)
def test_a_pool_that_cannot_be_is_refused(pool: tuple[list[int], ...], rule: str) -> None:
    with pytest.raises(Fault, match=rule):
        extra(*pool)


def test_a_commitment_outside_the_days_is_refused() -> None:
    with pytest.raises(Fault, match="ship day"):
        unkept([0], [5], [10], [9], [1], 7)
