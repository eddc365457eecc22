"""Which parts of the propagation search earn their place? Each is left out in turn.

    python -m tests.benchmarks.propagation_parts (--file F.json | --size S|M|L --seed K)
        --seconds N [--times T]

One JSON line a part: mean cost, bound and gap over T seeds of the search, beside the whole search
in the same run.
"""

from __future__ import annotations

import argparse
import json
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from statistics import mean
from typing import Any
from unittest.mock import patch

from solver.propagation import Problem, cost, search, solving, violations
from solver.propagation.search import Search
from solver.propagation.solving import _Conductor
from solver.run import Limits
from tests.benchmarks.propagation_instances import instance


@contextmanager
def _whole_trays_at_once() -> Iterator[None]:
    """Batches are not searched with trays of any fraction."""
    with patch.multiple(solving, TURNS=(0.0,), TURNS_OF_SMALL=(0.0,), TURNS_OF_LARGE=(0.0,)):
        yield


@contextmanager
def _no_second_turn() -> Iterator[None]:
    """Trays are made whole once, late."""
    with patch.object(solving, "TURNS_OF_SMALL", (0.8,)):
        yield


@contextmanager
def _no_prices() -> Iterator[None]:
    """No crop is priced: the bound is the plain relaxation's, and so is the guide."""
    before: Callable[..., None] = _Conductor._relaxed

    def relaxed(self: _Conductor, *arguments: Any) -> None:
        before(self, *arguments)
        self.to_price = []

    with patch.object(_Conductor, "_relaxed", relaxed):
        yield


@contextmanager
def _no_whole_trays_in_the_bound() -> Iterator[None]:
    """Crops are priced with whole batches only."""
    with patch.object(solving, "HOPELESS", 0):
        yield


@contextmanager
def _no_balance() -> Iterator[None]:
    """The trays of all crops are not balanced against each other."""
    with patch.object(Search, "to_balance", lambda self: False):
        yield


@contextmanager
def _by_chance() -> Iterator[None]:
    """Neighbourhoods are drawn by chance, not by shared full places and hours."""

    def equal(self: Any, state: object, seed: int, free: list[int], window: object) -> Any:
        return {at: self.random.random() for at in free}

    with patch.object(search.Neighbourhoods, "_affinity", equal):
        yield


@contextmanager
def _nothing_left_out() -> Iterator[None]:
    yield


PARTS = {
    "the whole search": _nothing_left_out,
    "without batches on trays of any fraction": _whole_trays_at_once,
    "without going back to fractions": _no_second_turn,
    "without crops at prices": _no_prices,
    "without whole trays in the bound": _no_whole_trays_in_the_bound,
    "without the balance of all trays": _no_balance,
    "with neighbours by chance": _by_chance,
}


def main(arguments: list[str] | None = None) -> int:
    parser = argparse.ArgumentParser(prog="tests.benchmarks.propagation_parts", description=__doc__)
    which = parser.add_mutually_exclusive_group(required=True)
    which.add_argument("--file", type=Path)
    which.add_argument("--size", choices=("S", "M", "L"))
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--seconds", type=float, required=True)
    parser.add_argument("--times", type=int, default=1)
    asked = parser.parse_args(arguments)
    problem = (
        Problem.from_json(asked.file.read_text())
        if asked.file
        else instance(asked.size, asked.seed)
    )
    first: float | None = None
    for name, left_out in PARTS.items():
        costs, bounds = [], []
        for seed in range(asked.times):
            with left_out():
                outcome = solving.search(problem, Limits(asked.seconds, seed=seed))
            plan = outcome.found()
            broken = violations(problem, plan)
            if broken:
                raise AssertionError(f"{name}: the plan breaks {broken[0]}")
            costs.append(cost(problem, plan))
            bounds.append(outcome.bound or 0)
        price, bound = mean(costs), mean(bounds)
        first = price if first is None else first
        line = {
            "name": name,
            "cost": round(price),
            "bound": round(bound),
            "gap": (price - bound) / price,
            "cost_over_whole": price / first - 1,
        }
        print(json.dumps(line), flush=True)
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
