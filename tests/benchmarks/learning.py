"""How often do learned intervals hold the truth, and what are five batches worth?

    python -m tests.benchmarks.learning [--nurseries N] [--seed K]

One JSON line a result, the last is the summary. Coverage: N simulated nurseries of known truth a
line; 90 % is stated. Worth: a start of 2,000 plugs (trays of 104 cells, service level 90 %) by the
book and by book and five batches together, its true service and expected cost, where the book is
wrong in four ways and where it is right. Costs: 5.50 a tray with its work, 1.50 a plug short,
0.05 a plug too many (the demo's usual prices).
"""

from __future__ import annotations

import argparse
import json
from collections.abc import Iterator
from typing import Any

import numpy as np

from nursery.growing import fits
from nursery.yields import Survival, chance_of_enough, log_chances, refit, start_trays

CELLS, WANTED, LEVEL, BATCHES = 104, 2000, 0.9, 5
TRAY_CENTS, SHORT_CENTS, SURPLUS_CENTS = 550, 150, 5
BOOK = Survival(0.75, 0.03)
TRUTHS = {
    "lives less": Survival(0.60, 0.03),
    "lives more": Survival(0.88, 0.03),
    "fares more alike": Survival(0.75, 0.12),
    "less and more alike": Survival(0.62, 0.10),
    "book is right": BOOK,
}


def trays(rng: np.random.Generator, batches: int) -> np.ndarray:
    """Batches of 5 to 29 trays."""
    return rng.integers(5, 30, batches)


def counts(
    rng: np.random.Generator, truth: Survival, batches: int
) -> tuple[np.ndarray, np.ndarray]:
    """Usable plugs and plugs started of so many batches that fare by this truth."""
    started = CELLS * trays(rng, batches)
    return rng.binomial(started, rng.beta(*truth.beta, batches)), started


def survival_held(rng: np.random.Generator, truth: Survival, batches: int) -> tuple[bool, bool]:
    """Do the intervals of one nursery's mean and rho hold the truth?"""
    (low, high), (rho_low, rho_high) = fits.survival_intervals(*counts(rng, truth, batches))
    return low <= truth.mean <= high, rho_low <= truth.overdispersion <= rho_high


def dwell_held(rng: np.random.Generator, offset: float, batches: int) -> bool:
    """Whole days around the clock's, of which a batch strays by some three."""
    fit = fits.days_beside(np.round(rng.normal(offset, 3.0, batches)))
    return _holds(fit, offset)


def minutes_held(rng: np.random.Generator, truth: float, batches: int) -> bool:
    """Minutes are a fourth off either way, the longer ones by more (gamma)."""
    done = trays(rng, batches)
    fit = fits.minutes_a_tray(done * truth * rng.gamma(16, 1 / 16, batches), done, 4.0)
    return _holds(fit, truth)


def flush_held(rng: np.random.Generator, shares: tuple[float, ...], batches: int) -> bool:
    """Shares of the first week, each batch's drawn around the truth (Dirichlet, 30)."""
    made = np.round(1000 * rng.dirichlet(30 * np.array(shares), batches))
    return _holds(fits.flush(made, (0.5, 0.5))[0], shares[0])


def _holds(fit: fits.Fitted, truth: float) -> bool:
    assert fit.low is not None and fit.high is not None
    return fit.low <= truth <= fit.high


def coverage(nurseries: int, seed: int) -> Iterator[dict[str, Any]]:
    """In which share of nurseries do the intervals hold the truth, by quantity and batches?"""
    rng = np.random.default_rng(seed)
    for batches in (3, 5, 10, 30):
        found = [
            held
            for truth in TRUTHS.values()
            for held in (survival_held(rng, truth, batches) for _ in range(nurseries))
        ]
        mean, rho = np.mean(found, axis=0)
        many = 10 * nurseries
        yield {
            "name": f"coverage, {batches} batches",
            "survival": round(float(mean), 3),
            "rho": round(float(rho), 3),
            "dwell": round(float(np.mean([dwell_held(rng, 4.0, batches) for _ in range(many)])), 3),
            "minutes": round(
                float(np.mean([minutes_held(rng, 6.0, batches) for _ in range(many)])), 3
            ),
            "flush": round(
                float(np.mean([flush_held(rng, (0.7, 0.3), batches) for _ in range(many)])), 3
            ),
        }


def price(started: int, truth: Survival) -> tuple[float, float]:
    """True service and expected cost in euros of starting so many trays for `WANTED` plugs."""
    plugs = CELLS * started
    usable = np.arange(plugs + 1)
    chances = np.exp(log_chances(usable, plugs, truth))
    short = float((chances * np.maximum(WANTED - usable, 0)).sum())
    surplus = float((chances * np.maximum(usable - WANTED, 0)).sum())
    cents = started * TRAY_CENTS + SHORT_CENTS * short + SURPLUS_CENTS * surplus
    return chance_of_enough(WANTED, plugs, truth), cents / 100


def worth(name: str, nurseries: int, seed: int) -> dict[str, Any]:
    """What do five batches change, where the truth is this one and the book is not?"""
    rng, truth = np.random.default_rng(seed), TRUTHS[name]
    known: dict[int, tuple[float, float]] = {}
    found = []
    for _ in range(nurseries):
        used = refit(*counts(rng, truth, BATCHES), BOOK, fits.BOOK_BATCHES).used
        started = start_trays(WANTED, CELLS, used.mean, used.overdispersion, LEVEL)
        found.append(known.setdefault(started, price(started, truth)))
    by_book = price(start_trays(WANTED, CELLS, BOOK.mean, BOOK.overdispersion, LEVEL), truth)
    at_best = price(start_trays(WANTED, CELLS, truth.mean, truth.overdispersion, LEVEL), truth)
    service, cost = np.mean(found, axis=0)
    return {
        "name": f"five batches, {name}",
        "service_book": round(by_book[0], 3),
        "service_five": round(float(service), 3),
        "service_truth_known": round(at_best[0], 3),
        "cost_book": round(by_book[1], 1),
        "cost_five": round(float(cost), 1),
        "cost_truth_known": round(at_best[1], 1),
        "cheaper_nurseries": round(float(np.mean([c < by_book[1] for _, c in found])), 3),
    }


def main(arguments: list[str] | None = None) -> int:
    parser = argparse.ArgumentParser(prog="tests.benchmarks.learning", description=__doc__)
    parser.add_argument("--nurseries", type=int, default=200)
    parser.add_argument("--seed", type=int, default=1)
    asked = parser.parse_args(arguments)
    lines = list(coverage(asked.nurseries, asked.seed))
    for line in lines:
        print(json.dumps(line), flush=True)
    wrong = [worth(name, asked.nurseries, asked.seed) for name in TRUTHS]
    for line in wrong:
        print(json.dumps(line), flush=True)
    quantities = ("survival", "rho", "dwell", "minutes", "flush")
    print(
        json.dumps(
            {
                "name": "summary",
                "stated": fits.LEVEL,
                "least_coverage": min(line[key] for line in lines for key in quantities),
                "saved_where_wrong": round(
                    float(np.mean([1 - x["cost_five"] / x["cost_book"] for x in wrong[:-1]])), 3
                ),
                "lost_where_right": round(wrong[-1]["cost_five"] / wrong[-1]["cost_book"] - 1, 3),
            }
        )
    )
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
