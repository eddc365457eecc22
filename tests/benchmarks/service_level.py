"""In how many weeks do the plugs that live meet the planned ones, in many seasons of one plan?

    python -m tests.benchmarks.service_level [--seasons 2000] [--seed 1] [--seconds 10] [--times 1]

The demo's nursery is built and planned within the seconds, and its plan is followed in so many
simulated seasons: every batch dies stage by stage by the beta-binomial of the book (batches that
grow already by that of the stages they have left), and becomes ready by its flush in the weeks
that the plan says. So this judges quantities, not the weather.

One JSON line a crop, the last is the summary. `safe` is the plan as it is. The other ways are plans
of the same nursery, solved for as long, that reckon the plugs of a tray in another way. (To take
the safe plan and reckon each of its batches again shows nothing: most batches of the demo are of
one tray, and part of a tray is a tray.)
- `mean` and `binomial`: `wanted / mean`, and the plain binomial.
- `pooled`: two batches together, each of what one life of the crop wants, flush rounded so that
  nothing is lost. The plan reckoned so before, and it did not hold.
- `each_tray`: every tray at its own quantile, whatever batch it is part of. No batch can be worse
  than that; what `safe` costs less is what it is not timid by.
`--times` multiplies what is wanted, so that batches have several trays; room, hours and mother
plants grow with it, so that quantities are judged and not a lack of room.

Each way gives three shares, to be held against the stated `level`, and the plugs that it starts:
- `weeks_met`: of weeks in which the plan uses plugs, those in which as many are there: ready that
  week or before and still in their life. What lacks is lost, what is left over is kept.
- `fresh_weeks_met`: of weeks in which new batches become ready, those in which these alone give
  the planned plugs: no surplus of other weeks helps. `fresh_error` is its standard error.
- `plugs_met`: of the plugs that the plan uses, those that are there in their week.
`counted_on` is which share of the plugs that are started the plan reckons with: what is lost to
caution, apart from how well each plan was solved.
"""

from __future__ import annotations

import argparse
import json
import math
import tempfile
from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from sqlmodel import Session, select

from nursery.crop import Crop, Protocol
from nursery.database import open_database, today
from nursery.demand import Demand
from nursery.growing.air import air_of
from nursery.growing.growth import (
    growing_batches,
    growing_stages,
    parts,
    passages,
    pooled_lots,
    survival_left,
)
from nursery.growing.sowing import seed_book, survival_of, survivals
from nursery.planning.accepted import protocol_key
from nursery.planning.propagation_problem import (
    build_problem,
    cells_of,
    ordinary_week,
    safe_flush,
)
from nursery.weeks import Horizon, Week
from nursery.yields import Survival, safe_plugs_a_tray
from seed_demo import build
from solver.propagation import Crop as Planned
from solver.propagation import Plan, Problem, cost, solve
from solver.propagation.judge import complete, loads
from solver.propagation.runs import run
from solver.run import Limits

Seasons = NDArray[np.int64]
WAYS = ("safe", "mean", "binomial", "pooled", "each_tray")
DEMO_WEEKS = 26


@dataclass(frozen=True)
class Raised:
    """One batch: plugs started, who lives, and in which weeks which share of it is ready.

    `planned` are the plugs that the plan reckons with, by week; `fresh` where it is to be started.
    """

    plugs: int
    stages: tuple[Survival, ...]
    ready: tuple[tuple[int, float], ...]
    planned: dict[int, int]
    fresh: bool


@dataclass
class CropSeason:
    """What one plan means for one crop: its batches, and the plugs that it uses, by week.

    `certain` are plugs that stand ready in some week whatever lives and dies.
    """

    name: str
    level: float
    life: int
    weeks: int
    certain: Seasons
    needed: Seasons
    batches: list[Raised] = field(default_factory=list)


def lived(rng: np.random.Generator, batch: Raised, seasons: int) -> Seasons:
    """How many plugs of a batch live through all its stages, season by season?"""
    alive = np.full(seasons, batch.plugs, dtype=np.int64)
    for stage in batch.stages:
        if stage.overdispersion > 1e-9 and 0 < stage.mean < 1:
            share = rng.beta(*stage.beta, seasons)
        else:
            share = np.full(seasons, stage.mean)
        alive = rng.binomial(alive, share)
    return alive


def ready_plugs(rng: np.random.Generator, batch: Raised, seasons: int, weeks: int) -> Seasons:
    """Plugs ready in each week [seasons, weeks]: whole ones, by the shares of its flush."""
    alive = lived(rng, batch, seasons)
    made = np.zeros((seasons, weeks), dtype=np.int64)
    upto, before = 0.0, np.zeros(seasons, dtype=np.int64)
    for week, share in batch.ready:
        upto += share
        by_now = np.floor(alive * min(upto, 1.0) + 1e-9).astype(np.int64)
        if week < weeks:
            made[:, week] += by_now - before
        before = by_now
    return made


def met(made: Seasons, needed: NDArray[np.int64], life: int) -> Seasons:
    """How many of the needed plugs are there, week by week? The oldest go first."""
    there = np.zeros((made.shape[0], life), dtype=np.int64)
    found = np.zeros_like(made)
    for week in range(made.shape[1]):
        there = np.concatenate([there[:, 1:], made[:, week : week + 1]], axis=1)
        left = np.full(made.shape[0], needed[week], dtype=np.int64)
        for age in range(life):
            taken = np.minimum(there[:, age], left)
            there[:, age] -= taken
            left -= taken
        found[:, week] = needed[week] - left
    return found


def judged(rng: np.random.Generator, crop: CropSeason, seasons: int) -> dict[str, float]:
    """The three shares of one crop, and the plugs that are started of it."""
    made = np.tile(crop.certain, (seasons, 1))
    fresh = np.zeros_like(made)
    planned = np.zeros(crop.weeks, dtype=np.int64)
    started = 0
    for batch in crop.batches:
        plugs = ready_plugs(rng, batch, seasons, crop.weeks)
        made += plugs
        if batch.fresh:
            started += batch.plugs
            fresh += plugs
            for week, wanted in batch.planned.items():
                planned[week] += wanted
    found = met(made, crop.needed, crop.life)
    used, new = crop.needed > 0, planned > 0
    good = (fresh >= planned)[:, new]
    error = float(good.mean(axis=1).std() / math.sqrt(seasons)) if new.any() else math.nan
    return {
        "weeks_met": float((found >= crop.needed)[:, used].mean()) if used.any() else math.nan,
        "fresh_weeks_met": float(good.mean()) if new.any() else math.nan,
        "fresh_error": error,
        "plugs_met": float(found.sum() / (seasons * max(1, crop.needed.sum()))),
        "started": started,
        "counted_on": float(planned.sum() / max(1, started)),
        "weeks": int(used.sum()),
        "fresh_weeks": int(new.sum()),
    }


@dataclass(frozen=True)
class Way:
    """A plan of the demo in one way of reckoning: its crops, its cost, and batches and trays."""

    crops: dict[str, CropSeason]
    cost: int
    batches: int
    trays: int


def demo_ways(seed: int, seconds: float, times: int = 1) -> dict[str, Way]:
    """The demo planned in each of the ways, with the crops that every way starts."""
    with tempfile.TemporaryDirectory(prefix="nursery-service-") as folder:
        db = open_database(str(build(Path(folder), seed)))
        try:
            with db.writing() as session:
                for row in session.exec(select(Demand)).all():
                    row.plugs *= times
            with db.reading() as session:
                problem, notes = build_problem(session, DEMO_WEEKS)
                problem = with_room(problem, times)
                found = {}
                for way in WAYS:
                    asked = counting_on(session, problem, way)
                    plan = solve(asked, Limits(seconds, threads=2)).found()
                    found[way] = Way(
                        crop_seasons(session, asked, plan, notes.horizon),
                        cost(asked, plan),
                        len(plan.batches()),
                        sum(start.trays for start in plan.starts),
                    )
        finally:
            db.close()
    in_all = [c for c in found["safe"].crops if all(_starts(found[w].crops[c]) for w in WAYS)]
    return {w: replace(found[w], crops={c: found[w].crops[c] for c in in_all}) for w in WAYS}


def _starts(crop: CropSeason) -> bool:
    return any(batch.fresh for batch in crop.batches)


def with_room(problem: Problem, times: int) -> Problem:
    """The problem with so many times the room, the hours and the mother plants."""

    def more(numbers: tuple[int, ...]) -> tuple[int, ...]:
        return tuple(number * times for number in numbers)

    return replace(
        problem,
        areas=tuple(replace(area, places=more(area.places)) for area in problem.areas),
        mothers=tuple(replace(mother, quota=more(mother.quota)) for mother in problem.mothers),
        regular_minutes=more(problem.regular_minutes),
        overtime_minutes=more(problem.overtime_minutes),
    )


def counting_on(session: Session, problem: Problem, way: str) -> Problem:
    """The problem, if a tray gave the plugs that this way of reckoning counts on."""
    if way == "safe":
        return problem
    rows, seed, day = _protocols(session), seed_book(session), today(session)

    def plugs(crop: Planned, key: str) -> tuple[int, ...]:
        germination = seed.germination(rows[key], day)
        if way == "binomial":
            return safe_flush(rows[key], ordinary_week(crop.demand), 0.0, germination)
        return otherwise(rows[key], crop, way, germination)

    return replace(
        problem,
        crops=tuple(
            replace(
                crop,
                protocols=tuple(replace(p, plugs=plugs(crop, p.key)) for p in crop.protocols),
            )
            for crop in problem.crops
        ),
    )


def otherwise(
    protocol: Protocol, crop: Planned, way: str, germination: float | None
) -> tuple[int, ...]:
    """What is a tray counted on by flush week, in the ways `mean`, `pooled` and `each_tray`?"""
    together = survival_of(growing_stages(protocol), germination)
    cells, level = cells_of(protocol), protocol.crop.service_level
    if way == "each_tray":
        safe = safe_plugs_a_tray(cells, 1, together, level)
        return tuple(parts(int(safe), protocol.flush_shares))
    if way == "mean":
        a_tray = cells * together.mean
    else:
        wanted = sum(crop.demand) * min(crop.life, len(crop.demand)) / len(crop.demand)
        trays = max(protocol.smallest_batch, math.ceil(wanted / max(1.0, cells * together.mean)), 1)
        a_tray = safe_plugs_a_tray(cells, trays, together, level, batches=2)
    return tuple(parts(int(a_tray + 1e-9), protocol.flush_shares))


def _protocols(session: Session) -> dict[str, Protocol]:
    return {protocol_key(p): p for p in session.exec(select(Protocol)).all() if p.stages}


def crop_seasons(
    session: Session, problem: Problem, plan: Plan, horizon: Horizon
) -> dict[str, CropSeason]:
    """What the plan starts, what grows already, and what it uses, crop by crop."""
    levels = {crop.name: crop.service_level for crop in session.exec(select(Crop)).all()}
    needed = {crop.key: np.zeros(problem.weeks) for crop in problem.crops}
    for flow in complete(problem, loads(problem, plan)).flows:
        needed[flow.crop][max(flow.ready, flow.wanted)] += flow.plugs
    found = {
        crop.key: CropSeason(
            crop.key,
            levels[crop.key],
            crop.life,
            problem.weeks,
            np.array(crop.ready, dtype=np.int64),
            np.floor(needed[crop.key] + 0.01).astype(np.int64),
        )
        for crop in problem.crops
    }
    for name, batch in _growing(session, horizon):
        for week, plugs in batch.planned.items():
            # Flushes of growing batches are simulated; other ready plugs of the week are certain.
            found[name].certain[week] = max(0, found[name].certain[week] - plugs)
        found[name].batches.append(batch)
    for name, batch in _started(session, problem, plan):
        found[name].batches.append(batch)
    return found


def _growing(session: Session, horizon: Horizon) -> Iterator[tuple[str, Raised]]:
    day = today(session)
    air = air_of(session, day)
    lots = defaultdict(list)
    for lot in pooled_lots(session, day, air):
        if lot.may_be_promised:
            lots[lot.batch_id].append(lot)
    batches = growing_batches(session)
    for one, way in zip(batches, passages(air, batches, day), strict=True):
        own = lots.get(one.batch.id or 0, [])
        total = sum(lot.expected_plugs for lot in own)
        if not total:
            continue
        planned: dict[int, int] = defaultdict(int)
        weeks = [max(0, horizon.index(Week.of(lot.ready_on).monday())) for lot in own]
        for week, lot in zip(weeks, own, strict=True):
            if week < horizon.weeks:
                planned[week] += lot.plugs
        shares = [lot.expected_plugs / total for lot in own]
        yield (
            one.batch.crop.name,
            Raised(
                one.plugs,
                (survival_left(one, way),),
                tuple(zip(weeks, shares, strict=True)),
                dict(planned),
                fresh=False,
            ),
        )


def _started(session: Session, problem: Problem, plan: Plan) -> Iterator[tuple[str, Raised]]:
    rows, seed, day = _protocols(session), seed_book(session), today(session)
    owner = {p.key: (crop, p) for crop in problem.crops for p in crop.protocols}
    for (key, week), trays in plan.batches().items():
        (crop, known), protocol = owner[key], rows[key]
        planned: dict[int, int] = defaultdict(int)
        ready: list[tuple[int, float]] = []
        for start in plan.starts:
            if (start.protocol, start.week) != (key, week):
                continue
            one = run(problem.weeks, crop.key, known, week, start.extra)
            assert one is not None
            for at, plugs in one.plugs:
                planned[at] += plugs * start.trays
            ready += [
                (one.ready + flush, share * start.trays / trays)
                for flush, share in enumerate(protocol.flush_shares)
            ]
        yield (
            crop.key,
            Raised(
                trays * cells_of(protocol),
                tuple(survivals(growing_stages(protocol), seed.germination(protocol, day))),
                tuple(sorted(ready)),
                dict(planned),
                fresh=True,
            ),
        )


def summary(lines: Sequence[dict[str, Any]], ways: dict[str, Way], seasons: int) -> dict[str, Any]:
    """All crops together, each week (of `plugs_met`, each crop) counting the same.

    A crop is at its level if it is short of it by no more than two standard errors.
    """
    found: dict[str, Any] = {"name": "summary", "crops": len(lines), "seasons": seasons}
    levels = np.array([line["level"] for line in lines])
    found["level"] = round(float(levels.mean()), 4)
    for name, way in ways.items():
        each = {key: np.array([line[name][key] for line in lines]) for key in lines[0][name]}
        weeks, fresh = each["weeks"], each["fresh_weeks"]
        at_level = each["fresh_weeks_met"] >= levels - 2 * each["fresh_error"]
        found[name] = {
            "weeks_met": round(float(np.average(each["weeks_met"], weights=weeks)), 4),
            "fresh_weeks_met": round(float(np.average(each["fresh_weeks_met"], weights=fresh)), 4),
            "plugs_met": round(float(each["plugs_met"].mean()), 4),
            "started": int(each["started"].sum()),
            "counted_on": round(float(each["counted_on"].mean()), 4),
            "batches": way.batches,
            "trays": way.trays,
            "cost": way.cost,
            "crops_at_level": int((each["weeks_met"] >= levels).sum()),
            "crops_at_level_fresh": int(at_level.sum()),
        }
    return found


def main(arguments: list[str] | None = None) -> int:
    parser = argparse.ArgumentParser(prog="tests.benchmarks.service_level", description=__doc__)
    parser.add_argument("--seasons", type=int, default=2000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--seconds", type=float, default=10.0)
    parser.add_argument("--times", type=int, default=1)
    asked = parser.parse_args(arguments)
    ways = demo_ways(asked.seed, asked.seconds, asked.times)
    lines = []
    for name, crop in ways["safe"].crops.items():
        line: dict[str, Any] = {"name": name, "level": crop.level}
        for way, planned in ways.items():
            shares = judged(np.random.default_rng(asked.seed), planned.crops[name], asked.seasons)
            line[way] = {key: round(value, 4) for key, value in shares.items()}
        lines.append(line)
        print(json.dumps(line), flush=True)
    print(json.dumps(summary(lines, ways, asked.seasons)))
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
