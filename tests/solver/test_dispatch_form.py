"""What a file of the form dispatch-problem/1 or dispatch-plan/1 may say, and how it is refused."""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as some

from solver.dispatching import Plan, Problem, solve, violations
from solver.run import Limits
from tests.solver.changed_json import Data, drop, put, twice
from tests.solver.dispatch_instances import season


def _problem() -> Data:
    found: Data = json.loads(season(4, 5, 2, seed=1).to_json())
    return found


LINE = ("orders", 0, "lines", 0)


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (put("form", to="dispatch-problem/9"), "form must be dispatch-problem/1"),
        (put("days", to=5.5), "days: input should be a valid integer, got 5.5"),
        (put("days", to=True), "days: input should be a valid integer, got True"),
        (put("days", to="5"), "days: input should be a valid integer, got '5'"),
        (put("days", to=0), "days must be >= 1, got 0"),
        (put("minutes", to=[1]), "minutes need one value a day, got 1 for 5 days"),
        (put("minutes", 0, to=float("nan")), "minutes[0]: input should be a valid integer"),
        (put("minutes", 0, to=10**30), "minutes[0]: input should be less than or equal to 10000"),
        (put("age_cost", to=-1), "must be >= 0"),
        (put(*LINE, "plugs", to=1.5), "orders[0].lines[0].plugs: input should be a valid integer"),
        (put(*LINE, "plugs", to=-3), "plugs must be >= 0"),
        (put(*LINE, "pool", to="none"), "a line names a pool that is not there"),
        (put("orders", 0, "open_days", to=[7]), "open days must be in 0..4"),
        (put("orders", 0, "open_days", to=None), "open_days: input should be a valid list"),
        (put("orders", 0, "day_cost", to=[[1]]), "day_cost[0]: list should have at least 2 items"),
        (put("orders", 0, to="A"), "orders[0]: input should be a valid dictionary"),
        (put("pools", 0, "lots", 0, "last_sale", to=-1), "last sale >= ready"),
        (put("overtime", to=[1]), "overtime needs one value a day"),
        (drop("minutes"), "minutes: field required; correct the file"),
        (drop("orders", 0, "weight"), "orders[0].weight: field required"),
        (drop("pools", 0, "lots", 0, "plugs"), "pools[0].lots[0].plugs: field required"),
        (twice("orders"), "key stands twice"),
        (twice("pools"), "key stands twice"),
        (twice("pools", 0, "lots"), "stands twice; rename one"),
    ],
)
def test_a_wrong_field_is_refused_with_its_place_the_rule_and_the_value(
    change: Callable[[Data], None], said: str
) -> None:
    data = _problem()
    Problem.from_json(json.dumps(data))
    change(data)
    with pytest.raises(ValueError) as refused:
        Problem.from_json(json.dumps(data))
    assert said in str(refused.value)
    assert "\n" not in str(refused.value)


@pytest.mark.parametrize("text", ["", "[]", "7", '"x"', "{", "null", b"\xff\xfe", "[" * 20])
def test_what_is_no_problem_at_all_is_refused_in_one_sentence(text: str | bytes) -> None:
    for reader in (Problem.from_json, Plan.from_json):
        with pytest.raises(ValueError, match="Dispatch"):
            reader(text)


def test_fields_that_the_form_does_not_know_are_passed_over() -> None:
    data = _problem() | {"made_by": "somebody", "seed": 3}
    data["orders"][0]["note"] = "blue pots"
    assert Problem.from_json(json.dumps(data)) == season(4, 5, 2, seed=1)


@pytest.mark.parametrize(
    ("plan", "said"),
    [
        ({}, "ships: field required"),
        ({"ships": [{"order": "A"}]}, "ships[0].day: field required"),
        ({"ships": [{"order": "A", "day": 0.5}]}, "ships[0].day: input should be a valid integer"),
        ({"ships": [{"order": "A", "day": 0}] * 2}, "order 'A' ships twice"),
    ],
)
def test_a_plan_that_is_none_is_refused(plan: Data, said: str) -> None:
    with pytest.raises(ValueError) as refused:
        Plan.from_json(json.dumps({"form": "dispatch-plan/1", **plan}))
    assert said in str(refused.value)


@settings(max_examples=40, deadline=None)
@given(some.integers(0, 10_000), some.data())
def test_any_number_changed_to_any_whole_one_is_refused_or_solved_and_never_breaks(
    seed: int, data: some.DataObject
) -> None:
    """Odd values: first days before and after the season, lots on sale beyond it, kept days that
    are not open, orders larger than all lots, no minutes."""
    problem = json.loads(season(5, 4, 2, seed).to_json())
    for _ in range(3):
        where = data.draw(
            some.sampled_from(
                [("orders", i, name) for i in range(5) for name in
                 ("first_day", "kept_day", "weight", "minutes")]
                + [("orders", i, "lines", 0, "plugs") for i in range(5)]
                + [("pools", 0, "lots", 0, name) for name in ("ready", "last_sale", "plugs")]
                + [("minutes", day) for day in range(4)]
                + [(name,) for name in ("late_cost", "overload_cost", "age_cost", "re_date_cost")]
            )
        )  # fmt: skip
        put(*where, to=data.draw(some.integers(-9, 60)))(problem)
    try:
        read = Problem.from_json(json.dumps(problem))
    except ValueError:
        return
    outcome = solve(read, Limits(2))
    assert violations(read, outcome.found()) == []
    assert outcome.bound is not None and outcome.bound <= outcome.cost


def test_the_command_refuses_a_wrong_file_in_one_line_and_without_a_traceback(
    tmp_path: Path,
) -> None:
    wrong = tmp_path / "wrong.json"
    wrong.write_text('{"form": "dispatch-problem/1"}')
    for path, said in ((wrong, "field required"), (tmp_path / "none.json", "No such file")):
        ran = subprocess.run(
            [sys.executable, "-m", "tests.benchmarks.dispatch", "--file", str(path)],
            capture_output=True,
            text=True,
            check=False,
        )
        assert ran.returncode == 2 and said in ran.stderr and "Traceback" not in ran.stderr
