"""Dispatch plans: judged, compared with enumeration, a second solver and the rule of thumb."""

from __future__ import annotations

import itertools
import threading
from collections import defaultdict
from dataclasses import replace
from typing import Any

import highspy
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import linprog

from solver.dispatching import (
    Line,
    Lot,
    Order,
    Plan,
    Pool,
    Problem,
    cost,
    lots_taken,
    solve,
    violations,
)
from solver.dispatching.model import build, part, plan_of
from solver.dispatching.whole_numbers import run_whole_numbers
from solver.first_come import first_come, stay_first
from solver.run import Limits, Progress, Status, run_linear
from tests.solver.dispatch_instances import season

SEEDS = st.integers(0, 2**32 - 1)


def tiny(seed: int, orders: int = 5, days: int = 4) -> Problem:
    """A few orders that fight over a few plugs and minutes."""
    rng = np.random.default_rng(seed)
    pools = []
    for p in range(2):
        lots = []
        for n in range(int(rng.integers(0, 4))):
            a, b = sorted(rng.integers(-1, days + 1, 2).tolist())
            lots.append(Lot(f"lot {p}-{n}", a, b, int(rng.integers(0, 8))))
        pools.append(Pool(f"pool {p}", tuple(lots)))
    waiting = []
    for o in range(orders):
        open_days = tuple(day for day in range(days) if rng.random() < 0.6)
        lines = tuple(
            Line(f"pool {p}", int(rng.integers(1, 5))) for p in range(2) if rng.random() < 0.7
        )
        kept = int(rng.integers(0, days)) if rng.random() < 0.5 else None
        weight, minutes = int(rng.choice([1, 2, 5])), int(rng.integers(0, 12))
        first = int(rng.integers(0, days))
        waiting.append(Order(f"order {o}", lines, open_days, first, weight, kept, minutes))
    return Problem(
        days,
        tuple(pools),
        tuple(waiting),
        (10,) * days,
        60,
        80,
        int(rng.choice([90, 2500])),
        150,
        1,
    )


def with_day_costs(problem: Problem, seed: int) -> Problem:
    """The same, some days of each order dearer and longer to pack, as packs make them, and only so
    many minutes of overtime a day."""
    rng = np.random.default_rng(seed)
    orders = []
    for order in problem.orders:
        dear = {day: int(rng.integers(1, 400)) for day in order.open_days if rng.random() < 0.5}
        long = {day: int(rng.integers(1, 9)) for day in order.open_days if rng.random() < 0.4}
        orders.append(replace(order, day_cost=dear, day_minutes=long))
    overtime = tuple(int(rng.integers(0, 8)) for _ in range(problem.days))
    beyond = problem.overload_cost + int(rng.integers(0, 200))
    return replace(problem, orders=tuple(orders), overtime=overtime, beyond_cost=beyond)


def every_plan(problem: Problem) -> int:
    """The least cost, by trying every ship day of every order."""
    ways = [(None, *order.open_days) for order in problem.orders]
    best = None
    for days in itertools.product(*ways):
        keys = (order.key for order in problem.orders)
        ships = {key: day for key, day in zip(keys, days, strict=True) if day is not None}
        if not violations(problem, Plan(ships)):
            found = cost(problem, Plan(ships))
            best = found if best is None else min(best, found)
    assert best is not None
    return best


@given(SEEDS)
@settings(deadline=None, max_examples=60)
def test_the_plan_is_the_cheapest_of_all_plans(seed: int) -> None:
    problem = tiny(seed)
    outcome = solve(problem, Limits(20))
    assert outcome.cost == outcome.bound == every_plan(problem)
    assert outcome.status == Status.OPTIMAL


@given(SEEDS)
@settings(deadline=None, max_examples=40)
def test_with_costs_and_minutes_of_days_the_plan_is_the_cheapest_of_all_plans(seed: int) -> None:
    problem = with_day_costs(tiny(seed), seed)
    outcome = solve(problem, Limits(20))
    assert outcome.cost == outcome.bound == every_plan(problem)
    assert outcome.status == Status.OPTIMAL


def by_second_solver(problem: Problem) -> float:
    """The least cost by HiGHS itself, from a model written down independently: overload, lots and
    what days cost as in the statement, every lot and day its own flow with its age as its price."""
    model: Any = highspy.Highs()  # type: ignore[no-untyped-call]
    model.setOptionValue("output_flag", False)
    model.setOptionValue("mip_rel_gap", 0.0)
    ships = {}
    costs = []
    for order in problem.orders:
        unshipped = model.addBinary()
        costs.append(unshipped * problem.order_cost(order, None))
        for day in order.open_days:
            ships[order.key, day] = model.addBinary()
            costs.append(ships[order.key, day] * price_by_hand(problem, order, day))
        here = [ships[order.key, day] for day in order.open_days]
        model.addConstr(sum(here, unshipped * 1) == 1)
    for pool in problem.pools:
        costs += flows_of_pool(model, problem, pool, ships)
    for day in range(problem.days):
        over, beyond = model.addVariable(0), model.addVariable(0)
        costs += [over * problem.overload_cost, beyond * problem.beyond_cost]
        if problem.overtime:
            model.addConstr(over * 1 <= problem.overtime[day])
        else:
            model.addConstr(beyond * 1 <= 0)
        packed = [
            ships[o.key, day] * (o.minutes + dict(o.day_minutes).get(day, 0))
            for o in problem.orders
            if day in o.open_days
        ]
        model.addConstr(sum(packed, over * -1 + beyond * -1) <= problem.minutes[day])
    model.minimize(sum(costs[1:], costs[0]))
    return float(model.getObjectiveValue())


def price_by_hand(problem: Problem, order: Order, day: int) -> int:
    """What the README of the form says that this order costs on this day, and its day's own."""
    late = order.weight * problem.late_cost * (day - order.first_day)
    told = problem.re_date_cost if order.kept_day not in (None, day) else 0
    return max(0, late) + told + dict(order.day_cost).get(day, 0)


def flows_of_pool(model: Any, problem: Problem, pool: Pool, ships: dict[Any, Any]) -> list[Any]:
    flows = {
        (lot, day): model.addVariable(0, lot.plugs)
        for lot in pool.lots
        for day in range(max(0, lot.ready), min(problem.days - 1, lot.last_sale) + 1)
    }
    for lot in pool.lots:
        mine = [flow * 1 for (other, _), flow in flows.items() if other is lot]
        if mine:
            model.addConstr(sum(mine[1:], mine[0]) <= lot.plugs)
    for day in range(problem.days):
        terms = [flow * 1 for (_, at), flow in flows.items() if at == day]
        for order in problem.orders:
            plugs = sum(line.plugs for line in order.lines if line.pool == pool.key)
            if plugs and day in order.open_days:
                terms.append(ships[order.key, day] * -plugs)
        if terms:
            model.addConstr(sum(terms[1:], terms[0]) == 0)
    return [flow * (problem.age_cost * (day - lot.ready)) for (lot, day), flow in flows.items()]


@pytest.mark.parametrize("dear", [False, True], ids=["plain", "with costs of days"])
@pytest.mark.parametrize("seed", range(3))
def test_a_second_solver_with_its_own_model_finds_the_same_cost(seed: int, dear: bool) -> None:
    problem = season(24, 21, 5, seed)
    problem = with_day_costs(problem, seed) if dear else problem
    outcome = solve(problem, Limits(30))
    assert outcome.cost == outcome.bound
    assert outcome.cost == pytest.approx(by_second_solver(problem), abs=1e-3)


def age_by_transport(problem: Problem, plan: Plan) -> float:
    """Cheapest age of all shipped plugs, by a linear programme over lots and days."""
    total = 0.0
    for pool in problem.pools:
        wanted: dict[int, int] = defaultdict(int)
        for key, day in plan.ships.items():
            for line in problem.order_of[key].lines:
                wanted[day] += line.plugs if line.pool == pool.key else 0
        arcs = [
            (n, day)
            for n, lot in enumerate(pool.lots)
            for day in wanted
            if lot.ready <= day <= lot.last_sale
        ]
        if not sum(wanted.values()):
            continue
        answer = linprog(
            [day - pool.lots[n].ready for n, day in arcs],
            A_ub=[[float(n == lot) for n, _ in arcs] for lot in range(len(pool.lots))],
            b_ub=[lot.plugs for lot in pool.lots],
            A_eq=[[float(d == day) for _, d in arcs] for day in wanted],
            b_eq=list(wanted.values()),
        )
        total += answer.fun
    return total * problem.age_cost


@given(SEEDS)
@settings(deadline=None, max_examples=40)
def test_the_judges_choice_of_lots_is_the_cheapest(seed: int) -> None:
    problem = tiny(seed, orders=8, days=6)
    plan = first_come(problem)
    bare = cost(replace(problem, age_cost=0), plan)
    assert cost(problem, plan) - bare == pytest.approx(age_by_transport(problem, plan))


@given(SEEDS)
@settings(deadline=None, max_examples=40)
def test_lots_taken_serve_every_shipped_plug_within_their_dates(seed: int) -> None:
    problem = tiny(seed, orders=8, days=6)
    plan = first_come(problem)
    shipped: dict[str, int] = defaultdict(int)
    for key in plan.ships:
        for line in problem.order_of[key].lines:
            shipped[line.pool] += line.plugs
    for pool, takes in lots_taken(problem, plan).items():
        lots = {lot.key: lot for lot in problem.pool_of[pool].lots}
        left = {lot.key: lot.plugs for lot in lots.values()}
        for take in takes:
            assert lots[take.lot].ready <= take.day <= lots[take.lot].last_sale
            left[take.lot] -= take.plugs
        assert min(left.values()) >= 0
        assert sum(take.plugs for take in takes) == shipped[pool]


@given(SEEDS, st.integers(1, 25))
@settings(deadline=None, max_examples=15)
def test_no_plan_violates_and_none_is_dearer_than_first_come_first_served(
    seed: int, orders: int
) -> None:
    problem = season(orders, 28, 4, seed)
    outcome = solve(problem, Limits(1))
    plan = outcome.found()
    assert violations(problem, plan) == []
    assert outcome.bound is not None
    assert outcome.bound <= cost(problem, plan) == outcome.cost
    assert outcome.cost <= cost(problem, first_come(problem))


@given(SEEDS)
@settings(deadline=None, max_examples=20)
def test_another_lot_or_more_minutes_are_never_dearer(seed: int) -> None:
    problem = tiny(seed)
    first = problem.pools[0]
    more = replace(first, lots=(*first.lots, Lot("one more", 0, 3, 5)))
    with_lot = replace(problem, pools=(more, *problem.pools[1:]))
    with_minutes = replace(problem, minutes=tuple(m + 15 for m in problem.minutes))
    least = solve(problem, Limits(20)).cost
    assert least is not None
    for relieved in (with_lot, with_minutes):
        found = solve(relieved, Limits(20)).cost
        assert found is not None
        assert found <= least


def one_order(open_days: tuple[int, ...], lots: tuple[Lot, ...], **more: int) -> Problem:
    order = Order(
        "A", (Line("mint", 5),), open_days, more.get("first", 0), kept_day=None, minutes=9
    )
    return Problem(6, (Pool("mint", lots),), (order,), (5,) * 6, 60, 80, 2500, 150, 1)


def test_a_heat_hold_moves_an_order_to_its_next_open_day() -> None:
    problem = one_order((0, 1, 2), (Lot("L1", 0, 5, 9),))
    before = solve(problem, Limits(5)).found()
    assert before.ships == {"A": 0}
    held = replace(problem.orders[0], open_days=(2,), kept_day=0)
    after = solve(replace(problem, orders=(held,)), Limits(5))
    assert after.found().ships == {"A": 2}
    # two days late, told once, 4 minutes over, 5 plugs 2 days old
    assert after.cost == 2 * 80 + 150 + 4 * 60 + 5 * 2


def test_an_order_without_a_day_or_without_plugs_does_not_ship() -> None:
    for problem in (
        one_order((), (Lot("L1", 0, 5, 9),)),
        one_order((0, 1), (Lot("L1", 2, 5, 9),)),
        one_order((0, 1), (Lot("L1", 0, 5, 4),)),
    ):
        outcome = solve(problem, Limits(5))
        assert outcome.found().ships == {}
        assert (outcome.cost, outcome.bound) == (2500, 2500)


def test_a_picked_parcel_stays_on_its_day_when_that_is_its_only_open_one() -> None:
    problem = season(40, 21, 4, 3)
    picked = next(order for order in problem.orders if order.kept_day in order.open_days)
    assert picked.kept_day is not None
    frozen = replace(picked, open_days=(picked.kept_day,), weight=1000)
    orders = tuple(frozen if order is picked else order for order in problem.orders)
    plan = solve(replace(problem, orders=orders), Limits(10)).found()
    assert plan.ships[picked.key] == picked.kept_day


def test_held_orders_do_not_all_land_on_one_monday() -> None:
    lots = (Lot("L1", 0, 20, 500),)
    orders = tuple(
        Order(f"held {n}", (Line("mint", 1),), (7, 8, 9), 5, kept_day=5, minutes=10)
        for n in range(30)
    )
    problem = Problem(21, (Pool("mint", lots),), orders, (120,) * 21, 60, 80, 2500, 150, 1)
    ships = solve(problem, Limits(10)).found().ships
    by_day = [sum(day == d for day in ships.values()) for d in (7, 8, 9)]
    assert sum(by_day) == 30
    assert max(by_day) <= 13  # 12 fit a day


def test_of_two_days_the_one_that_needs_no_pack_is_taken_until_a_day_late_costs_more() -> None:
    problem = one_order((0, 1), (Lot("L1", 0, 5, 9),))
    packed = replace(problem.orders[0], day_cost={0: 90}, day_minutes={0: 3})
    with_pack = replace(problem, orders=(packed,), age_cost=0, minutes=(12,) * 6)
    assert solve(with_pack, Limits(5)).found().ships == {"A": 1}  # 80 cents late under 90 of packs
    dearer = replace(with_pack, late_cost=91)
    assert solve(dearer, Limits(5)).found().ships == {"A": 0}
    assert (cost(with_pack, Plan({"A": 0})), cost(with_pack, Plan({"A": 1}))) == (90, 80)
    tight = replace(dearer, minutes=(9,) * 6)  # 12 minutes with the pack, 9 without: 3 over, at 60
    assert cost(tight, Plan({"A": 0})) == 90 + 3 * 60
    assert solve(tight, Limits(5)).found().ships == {"A": 1}


def test_first_come_first_served_counts_the_minutes_of_the_day() -> None:
    problem = one_order((0, 1), (Lot("L1", 0, 5, 9),))
    longer = replace(problem.orders[0], day_minutes={0: 1})
    assert first_come(replace(problem, orders=(longer,), minutes=(9,) * 6)).ships == {"A": 1}
    assert first_come(replace(problem, orders=(longer,), minutes=(10,) * 6)).ships == {"A": 0}


def test_a_problem_without_costs_of_days_is_written_as_it_always_was() -> None:
    """The form `dispatch-problem/1` is frozen: others hold files of it and read ours."""
    order = Order("A", (Line("mint", 5),), (0, 1), 0, 2, 1, 9)
    as_ever = (
        '{"key":"A","lines":[{"pool":"mint","plugs":5}],"open_days":[0,1],"first_day":0,'
        '"weight":2,"kept_day":1,"minutes":9}'
    )
    pool = Pool("mint", (Lot("L1", 0, 5, 9),))
    problem = Problem(6, (pool,), (order,), (5,) * 6, 60, 80, 2500, 150, 1)
    assert f'"orders":[{as_ever}]' in problem.to_json()
    dear = replace(order, day_cost={1: 70, 0: 90}, day_minutes={1: 2})
    said = replace(problem, orders=(dear,)).to_json()
    assert '"minutes":9,"day_cost":[[0,90],[1,70]],"day_minutes":[[1,2]]}' in said


def test_a_problem_and_a_plan_come_back_from_json_as_they_were() -> None:
    problem = season(20, 21, 3, 9)
    assert Problem.from_json(problem.to_json()) == problem
    dear = with_day_costs(problem, 9)
    assert Problem.from_json(dear.to_json()) == dear != problem
    plan = solve(problem, Limits(5)).found()
    assert Plan.from_json(plan.to_json()) == plan


def test_a_plan_that_cannot_be_carried_out_is_told_why() -> None:
    problem = one_order((1,), (Lot("L1", 2, 5, 9),))
    assert "too few" in violations(problem, Plan({"A": 1}))[0]
    assert "not open" in violations(problem, Plan({"A": 2}))[0]
    assert "not in the problem" in violations(problem, Plan({"B": 2}))[0]
    with pytest.raises(ValueError, match="not open"):
        cost(problem, Plan({"A": 2}))


def test_problems_that_cannot_be_are_refused() -> None:
    good = one_order((1,), (Lot("L1", 0, 5, 9),))
    with pytest.raises(ValueError, match="last sale"):
        Lot("L1", 3, 2, 5)
    with pytest.raises(ValueError, match="open days"):
        replace(good, orders=(replace(good.orders[0], open_days=(6,)),))
    with pytest.raises(ValueError, match=r"days with a cost or minutes must be in 0\.\.5"):
        replace(good, orders=(replace(good.orders[0], day_cost={6: 1}),))
    with pytest.raises(ValueError, match="day costs and minutes must be >= 0"):
        replace(good.orders[0], day_minutes={0: -1})
    with pytest.raises(ValueError, match="not there"):
        replace(good, pools=())
    with pytest.raises(ValueError, match="one value a day"):
        replace(good, minutes=(5,))
    with pytest.raises(ValueError, match="twice"):
        replace(good, pools=good.pools * 2)
    with pytest.raises(ValueError, match="costs"):
        replace(good, late_cost=-1)
    with pytest.raises(ValueError, match=">= 0"):
        replace(good.orders[0], weight=-1)
    with pytest.raises(ValueError, match="form must be"):
        Problem.from_json("{}")
    with pytest.raises(ValueError, match="field required"):
        Problem.from_json('{"form":"dispatch-problem/1","days":3}')
    with pytest.raises(ValueError, match="ships twice"):
        twice = '[{"order":"A","day":1},{"order":"A","day":2}]'
        Plan.from_json('{"form":"dispatch-plan/1","ships":' + twice + "}")


def test_progress_tells_of_cost_and_bound_and_a_stop_keeps_the_best_plan() -> None:
    problem = season(400, 35, 12, 2)
    told: list[Progress] = []
    stop = threading.Event()

    def watch(progress: Progress) -> None:
        told.append(progress)
        if progress.bound is not None:
            stop.set()

    outcome = solve(problem, Limits(20, progress=watch, stop=stop))
    costs = [progress.cost for progress in told if progress.cost is not None]
    assert costs == sorted(costs, reverse=True)
    assert told[-1].bound is not None
    assert violations(problem, outcome.found()) == []
    assert outcome.status in (Status.STOPPED, Status.OPTIMAL)


def test_an_empty_shed_has_an_empty_plan() -> None:
    problem = Problem(3, (), (), (0, 0, 0), 60, 80, 2500, 150, 1)
    outcome = solve(problem, Limits(5))
    assert (outcome.cost, outcome.bound, outcome.found().ships) == (0, 0, {})


@pytest.mark.parametrize("seed", range(4))
def test_two_solvers_prove_the_same_cost_for_the_same_model(seed: int) -> None:
    """HiGHS and CP-SAT share nothing but the rows; the plan is the judge's, not theirs."""
    problem = season(60, 20, 5, seed)
    problem = with_day_costs(problem, seed) if seed % 2 else problem
    whole = build(problem)
    model = part(whole)
    one = run_linear(model.linear, 30)
    other = run_whole_numbers(model.linear, Limits(30, threads=1))
    assert one.optimal and other.optimal and other.values is not None
    assert other.objective == pytest.approx(one.objective)
    plan = plan_of(problem, whole, other.values, model)
    assert violations(problem, plan) == []
    assert cost(problem, plan) == other.objective == other.bound


@settings(max_examples=60)
@given(SEEDS)
def test_whoever_can_keep_their_day_stays_and_the_plan_can_be_carried_out(seed: int) -> None:
    problem = tiny(seed, orders=8)
    plan = stay_first(problem)
    assert violations(problem, plan) == []
    kept = {o.key: o.kept_day for o in problem.orders if o.kept_day in o.open_days}
    if not violations(problem, Plan({key: day for key, day in kept.items() if day is not None})):
        assert all(plan.ships.get(key) == day for key, day in kept.items())


def test_who_must_move_goes_where_it_costs_least_not_where_there_is_room_first() -> None:
    """By hand: day 1 is closed to B. Day 3 has room but is two days late (2 x 40); day 2 is one day
    late and full, two minutes over (40 + 2 x 5). Not to ship would cost 1,000."""
    a = Order("A", (Line("P", 1),), (1, 2), 1, 1, 2, 10)
    b = Order("B", (Line("P", 1),), (2, 3), 1, 1, 1, 2)
    problem = Problem(
        4, (Pool("P", (Lot("L", 0, 3, 2),)),), (a, b), (0, 10, 10, 10), 5, 40, 1000, 7, 0
    )
    assert first_come(problem, keep=True).ships == {"A": 2, "B": 3}
    plan = stay_first(problem)
    assert plan.ships == {"A": 2, "B": 2}
    assert cost(problem, plan) == (40) + (40 + 7) + 2 * 5


@pytest.mark.parametrize("seconds", [1e-6, 0.01, 0.05, 0.15, 0.3])
def test_a_dispatch_that_has_hardly_any_time_still_has_a_plan_that_can_be_carried_out(
    seconds: float,
) -> None:
    problem = season(200, 20, 6, seed=4)
    outcome = solve(problem, Limits(seconds))
    plan = outcome.found()
    assert violations(problem, plan) == [] and cost(problem, plan) == outcome.cost
    assert outcome.bound is None or outcome.bound <= outcome.cost
    assert outcome.cost <= cost(problem, stay_first(problem))


def test_minutes_beyond_the_overtime_of_a_day_cost_what_is_said_of_them() -> None:
    """By hand: 30 minutes on a day of 10 with 5 of overtime are 5 x 2 + 15 x 9 = 145 above it."""
    orders = tuple(Order(f"O{i}", (), (0,), 0, 1, None, 10) for i in range(3))
    problem = Problem(1, (), orders, (10,), 2, 0, 1000, 0, 0, overtime=(5,), beyond_cost=9)
    plan = Plan({order.key: 0 for order in orders})
    assert cost(problem, plan) == 145
    assert cost(replace(problem, overtime=()), plan) == 20 * 2
    assert Problem.from_json(problem.to_json()) == problem
    assert "overtime" not in replace(problem, overtime=(), beyond_cost=0).to_json()
    for wrong in ({"overtime": (1, 2)}, {"overtime": (-1,)}, {"beyond_cost": 1}):
        with pytest.raises(ValueError, match="overtime"):
            replace(problem, **wrong)
