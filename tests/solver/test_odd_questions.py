"""What a solver may be asked: nothing, nobody, no room, no time, a stop at once, huge numbers.

Each is refused in a sentence (ValueError) or answered rightly, with time as with none. Costs are
worked out by hand beside each question.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import pytest

from solver import benching, boxing, dispatching, propagation, rota, walking
from solver.benching import Area, Bench, Stand
from solver.boxing import Band, Box, Item, first_boxes
from solver.dispatching.problem import Line, Lot, Order, Pool
from solver.rota import After, Person, Task
from solver.run import Limits, Status
from solver.walking import Stop
from tests.solver.test_small_forms import LOT_SIZING

M, HUGE = 10**12, 2**40
CRESS = LOT_SIZING.crops[0]
SEED = CRESS.protocols[0]


class AtOnce:
    def is_set(self) -> bool:
        return True


def bench(*benches: Bench, gap: int = 0, periods: int = 9, stands: tuple[Stand, ...] = ()) -> Any:
    return benching.Problem(periods, (Area("a", benches, gap),), stands)


def stand(key: str, places: int, enters: int, leaves: int) -> Stand:
    return Stand(key, "a", "cress", places, enters, leaves)


def dispatch(*orders: Order, minutes: int = 9, plugs: int = 9, costs: int = 1) -> Any:
    pools = (Pool("p", (Lot("l", 0, 1, plugs),)),)
    return dispatching.Problem(2, pools, orders, (minutes, minutes), *(costs,) * 5)


def order(key: str, **more: Any) -> Order:
    return replace(Order(key, (Line("p", 3),), (0, 1), 0, minutes=3), **more)


A_TASK = Task("a", "x", 5, 0, 1)
TWO_TASKS = (A_TASK, replace(A_TASK, key="b", after=(After("a"),)))
THREE = (Stop("a", 0, 0), Stop("b", 5, 0), Stop("c", -5, 0))
ADA = Person("Ada", (9, 9))


@pytest.mark.parametrize(
    ("room", "problem", "cost"),
    [
        (rota, rota.Problem(0, (), ()), 0),
        (rota, rota.Problem(2, (ADA,), ()), 0),
        (rota, rota.Problem(2, (), TWO_TASKS), 2 * 1_000_000),  # nobody: both are left undone
        (rota, rota.Problem(2, (Person("Ada", (0, 0)),), TWO_TASKS), 2 * 1_000_000),
        (rota, rota.Problem(1, (Person("Ada", (M,)),), (Task("a", "x", M, 0, 0),)), 0),
        (rota, rota.Problem(2, (ADA,), (Task("a", "x", 1, 0, 1, persons=M),)), 1_000_000),
        # "b" waits for ever; of "a", 5 minutes are an even share of 10 over two days
        (rota, rota.Problem(2, (ADA,), (A_TASK, replace(A_TASK, key="b", after=(After("a", M),)))),
         1_000_000),
        (boxing, boxing.Problem((), ()), 0),
        (boxing, boxing.Problem((Item("a", 0, 5),), ()), 0),
        (boxing, boxing.Problem((Item("a", 3, 0),), (Box("flat", 0, 0, 5),)), 5),
        # three of "a" take no room, one box of 12 holds all "b", and each box weighs 2 of 10
        (boxing, boxing.Problem((Item("a", 3, 0, 5), Item("b", 3, 4)), (Box("box", 12, 2, 5),),
                                lift=10), 15),
        (boxing, boxing.Problem((Item("a", 7, 3), Item("b", 5, 2)),  # the free one is too heavy
                                (Box("free", 9, 50, 0), Box("box", 31, 5, 9)), lift=10), 9),
        (boxing, boxing.Problem((Item("a", 2, M, 5),), (Box("b", M, 0, 5),), (Band(M, 5),), M), 20),
        (boxing, boxing.Problem((Item("a", 100_000, 1),), (Box("box", 40, 0, 9),)), 9 * 2_500),
        (walking, walking.Problem((), 0), 0),
        (walking, walking.Problem(THREE, 0, trolley=1), 20),
        (walking, walking.Problem(tuple(Stop(str(n), 0, 0, 1) for n in range(9)), 0, trolley=2), 0),
        (walking, walking.Problem((Stop("a", M, 0, M), Stop("b", -M, 0, M)), M, trolley=M), 4 * M),
        (benching, benching.Problem(0, (), ()), 0),
        (benching, bench(stands=(stand("s", 4, 0, 2),)), 4 * 2 * 1_000),
        (benching, bench(Bench("x", 0), Bench("y", 0), stands=(stand("s", 4, 0, 2),)), 8_000),
        (benching, bench(Bench("x", 1), gap=3, stands=tuple(stand(str(n), 1, n, n + 1)
                                                            for n in range(8))), 6_000),
        (benching, bench(Bench("x", 3), Bench("z", 0), Bench("zz", 2),
                         stands=tuple(stand(str(n), 2, 0, n + 1) for n in range(3))), 1_000),
        (benching, bench(Bench("x", 5), gap=M, stands=(stand("s", 5, 0, 2), stand("t", 5, 3, 4))),
         5_000),
        (dispatching, dispatch(), 0),
        (dispatching, dispatch(order("a"), minutes=0), 1),  # not shipped: 1 by its weight
        (dispatching, dispatch(order("a", lines=())), 0),
        (dispatching, dispatch(order("a"), plugs=0), 1),
        (dispatching, dispatch(order("a", first_day=-HUGE, weight=1)), 1),
        (dispatching, dispatch(order("a", lines=(Line("p", HUGE),)), plugs=HUGE), 0),
        (propagation, replace(LOT_SIZING, crops=(), fixed=(), accepted=()), 0),
        (propagation, replace(LOT_SIZING, fixed=(), accepted=(), starts_per_week=0), 7 * 90),
        (propagation, replace(LOT_SIZING, fixed=(), accepted=(),
                              crops=(replace(CRESS, protocols=()),)), 7 * 90),
        (propagation, replace(LOT_SIZING, fixed=(), accepted=(), crops=(replace(
            CRESS, protocols=(replace(SEED, extra_weeks=M, smallest_batch=M),)),)), 7 * 90),
    ],
)  # fmt: skip
def test_an_odd_question_has_its_answer_with_time_with_none_and_with_a_stop_at_once(
    room: Any, problem: Any, cost: int
) -> None:
    for limits in (
        Limits(60.0, threads=1),
        Limits(1e-9, threads=1),
        Limits(60.0, threads=1, stop=AtOnce()),
    ):
        outcome = room.solve(problem, limits)
        plan = outcome.found()
        assert room.violations(problem, plan) == []
        assert outcome.bound <= cost <= outcome.cost
        assert room.Plan.from_json(plan.to_json()) == plan
        if limits.seconds == 60.0 and limits.stop is None:
            assert (outcome.cost, outcome.bound) == (cost, cost)
            assert outcome.status is Status.OPTIMAL


@pytest.mark.parametrize(
    ("made", "said"),
    [
        (lambda: Limits(0), "seconds must be > 0, got 0"),
        (lambda: Limits(float("nan")), "seconds must be > 0, got nan"),
        (lambda: Limits(float("inf")), "seconds must be at most 31622400, a year, got inf"),
        (lambda: Limits(1, threads=HUGE), "threads must be in 1..1024, got 1099511627776"),
        (lambda: Limits(1, threads=0), "threads must be in 1..1024, got 0"),
        (lambda: Limits(1, seed=HUGE), "the seed must be in 0..2147483647, got 1099511627776"),
        (lambda: Limits(1, seed=-1), "the seed must be in 0..2147483647, got -1"),
        (lambda: Person("Ada", (HUGE,)), "'Ada': numbers must be at most 1000000000000, got 10995"),
        (lambda: Task("a", "x", HUGE, 0, 0), "'a': numbers must be at most 1000000000000, got 109"),
        (lambda: rota.Problem(HUGE, (), ()), "days must be in 0..366, got 1099511627776"),
        (lambda: boxing.Problem((Item("a", 1, HUGE),), (Box("b", HUGE),)), "got 1099511627776"),
        (
            lambda: boxing.Problem((Item("a", HUGE, 1),), (Box("b", 4),)),
            "100000 bundles, got 10995",
        ),
        (lambda: walking.Problem((Stop("a", HUGE, 0),), 5), "Stop 'a': numbers must be at most 10"),
        (lambda: walking.Problem((Stop("a", 0, 0),) * 2, 5), "the key of a stop stands twice"),
        (lambda: walking.Problem((), 5, trolley=0), "the trolley >= 1, got depth 5, trolley 0"),
        (lambda: bench(Bench("x", HUGE)), "Area 'a': numbers must be at most 1000000000000, got 1"),
        (lambda: bench(periods=HUGE), "periods must be in 0..100000, got 1099511627776"),
        (lambda: bench(Bench("x", 1), Bench("x", 1)), "a bench's key stands twice; rename one"),
        (lambda: replace(dispatch(), days=0, minutes=()), "days must be >= 1, got 0"),
        (lambda: dispatch(order("a"), order("a")), "key stands twice; rename one"),
        (lambda: replace(LOT_SIZING, crops=(CRESS, CRESS)), "Two crops have the key 'cress'"),
    ],
)
def test_what_no_solver_can_reckon_with_is_refused_in_a_sentence(
    made: Callable[[], Any], said: str
) -> None:
    with pytest.raises(ValueError) as refused:
        made()
    assert said in str(refused.value)


def test_a_plan_of_another_problem_is_told_what_is_wrong_with_it() -> None:
    for room, problem, text in (
        (rota, rota.Problem(1, (), ()),
         '{"form":"rota-plan/1","turns":{"z":{"day":9,"people":[]}}}'),
        (boxing, boxing.Problem((), ()),
         '{"form":"boxing-plan/1","boxes":[{"box":"z","holds":[]}]}'),
        (walking, walking.Problem((), 1), '{"form":"walking-plan/1","walks":[["z"]]}'),
        (benching, bench(), '{"form":"bench-plan/1","places":{"z":[]}}'),
        (dispatching, dispatch(), '{"form":"dispatch-plan/1","ships":[{"order":"z","day":9}]}'),
    ):  # fmt: skip
        plan = room.Plan.from_json(text)
        (said,) = room.violations(problem, plan)
        assert "'z'" in said
        with pytest.raises(ValueError, match="'z'"):
            room.cost(problem, plan)


def test_bundles_told_in_two_parts_of_one_box_are_counted_together() -> None:
    problem = boxing.Problem((Item("a", 3, 2),), (Box("box", 9),))
    parts = boxing.Plan((boxing.Packed("box", (("a", 1), ("a", 2))),))
    assert boxing.violations(problem, parts) == []
    more = boxing.Plan((boxing.Packed("box", (("a", 2), ("a", 2))),))
    assert boxing.violations(problem, more) == ["Item 'a': 4 of 3 are packed"]


def test_a_large_order_is_packed_at_once_as_if_bundle_by_bundle() -> None:
    """Worked by hand: first fit with the largest first, into boxes of 10."""
    problem = boxing.Problem((Item("a", 5, 4), Item("b", 4, 3), Item("c", 3, 1)), (Box("box", 10),))
    assert [dict(box.holds) for box in first_boxes(problem).boxes] == [
        {"a": 2, "c": 2}, {"a": 2, "c": 1}, {"a": 1, "b": 2}, {"b": 2},
    ]  # fmt: skip
