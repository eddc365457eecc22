"""Is the stated chance of a quote true? Seasons on real weather through the real services.

    python -m tests.benchmarks.calibration [--seasons 24] [--seed 1] [--out DIR]

Each season (`calibration_season`) plays a year that its planner has never seen. A quote is *kept*
if the parcel left on its ship day with all its plugs (picked from lots that stood ready, nothing
taken from what was promised before), arrived from the first to the last day that was stated, and
no day from the ship day to the day after the last stated arrival reached a limit of its plants at
the nursery or the destination. That is just what the stated chance is a chance of. In life a day
that is too hot is held and the parcel moves: that promise was not kept on its day either.

One JSON line a bin of the stated chance: quotes, share kept and its standard error (quotes of one
season share weather and batches, so it is that of a mean over seasons as clusters), and whether the
share lies in the bin or within two standard errors of it. Then the same for the old rule
(`flat`: transit and weather times the site's safe quantile for plugs that still grow), for each
part of the chance alone, and the days lost by quoting too safely at several floors: from the first
day on which the order could really have been kept to the day that was offered. Last the summary.
`--out` gets two pictures, reliability.png and wait.png.
"""

from __future__ import annotations

import argparse
import json
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import numpy as np

from nursery.database import migrate, open_database
from tests.benchmarks.calibration_season import (
    FLOORS,
    LAST_ASKED,
    SETTINGS,
    Asked,
    live_through,
    open_season,
)
from tests.benchmarks.heat_weather import City, cities

BINS = ((0.5, 0.8), (0.8, 0.9), (0.9, 0.95), (0.95, 0.99), (0.99, 1.0))
GAPS = {"Clemson": {1930, 1957, 1962, 2005, 2006, 2020}}
"""Years of a series with days missing."""
KNOWN_YEARS = 20
_NEARLY_ALL = 0.99
EVERY_SEATTLE = 6
"""One season in so many is Seattle's: four years are too few to tell much of."""


@dataclass(frozen=True)
class Told:
    """A quote of a season, as it is judged."""

    season: int
    city: str
    setting: str
    asked: Asked


def seasons(many: int, seed: int) -> list[Told]:
    """All quotes that were taken in so many seasons."""
    found = []
    known = cities()
    for number in range(many):
        city = known["Seattle" if number % EVERY_SEATTLE == EVERY_SEATTLE - 1 else "Clemson"]
        found += season(city, number, seed)
    return found


def season(
    city: City, number: int, seed: int, known_years: int = KNOWN_YEARS, last_asked: int = LAST_ASKED
) -> list[Told]:
    """The quotes of one season, in a year drawn for it, with other years known.

    Customers ask until `last_asked` days after the first batch was started.
    """
    rng = np.random.default_rng((seed, number))
    whole = sorted({day.year for day in city.days} - GAPS.get(city.name, set()))
    year, *others = (int(one) for one in rng.permutation(whole))
    setting = SETTINGS[number % len(SETTINGS)]
    with TemporaryDirectory() as folder:
        db = open_database(str(Path(folder) / "nursery.sqlite"))
        try:
            migrate(db)
            drawn = int(rng.integers(2**31))
            played = open_season(db, city, year, others[:known_years], setting, drawn)
            live_through(played, last_asked)
        finally:
            db.close()
    return [Told(number, city.name, setting.name, one) for one in played.asked]


def share_kept(told: Sequence[Told], kept: Callable[[Asked], bool]) -> tuple[float, float]:
    """Which share was kept, and what is its standard error, seasons being clusters?"""
    every = np.array([one.season for one in told])
    good = np.array([kept(one.asked) for one in told], dtype=float)
    share = float(good.mean())
    clusters = np.unique(every)
    sums = np.array([(good - share)[every == cluster].sum() for cluster in clusters])
    many = clusters.size
    if many < 2:
        return share, float(np.sqrt(share * (1 - share) / good.size))
    return share, float(np.sqrt((sums**2).sum() * many / (many - 1)) / good.size)


def by_bins(
    told: Sequence[Told],
    name: str,
    stated: Callable[[Asked], float],
    kept: Callable[[Asked], bool] = lambda one: one.kept,
) -> list[dict[str, Any]]:
    """One line a bin: was it true?"""
    lines = []
    for low, high in BINS:
        inside = [one for one in told if low <= stated(one.asked) < high + (high == 1.0)]
        if not inside:
            continue
        share, error = share_kept(inside, kept)
        lines.append(
            {
                "name": name,
                "bin": [low, high],
                "quotes": len(inside),
                "seasons": len({one.season for one in inside}),
                "stated": round(float(np.mean([stated(one.asked) for one in inside])), 4),
                "kept": round(share, 4),
                "error": round(error, 4),
                "inside": low - 2 * error <= share <= high + 2 * error,
            }
        )
    return lines


def lost_days(told: Sequence[Told]) -> tuple[int, dict[float, list[int]]]:
    """Of how many orders, and how many days were lost by each that was offered a day, by floor?

    Of orders that could have been kept on some day, to the zone whose parcels nearly all arrive on
    one day: elsewhere a higher floor states a wider range of arrival, and not a later day.
    """
    could = [
        (one.asked, one.asked.first_possible)
        for one in told
        if one.asked.first_possible is not None and one.asked.option.chances[0][1] >= _NEARLY_ALL
    ]
    found: dict[float, list[int]] = {}
    for floor in FLOORS:
        offered = [(one.offered[floor], first) for one, first in could]
        found[floor] = [(day - first).days for day, first in offered if day is not None]
    return len(could), found


def waits(told: Sequence[Told]) -> list[dict[str, Any]]:
    """One line a floor: the days lost."""
    many, by_floor = lost_days(told)
    lines = []
    for floor, lost in by_floor.items():
        lines.append(
            {
                "name": "wait",
                "floor": floor,
                "quotes": many,
                "offered": len(lost),
                "days_lost_mean": round(float(np.mean(lost)), 2) if lost else None,
                "days_lost_median": float(np.median(lost)) if lost else None,
                "days_lost_p90": float(np.quantile(lost, 0.9)) if lost else None,
                "offered_too_soon": sum(one < 0 for one in lost),
            }
        )
    return lines


def report(told: Sequence[Told]) -> list[dict[str, Any]]:
    """Every line of a run; the last is the summary."""
    ours = by_bins(told, "stated", lambda one: one.stated)
    flat = by_bins(told, "flat", lambda one: one.flat)
    grow = [one for one in told if one.asked.plugs_stated < 1]
    parts = [
        *by_bins(
            grow, "plugs that still grow", lambda one: one.plugs_stated, lambda one: one.picked
        ),
        *by_bins(
            grow, "the same in hindsight", lambda one: one.plugs_stated, lambda one: one.could
        ),
        *by_bins(
            told,
            "transit and weather",
            lambda one: one.stated / one.plugs_stated,
            lambda one: one.in_time and one.in_weather,
        ),
    ]
    summary = {
        "name": "calibration",
        "seasons": len({one.season for one in told}),
        "quotes": len(told),
        "on_growing_plugs": len(grow),
        "kept": round(share_kept(told, lambda one: one.kept)[0], 4),
        "stated": round(float(np.mean([one.asked.stated for one in told])), 4),
        "flat": round(float(np.mean([one.asked.flat for one in told])), 4),
        "bins_inside": sum(line["inside"] for line in ours),
        "bins": len(ours),
        "flat_bins_inside": sum(line["inside"] for line in flat),
        "flat_bins": len(flat),
        "brier": round(_brier(told, lambda one: one.stated), 5),
        "flat_brier": round(_brier(told, lambda one: one.flat), 5),
    }
    return [*ours, *flat, *parts, *waits(told), summary]


def _brier(told: Sequence[Told], stated: Callable[[Asked], float]) -> float:
    """Mean squared difference of chance and outcome (Brier 1950): less is better."""
    return float(np.mean([(stated(one.asked) - one.asked.kept) ** 2 for one in told]))


def draw(told: Sequence[Told], lines: Sequence[dict[str, Any]], folder: Path) -> None:
    """The two pictures."""
    from matplotlib.figure import Figure

    folder.mkdir(parents=True, exist_ok=True)
    figure = Figure(figsize=(7, 6), layout="constrained")
    plot = figure.subplots()
    plot.plot([0.2, 1], [0.2, 1], color="grey", linewidth=1, label="said = kept")
    for name, label, colour, aside in (
        ("stated", "stated now", "tab:green", 0.0),
        ("flat", "old rule: flat safe quantile", "tab:red", 0.004),
    ):
        mine = [line for line in lines if line["name"] == name]
        plot.errorbar(
            [line["stated"] + aside for line in mine],
            [line["kept"] for line in mine],
            yerr=[2 * line["error"] for line in mine],
            marker="o",
            linestyle="none",
            capsize=3,
            color=colour,
            label=label,
        )
        for line in mine:
            plot.annotate(
                str(line["quotes"]),
                (line["stated"] + aside, line["kept"]),
                textcoords="offset points",
                xytext=(6, -10),
                fontsize=8,
                color=colour,
            )
    plot.set_xlabel("stated chance of the bin's quotes (mean)")
    plot.set_ylabel("share kept (± 2 standard errors, by season)")
    plot.set_title("Is the stated chance true? (number of quotes beside each point)")
    plot.set_xlim(0.2, 1.02)
    plot.set_ylim(0.2, 1.02)
    plot.legend(loc="lower right")
    figure.savefig(folder / "reliability.png", dpi=110)
    _draw_waits(told, folder)


def _draw_waits(told: Sequence[Told], folder: Path) -> None:
    from matplotlib.figure import Figure

    figure = Figure(figsize=(7, 5), layout="constrained")
    plot = figure.subplots()
    many, by_floor = lost_days(told)
    edges = np.arange(-7, 43)
    for floor, lost in by_floor.items():
        upto = [sum(each <= edge for each in lost) / max(1, many) for edge in edges]
        plot.step(edges, upto, where="post", label=f"floor {floor:.0%}")
    plot.axvline(0, color="grey", linewidth=1)
    plot.set_xlabel("days from the first day that could have been kept to the day offered")
    plot.set_ylabel("share of quotes offered by then")
    plot.set_title("What is lost by quoting safely (left of 0: offered too soon)")
    plot.set_ylim(0, 1)
    plot.legend(loc="upper left")
    figure.savefig(folder / "wait.png", dpi=110)


def main(given: list[str] | None = None) -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("--seasons", type=int, default=24)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--out", type=Path, help="folder for the two pictures")
    asked = parser.parse_args(given)
    told = seasons(asked.seasons, asked.seed)
    lines = report(told)
    for line in lines:
        print(json.dumps(line), flush=True)
    if asked.out:
        draw(told, lines, asked.out)


if __name__ == "__main__":
    main()
