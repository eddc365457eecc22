"""Small random problems: the same optimum as an independent model and as trying everything."""

from __future__ import annotations

import pytest

from solver.propagation import Plan, Problem, Start, cost, solve, violations
from solver.propagation.solving import search
from solver.run import Limits, Status
from tests.solver.propagation.cases import small
from tests.solver.propagation.independent import every_plan, least_cost, number_of_runs


def _as_plan(trays: dict[tuple[str, int, int], int]) -> Plan:
    return Plan(tuple(Start(*key, number) for key, number in trays.items()))


@pytest.mark.parametrize("block", range(6))
def test_small_plans_reach_the_optimum_of_an_independent_model(block: int) -> None:
    for seed in range(40 * block, 40 * block + 40):
        problem = small(seed, crops=1 + seed % 3, weeks=4 + seed % 3)
        outcome = solve(problem, Limits(20, threads=1))
        assert outcome.status == Status.OPTIMAL, seed
        assert violations(problem, outcome.found()) == [], seed
        assert outcome.cost == cost(problem, outcome.found()), seed
        assert outcome.cost == pytest.approx(least_cost(problem), abs=1.0), seed


def test_small_plans_are_as_cheap_as_the_best_of_all_plans() -> None:
    tried = 0
    for seed in range(1000, 1080):
        problem = small(seed, crops=1, weeks=4)
        if number_of_runs(problem) > 4:
            continue
        tried += 1
        plans = [_as_plan(trays) for trays in every_plan(problem, 4)]
        assert all(violations(problem, plan) == [] for plan in plans)
        least = min(cost(problem, plan) for plan in plans)
        outcome = solve(problem, Limits(20, threads=1))
        largest = max((start.trays for start in outcome.found().starts), default=0)
        assert (outcome.cost or 0) <= least, seed
        if largest <= 4:
            assert outcome.cost == least, seed
    assert tried >= 20


@pytest.mark.parametrize("seed", range(40))
def test_the_judged_cost_is_the_cheapest_completion_of_an_independent_model(seed: int) -> None:
    problem = small(2000 + seed)
    plan = solve(small(3000 + seed), Limits(20, threads=1)).found()
    starts = tuple(start for start in plan.starts if _fits(problem, start))
    trays = {(s.protocol, s.week, s.extra): s.trays for s in starts}
    if violations(problem, Plan(starts)):
        assert least_cost(problem, trays) == float("inf")
    else:
        assert cost(problem, Plan(starts)) == pytest.approx(least_cost(problem, trays), abs=1.0)


def _fits(problem: Problem, start: Start) -> bool:
    faults = violations(problem, Plan((start,)))
    return not any("ready inside" in fault or "extra weeks" in fault for fault in faults)


def test_the_search_by_worker_processes_finds_what_the_independent_model_finds() -> None:
    problem = small(1, crops=4, weeks=7)
    outcome = search(problem, Limits(6, threads=2))
    best = least_cost(problem)
    assert violations(problem, outcome.found()) == []
    assert outcome.cost == cost(problem, outcome.found())
    assert best - 1 <= (outcome.cost or 0) <= 1.01 * best + 1
    assert (outcome.bound or 0) <= best + 1
