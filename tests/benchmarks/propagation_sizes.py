"""How do time and gap grow with crops times weeks? One JSON line a size, and a picture.

    python -m tests.benchmarks.propagation_sizes [--seconds N] [--seed K] [--out PICTURE.svg]

Problems of the own generator, from 5 crops by 26 weeks to 200 by 104; each is given the same time,
and its gap is noted as it falls. The picture needs matplotlib (the extra `pictures`).
"""

from __future__ import annotations

import argparse
import json
from dataclasses import dataclass, field
from pathlib import Path

from solver.propagation import solve
from solver.run import Limits, Progress
from tests.benchmarks.propagation_instances import random_problem

SIZES = ((5, 26), (10, 26), (20, 26), (30, 40), (60, 52), (100, 78), (200, 104))
GAPS = (0.10, 0.05, 0.03)
PARTS = (0.25, 0.5, 1.0)


@dataclass
class _Fall:
    """How the gap fell: seconds and gap, at each report."""

    points: list[tuple[float, float]] = field(default_factory=list)

    def __call__(self, progress: Progress) -> None:
        if progress.gap is not None:
            self.points.append((progress.seconds, progress.gap))

    def at(self, seconds: float) -> float:
        return min((gap for when, gap in self.points if when <= seconds), default=1.0)

    def reached(self, gap: float) -> float | None:
        return next((round(when, 2) for when, at in self.points if at <= gap), None)


def main(arguments: list[str] | None = None) -> int:
    parser = argparse.ArgumentParser(prog="tests.benchmarks.propagation_sizes", description=__doc__)
    parser.add_argument("--seconds", type=float, default=60.0)
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--out", type=Path)
    asked = parser.parse_args(arguments)
    falls: list[tuple[int, _Fall]] = []
    for crops, weeks in SIZES:
        fall = _Fall()
        outcome = solve(
            random_problem(crops, weeks, asked.seed), Limits(asked.seconds, progress=fall)
        )
        price, bound = outcome.cost or 0, outcome.bound or 0
        fall.points.append((outcome.seconds, (price - bound) / max(1, price)))
        falls.append((crops * weeks, fall))
        line = {
            "crops": crops,
            "weeks": weeks,
            "crop_weeks": crops * weeks,
            "gap": fall.points[-1][1],
            "seconds": round(outcome.seconds, 1),
            **{
                f"gap_at_{part * asked.seconds:g}_s": fall.at(part * asked.seconds)
                for part in PARTS
            },
            **{f"seconds_to_{gap:.0%}": fall.reached(gap) for gap in GAPS},
        }
        print(json.dumps(line), flush=True)
    if asked.out:
        draw(falls, asked.seconds, asked.out)
    return 0


def draw(falls: list[tuple[int, _Fall]], seconds: float, out: Path) -> None:
    """Two charts side by side; markers differ, so that they read in black and white."""
    from matplotlib.figure import Figure

    figure = Figure(figsize=(10, 4.2), layout="constrained")
    left, right = figure.subplots(1, 2)
    sizes = [size for size, _ in falls]
    for part, marker in zip(PARTS, "os^", strict=True):
        gaps = [max(100 * fall.at(part * seconds), 0.01) for _, fall in falls]
        left.plot(sizes, gaps, marker=marker, color="black", label=f"after {part * seconds:g} s")
    left.set(xscale="log", yscale="log", xlabel="crops × weeks", ylabel="gap, %")
    left.legend(frameon=False)
    for gap, marker in zip(GAPS, "os^", strict=True):
        reached = [(size, fall.reached(gap)) for size, fall in falls]
        there = [(size, max(when, 0.05)) for size, when in reached if when is not None]
        right.plot(
            [size for size, _ in there],
            [when for _, when in there],
            marker=marker,
            color="black",
            label=f"gap ≤ {gap:.0%}",
        )
    right.set(xscale="log", yscale="log", xlabel="crops × weeks", ylabel="seconds until")
    right.legend(frameon=False)
    figure.savefig(out)


if __name__ == "__main__":
    raise SystemExit(main())
