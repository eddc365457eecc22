"""What a plan costs and which rules it breaks, against sums done by hand."""

from __future__ import annotations

from dataclasses import replace

import pytest

from solver.propagation import (
    Area,
    Crop,
    Mother,
    Plan,
    Problem,
    Protocol,
    Stage,
    Start,
    breakdown,
    cost,
    violations,
)
from tests.solver.propagation.cases import small, wagner_whitin


def one_crop() -> Problem:
    """Six weeks, one crop of 10 plugs a tray, two weeks on a bench of four places."""
    none = (0,) * 6
    protocol = Protocol(
        key="seed",
        tray_cost=100,
        batch_cost=(50,) * 6,
        batch_minutes=30,
        smallest_batch=2,
        plugs=(10,),
        stages=(Stage("bench", 1, 20, (2,) * 6),),
        mother="block",
        propagules=12,
        extra_weeks=1,
        extra_cost=7,
    )
    crop = Crop("primula", (0, 0, 15, 20, 0, 0), none, 2, 1, 90, 5, 3, 4, (protocol,))
    return Problem(
        name="one crop",
        weeks=6,
        areas=(Area("bench", (4,) * 6, (1, 0, 0, 0, 0, 0)), Area("ready", (1,) * 6, none)),
        crops=(crop,),
        regular_minutes=(60,) * 6,
        overtime_minutes=(30,) * 6,
        wip_minutes=(10, 0, 0, 0, 0, 0),
        regular_cost=2,
        overtime_cost=3,
        beyond_cost=20,
        overflow_cost=500,
        starts_per_week=1,
        ready_area="ready",
        plugs_per_ready_place=10,
        mothers=(Mother("block", (60, 60, 60, 0, 0, 0)),),
    )


def test_the_cost_of_a_plan_is_the_sum_done_by_hand() -> None:
    plan = Plan((Start("seed", 0, 0, 4),))
    # 4 trays are 40 plugs in week 2: 15 sold, 20 wait a week for week 3 (one place is there, one
    # is beyond), 5 are discarded. Minutes: 10 + 30 + 80 = 120, of which 60 regular, 30 overtime.
    trays, batch, storage, discards = 400, 50, 20 * 3, 5 * 4
    minutes = 60 * 2 + 30 * 3 + 30 * 20
    overflow = (1 + 4 - 4) * 500 + (2 - 1) * 500
    # It is cheaper to leave 10 plugs unmet (900) or keep the place (500)? 500 is cheaper.
    assert cost(one_crop(), plan) == trays + batch + storage + discards + minutes + overflow


def test_the_split_of_the_cost_adds_up_and_names_what_is_unmet_and_late() -> None:
    plan = Plan((Start("seed", 1, 0, 2),))
    report = breakdown(one_crop(), plan)
    # 20 plugs in week 3: they meet week 3 (20); week 2 could be met a week late at 5 each.
    assert report.cost.total() == cost(one_crop(), plan)
    assert sum(report.unmet.values()) == 15
    assert report.cost.shortage == 15 * 90
    assert report.use["bench"][:3] == (1.0, 2.0, 2.0)


def test_a_batch_under_the_smallest_is_refused_by_name() -> None:
    assert violations(one_crop(), Plan((Start("seed", 0, 0, 1),))) == [
        "seed of week 0: 1 trays, the smallest batch is 2"
    ]


def test_a_batch_counts_all_its_trays_whatever_their_extra_weeks() -> None:
    plan = Plan((Start("seed", 0, 0, 1), Start("seed", 0, 1, 1)))
    assert violations(one_crop(), plan) == []
    assert violations(replace(one_crop(), starts_per_week=0), plan) == [
        "Week 0 has 1 batch starts, allowed are 0"
    ]


def test_propagules_beyond_the_quota_are_refused() -> None:
    assert violations(one_crop(), Plan((Start("seed", 0, 0, 6),))) == [
        "Mother block block: 72 propagules taken in week 0, the quota is 60"
    ]


@pytest.mark.parametrize(
    ("start", "word"),
    [
        (Start("seed", 4, 0, 2), "not ready inside"),
        (Start("seed", 9, 0, 2), "outside"),
        (Start("seed", 0, 2, 2), "extra weeks"),
        (Start("bulb", 0, 0, 2), "not among the protocols"),
    ],
)
def test_a_start_that_cannot_be_is_said_in_one_sentence(start: Start, word: str) -> None:
    (sentence,) = violations(one_crop(), Plan((start,)))
    assert word in sentence


def test_a_problem_and_a_plan_come_back_from_json_as_they_were() -> None:
    for problem in (one_crop(), wagner_whitin(), *(small(seed) for seed in range(20))):
        assert Problem.from_json(problem.to_json()) == problem
    fixed = replace(
        one_crop(),
        fixed=(Start("seed", 0, 0, 3),),
        frozen_weeks=1,
        accepted=(Start("seed", 1, 0, 2),),
        change_cost=9,
    )
    assert Problem.from_json(fixed.to_json()) == fixed
    plan = Plan((Start("seed", 0, 1, 3),), 12, 10)
    assert Plan.from_json(plan.to_json()) == plan


def test_a_number_that_cannot_be_used_is_named_with_its_rule() -> None:
    problem = one_crop()
    with pytest.raises(ValueError, match="Area 'bench': places in week 0 must be >= 0, got -1"):
        replace(problem, areas=(Area("bench", (-1,) * 6, (0,) * 6), problem.areas[1]))
    with pytest.raises(ValueError, match="Ready area 'loft' is not among the areas"):
        replace(problem, ready_area="loft")
    with pytest.raises(ValueError, match="one value for each of 6 weeks, got 2"):
        replace(problem, regular_minutes=(1, 1))
    with pytest.raises(ValueError, match="Not a propagation-problem/1"):
        Problem.from_json('{"form": "propagation-problem/1"}')
    for wrong in ("NaN", "1e400", '"6"', "true", "6.5", "1" + "0" * 30, "null", "[]"):
        text = problem.to_json().replace('"weeks": 6', f'"weeks": {wrong}')
        with pytest.raises(ValueError, match=r"Not a propagation-problem/1: .* got"):
            Problem.from_json(text)
        text = Plan((Start("seed", 0, 1, 3),)).to_json().replace(": 3}", f": {wrong}}}")
        with pytest.raises(ValueError, match=r"trays must be a whole number of .* got"):
            Plan.from_json(text)
    for wrong in ("NaN", "1e400"):
        with pytest.raises(ValueError, match=r"cost or bound must be finite, got (nan|inf)"):
            Plan.from_json(Plan().to_json().replace('"cost": null', f'"cost": {wrong}'))
    for text in ("[]", "{", '{"form": "another"}'):
        with pytest.raises(ValueError, match=r"Not a propagation-problem/1: th"):
            Problem.from_json(text)
    with pytest.raises(ValueError, match="trays >= 1"):
        Start("seed", 0, 0, 0)
