"""What do workers solve? The relaxation, one crop at given prices, a few crops anew."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import StrEnum

import numpy as np

from solver.linear import INFINITY, LinearAnswer, LinearModel
from solver.propagation.model import (
    CropPart,
    CropRuns,
    FlowModel,
    SharedRows,
    Taken,
    add_crop,
    build,
    crop_runs,
)
from solver.propagation.problem import Area, Problem
from solver.propagation.state import (
    Floats,
    Share,
    Shares,
    allowed_quota,
    allowed_starts,
)
from solver.run import run_linear

SMALL = 8000
"""Columns up to which a relaxation that the barrier method gave up is solved by the simplex."""


@dataclass
class Desk:
    """What a worker keeps between tasks."""

    problem: Problem
    crops: tuple[CropRuns, ...]
    shares: Shares


def start(problem: Problem) -> Desk:
    """Called once in each worker process."""
    crops = crop_runs(problem)
    return Desk(problem, crops, Shares(problem, crops))


@dataclass(frozen=True)
class Prices:
    """What a place, a minute, a batch start and a propagule are worth in each week."""

    places: Floats
    minutes: Floats
    starts: Floats
    propagules: dict[str, Floats]


@dataclass(frozen=True)
class Floor:
    """A proven statement about one crop: `sum of costs x columns >= least` for all its plans."""

    crop: int
    costs: Floats
    least: float


@dataclass(frozen=True)
class Slice:
    """Some of the crops with their part of what is shared, as a factor of each area and so on."""

    crops: tuple[int, ...]
    places: tuple[float, ...]
    minutes: float
    starts: float


@dataclass(frozen=True)
class Relaxed:
    """The linear relaxation's answer: a fractional share a crop, prices, and its objective."""

    shares: dict[int, Share]
    prices: Prices
    objective: float


def relax(
    desk: Desk, part: Slice | None, floors: Sequence[Floor], seconds: float
) -> Relaxed | None:
    """The relaxation of all crops or of a slice, with floors added; None if it took too long."""
    problem = desk.problem if part is None else _sliced(desk.problem, part)
    crops = range(len(desk.crops)) if part is None else part.crops
    chosen = [desk.crops[at] for at in crops]
    model = build(problem, chosen, Taken.by_work_in_progress(problem))
    for floor in floors:
        key = desk.crops[floor.crop].crop.key
        if key in model.columns:
            _add_floor(model, floor, model.columns[key])
    answer = run_linear(model.linear, seconds, relaxed=True, interior=True)
    if not answer.optimal and len(model.linear.cost) < SMALL:
        answer = run_linear(model.linear, seconds, relaxed=True)
    if answer.values is None or answer.prices is None or not answer.optimal:
        return None
    shares = {at: desk.shares.from_values(at, model, answer.values) for at in crops}
    return Relaxed(shares, _prices(problem, model, answer), answer.bound)


def _sliced(problem: Problem, part: Slice) -> Problem:
    """The problem with a slice's part of places, hours and batch starts."""

    def cut(weeks: tuple[int, ...], factor: float) -> tuple[int, ...]:
        return tuple(round(number * factor) for number in weeks)

    return replace(
        problem,
        areas=tuple(
            Area(area.key, cut(area.places, factor), cut(area.wip_places, factor))
            for area, factor in zip(problem.areas, part.places, strict=True)
        ),
        regular_minutes=cut(problem.regular_minutes, part.minutes),
        overtime_minutes=cut(problem.overtime_minutes, part.minutes),
        wip_minutes=cut(problem.wip_minutes, part.minutes),
        starts_per_week=max(1, round(problem.starts_per_week * part.starts)),
    )


def _add_floor(model: FlowModel, floor: Floor, columns: tuple[int, int]) -> None:
    first, end = columns
    scale = 1000.0 / max(1.0, abs(floor.least))
    entries = [
        (first + at, float(value) * scale)
        for at, value in enumerate(floor.costs[: end - first])
        if abs(value) * scale > 1e-9
    ]
    model.linear.row(floor.least * scale, INFINITY, entries)


def _prices(problem: Problem, model: FlowModel, answer: LinearAnswer) -> Prices:
    assert answer.prices is not None
    prices = answer.prices
    weeks = problem.weeks
    areas = {area.key: at for at, area in enumerate(problem.areas)}
    places = np.zeros((len(areas), weeks))
    for (area, week), row in model.place_rows.items():
        places[areas[area], week] = min(max(0.0, -prices[row]), problem.overflow_cost)
    minutes, starts = np.zeros(weeks), np.zeros(weeks)
    for week, row in model.minute_rows.items():
        minutes[week] = min(max(0.0, -prices[row]), problem.beyond_cost)
    for week, row in model.start_rows.items():
        starts[week] = max(0.0, -prices[row])
    propagules: dict[str, Floats] = {}
    for (mother, week), row in model.quota_rows.items():
        of_block = propagules.setdefault(mother, np.zeros(weeks))
        of_block[week] = max(0.0, -prices[row])
    return Prices(places, minutes, starts, propagules)


def priced_constant(problem: Problem, prices: Prices) -> float:
    """What the shared resources add to the bound that the crops at these prices give."""
    total = 0.0
    for at, area in enumerate(problem.areas):
        room = np.array(area.places, dtype=float) - np.array(area.wip_places, dtype=float)
        total -= float(prices.places[at] @ room)
    minutes = prices.minutes
    total += float(minutes @ np.array(problem.wip_minutes, dtype=float))
    regular = np.array(problem.regular_minutes, dtype=float)
    overtime = np.array(problem.overtime_minutes, dtype=float)
    total += float(np.minimum(problem.regular_cost - minutes, 0.0) @ regular)
    total += float(np.minimum(problem.overtime_cost - minutes, 0.0) @ overtime)
    total -= float(prices.starts @ allowed_starts(problem))
    for mother, worth in prices.propagules.items():
        total -= float(worth @ allowed_quota(problem, mother))
    return total


@dataclass(frozen=True)
class CropBound:
    """One crop at given prices: a proven floor of its cost, and how it was found."""

    floor: Floor
    optimal: bool
    share: Share | None


def price(desk: Desk, crop: int, prices: Prices, seconds: float, whole: bool) -> CropBound:
    """The cheapest a crop alone can be at given prices, proven.

    Batches are whole; trays only if `whole` is said, which is harder and gains less.
    """
    model, costs = _priced_crop(desk, crop, prices)
    linear = model.linear
    if not whole:
        batches = set(model.batch.values())
        linear.whole = [flag and at in batches for at, flag in enumerate(linear.whole)]
    answer = run_linear(linear, seconds, gap=1e-5, restarts=False)
    floor = Floor(crop, costs, answer.bound - linear.constant)
    return CropBound(floor, answer.optimal, None)


def _priced_crop(desk: Desk, crop: int, prices: Prices) -> tuple[FlowModel, Floats]:
    model, shared = FlowModel(desk.problem), SharedRows()
    add_crop(model, desk.crops[crop], shared)
    costs = np.array(model.linear.cost)
    later = np.cumsum(prices.places[:, ::-1], axis=1)[:, ::-1]
    areas = {area.key: at for at, area in enumerate(desk.problem.areas)}
    for (area, week), entries in shared.places.items():
        for column, value in entries:
            costs[column] += value * later[areas[area], week]
    for week, entries in shared.minutes.items():
        for column, value in entries:
            costs[column] += value * prices.minutes[week]
    for week, entries in shared.starts.items():
        for column, value in entries:
            costs[column] += value * prices.starts[week]
    for (mother, week), entries in shared.quota.items():
        if mother in prices.propagules:
            for column, value in entries:
                costs[column] += value * prices.propagules[mother][week]
    model.linear.cost = costs.tolist()
    return model, costs


class Part(StrEnum):
    """What of the crops is decided anew: batches with trays of any fraction, trays, or both?

    FLOWS keeps the batches and balances trays of any fraction over all that is shared.
    """

    FLOWS = "flows"
    BATCHES = "batches"
    TRAYS = "trays"
    BOTH = "both"


@dataclass(frozen=True)
class Change:
    """A few crops to be planned anew beside what the others take.

    Batches that start outside `window` (first week, end) stay as they are in `hints`, shares
    with whole batches from which the search starts.
    """

    crops: tuple[int, ...]
    taken: Taken
    hints: dict[int, Share]
    window: tuple[int, int] | None
    seconds: float
    seed: int
    part: Part
    likely: frozenset[tuple[str, int]] = frozenset()
    restricted: bool = False
    hinted: bool = True


@dataclass(frozen=True)
class Changed:
    """The crops' new shares, None if nothing was found, and whether the proof was completed."""

    shares: dict[int, Share] | None
    optimal: bool


def improve(desk: Desk, change: Change) -> Changed:
    """Plans a few crops anew."""
    rests = _rests(desk, change)
    parts = {desk.crops[at].crop.key: rest.part for at, rest in rests.items()}
    taken = change.taken
    if change.window is not None:
        taken = taken.plus([rest.share for rest in rests.values()])
    model = build(desk.problem, [desk.crops[at] for at in change.crops], taken, parts)
    linear = model.linear
    hint = _hint(model, change)
    gap = 3e-5
    if change.part == Part.BATCHES:
        batches = set(model.batch.values()) | set(model.changes.values())
        linear.whole = [flag and at in batches for at, flag in enumerate(linear.whole)]
        hint = {column: hint[column] for column in model.batch.values()}
        gap = 1e-4
        if change.restricted:
            _leave_out(model, change)
    elif change.part == Part.TRAYS:
        hint = _settle_batches(model, hint)
    elif change.part == Part.FLOWS:
        _free_trays(model, hint)
        hint = {}
    seconds = change.seconds
    if change.part == Part.TRAYS and not change.hinted:
        answer = run_linear(linear, 0.75 * seconds, gap=gap, seed=change.seed, restarts=False)
        seconds *= 0.25
    if change.part != Part.TRAYS or change.hinted or answer.values is None:
        answer = run_linear(
            linear, seconds, gap=gap, hint=hint or None, seed=change.seed, restarts=False
        )
    if answer.values is None:
        return Changed(None, False)
    values = _rounded(linear, answer.values)
    shares = {
        at: desk.shares.from_values(at, model, values, rests[at].share) for at in change.crops
    }
    return Changed(shares, answer.optimal)


@dataclass(frozen=True)
class _Rest:
    """What of a crop stays as it is, as a share, and what part of it is decided."""

    share: Share
    part: CropPart


def _rests(desk: Desk, change: Change) -> dict[int, _Rest]:
    """What stays of each crop: what starts outside the window."""
    first, end = change.window or (0, desk.problem.weeks)
    rests = {}
    for at in change.crops:
        one, hint = desk.crops[at], change.hints[at]
        if change.window is None:
            rests[at] = _Rest(desk.shares.make(at, {}, {}, {}), CropPart.all(desk.problem, one))
            continue
        trays = {key: n for key, n in hint.trays.items() if not first <= key[1] < end}
        batch = {key: n for key, n in hint.batch.items() if not first <= key[1] < end}
        supply = desk.shares.plugs(at, trays)
        part = CropPart.window(desk.problem, one, change.window, supply.tolist(), hint.flows)
        kept = {key: plugs for key, plugs in hint.flows.items() if key[1] not in part.wanted}
        rests[at] = _Rest(desk.shares.make(at, trays, batch, kept), part)
    return rests


def _leave_out(model: FlowModel, change: Change) -> None:
    """Leaves out the batches that neither the present plan nor the relaxation would start."""
    present = {key for share in change.hints.values() for key in share.batch}
    for key, column in model.batch.items():
        if key not in present and key not in change.likely and not model.linear.low[column]:
            model.linear.high[column] = 0.0


def _settle_batches(model: FlowModel, values: dict[int, float]) -> dict[int, float]:
    """Fixes the batches as they are in `values`; returns a hint of whole trays.

    A batch's trays are rounded up unless they are hardly more than a whole number, since unmet
    plugs are dearer than a tray; its runs keep their proportions.
    """
    linear = model.linear
    hint: dict[int, float] = {}
    members: dict[tuple[str, int], list[int]] = {}
    for (name, week, _), column in model.trays.items():
        members.setdefault((name, week), []).append(column)
    for key, column in model.batch.items():
        linear.low[column] = linear.high[column] = hint[column] = float(round(values[column]))
        total = sum(values[run] for run in members[key])
        left = math.ceil(total - 0.2) - sum(math.floor(values[run] + 1e-5) for run in members[key])
        order = sorted(members[key], key=lambda run: math.floor(values[run] + 1e-5) - values[run])
        for run in order:
            up = left > 0 and values[run] > math.floor(values[run] + 1e-5) + 1e-5
            left -= up
            hint[run] = float(math.floor(values[run] + 1e-5) + up)
    return hint


def _free_trays(model: FlowModel, values: dict[int, float]) -> None:
    """Fixes the batches as they are in `values`; trays may be of any fraction."""
    linear = model.linear
    for column in model.batch.values():
        linear.low[column] = linear.high[column] = float(round(values[column]))
    changes = set(model.changes.values())
    linear.whole = [at in changes for at in range(len(linear.whole))]


def _rounded(linear: LinearModel, values: Sequence[float]) -> list[float]:
    return [
        float(round(value)) if whole else value
        for value, whole in zip(values, linear.whole, strict=True)
    ]


def _hint(model: FlowModel, change: Change) -> dict[int, float]:
    """Trays and batches of the shares to start from; the solver completes the rest."""
    trays = {key: n for share in change.hints.values() for key, n in share.trays.items()}
    batch = {key: n for share in change.hints.values() for key, n in share.batch.items()}
    hint = {column: batch.get(key, 0.0) for key, column in model.batch.items()}
    hint.update({column: trays.get(key, 0.0) for key, column in model.trays.items()})
    return hint
