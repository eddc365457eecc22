"""Which linear model says the propagation problem, for all crops or for some of them?

Columns: whole trays of every run, a batch yes or no, plugs that flow from a ready week to a
demand week, unmet and discarded plugs, and what is used beyond places and hours. Some crops may
be left out: what they take is then given as a background that is already taken.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import Protocol as Protocol_

import numpy as np
from numpy.typing import NDArray

from solver.linear import INFINITY, LinearModel
from solver.propagation.plan import Start, batches
from solver.propagation.problem import Crop, Problem, Protocol
from solver.propagation.runs import Run, runs

Key = tuple[str, int]
RunKey = tuple[str, int, int]
Floats = NDArray[np.float64]


@dataclass(frozen=True)
class CropRuns:
    """A crop with everything that follows from its starts, computed once for all models.

    `most[protocol, week]` is the largest batch that can make sense; `touched[w]` are the batches
    that may have plugs ready in week w.
    """

    crop: Crop
    runs: tuple[Run, ...]
    most_of_run: dict[RunKey, int]
    most: dict[Key, int]
    touched: dict[int, frozenset[Key]]


def crop_runs(problem: Problem) -> tuple[CropRuns, ...]:
    """Everything that follows from the starts of each crop."""
    fixed = batches(problem.fixed)
    kept = {**batches(problem.accepted), **fixed}
    quota = {mother.key: mother.quota for mother in problem.mothers}
    return tuple(_crop_runs(problem, crop, kept, quota) for crop in problem.crops)


def _crop_runs(
    problem: Problem, crop: Crop, kept: dict[Key, int], quota: dict[str, tuple[int, ...]]
) -> CropRuns:
    protocols = {protocol.key: protocol for protocol in crop.protocols}
    fixed = batches(problem.fixed)
    useful: list[Run] = []
    most_of_run: dict[RunKey, int] = {}
    most: dict[Key, int] = defaultdict(int)
    touched: dict[int, set[Key]] = defaultdict(set)
    for run in runs(problem, crop):
        key = (run.protocol, run.week)
        protocol = protocols[run.protocol]
        room = max(_useful_trays(problem, crop, run), kept.get(key, 0))
        if not room or (run.week < problem.frozen_weeks and key not in fixed):
            continue
        useful.append(run)
        most_of_run[run.protocol, run.week, run.extra] = max(room, protocol.smallest_batch)
        most[key] += room
        for week, _ in run.plugs:
            touched[week].add(key)
    limited = {
        key: _limit(protocols[key[0]], key[1], trays, kept.get(key, 0), quota)
        for key, trays in most.items()
    }
    dropped = {key for key, trays in limited.items() if not trays}
    return CropRuns(
        crop=crop,
        runs=tuple(run for run in useful if (run.protocol, run.week) not in dropped),
        most_of_run=most_of_run,
        most={key: trays for key, trays in limited.items() if trays},
        touched={week: frozenset(keys - dropped) for week, keys in touched.items()},
    )


def _useful_trays(problem: Problem, crop: Crop, run: Run) -> int:
    """Trays beyond which one less would still meet everything that this run can meet."""
    trays = 0
    for ready, plugs in run.plugs:
        first, end = max(0, ready - crop.lateness), min(problem.weeks, ready + crop.life)
        trays = max(trays, -(-sum(crop.demand[first:end]) // plugs))
    return trays


def _limit(
    protocol: Protocol, week: int, trays: int, kept: int, quota: dict[str, tuple[int, ...]]
) -> int:
    """The largest batch that makes sense and is allowed: 0 where none is."""
    trays = max(trays, protocol.smallest_batch, kept)
    if protocol.mother is not None and protocol.propagules:
        trays = min(trays, quota[protocol.mother][week] // protocol.propagules)
    return max(kept, trays if trays >= protocol.smallest_batch else 0)


class Load(Protocol_):
    """Anything that says what it takes in each week, areas in the problem's order."""

    places: Floats
    minutes: Floats
    starts: Floats
    propagules: dict[str, Floats]


def _sum(one: list[float], other: Floats) -> list[float]:
    return [round(a + float(b), 7) for a, b in zip(one, other, strict=True)]


@dataclass
class Taken:
    """What is taken already, by crops that a model leaves out and by work in progress."""

    places: dict[str, list[float]]
    minutes: list[float]
    starts: list[float]
    propagules: dict[str, list[float]]

    def plus(self, shares: Iterable[Load]) -> Taken:
        """The same with what some shares take."""
        names = list(self.places)
        places = {name: list(weeks) for name, weeks in self.places.items()}
        minutes, starts = list(self.minutes), list(self.starts)
        propagules = {name: list(weeks) for name, weeks in self.propagules.items()}
        for share in shares:
            for at, name in enumerate(names):
                places[name] = _sum(places[name], share.places[at])
            minutes = _sum(minutes, share.minutes)
            starts = _sum(starts, share.starts)
            for mother, used in share.propagules.items():
                propagules[mother] = _sum(propagules[mother], used)
        return Taken(places, minutes, starts, propagules)

    @staticmethod
    def by_work_in_progress(problem: Problem) -> Taken:
        return Taken(
            places={area.key: [float(n) for n in area.wip_places] for area in problem.areas},
            minutes=[float(n) for n in problem.wip_minutes],
            starts=[0.0] * problem.weeks,
            propagules={mother.key: [0.0] * problem.weeks for mother in problem.mothers},
        )


@dataclass(frozen=True)
class CropPart:
    """Which part of a crop does a model hold, and what stands beside it?

    Runs that start in `first..end-1` are decided; `supply[w]` are plugs of week w that are there
    anyway and free to be used; flows are decided between the weeks `ready` and `wanted`.
    """

    first: int
    end: int
    supply: tuple[float, ...]
    ready: frozenset[int]
    wanted: frozenset[int]

    @staticmethod
    def all(problem: Problem, one: CropRuns) -> CropPart:
        weeks = frozenset(range(problem.weeks))
        supply = tuple(float(plugs) for plugs in one.crop.ready)
        return CropPart(0, problem.weeks, supply, weeks, weeks)

    @staticmethod
    def window(
        problem: Problem,
        one: CropRuns,
        window: tuple[int, int],
        supply: list[float],
        flows: dict[tuple[int, int], float],
    ) -> CropPart:
        """The part that the starts of a week window can change, beside the plugs `supply`.

        `flows` are the present ones; those that cannot change are taken out of the supply.
        """
        crop, weeks = one.crop, problem.weeks
        changed = {
            week for run in one.runs if window[0] <= run.week < window[1] for week, _ in run.plugs
        }
        wanted = {
            week
            for at in changed
            for week in range(max(0, at - crop.lateness), min(weeks, at + crop.life))
            if crop.demand[week]
        }
        ready = {
            at
            for week in wanted
            for at in range(max(0, week - crop.life + 1), min(weeks, week + crop.lateness + 1))
        }
        left = list(supply)
        for (at, week), plugs in flows.items():
            if week not in wanted:
                left[at] -= plugs
        free = tuple(max(0.0, round(plugs, 6)) for plugs in left)
        return CropPart(*window, free, frozenset(ready | changed), frozenset(wanted))


@dataclass
class FlowModel:
    """A linear model with the meaning of its columns and of the rows that crops share."""

    problem: Problem
    linear: LinearModel = field(default_factory=LinearModel)
    trays: dict[RunKey, int] = field(default_factory=dict)
    batch: dict[Key, int] = field(default_factory=dict)
    crop_flows: dict[str, list[tuple[int, int, int]]] = field(default_factory=dict)
    columns: dict[str, tuple[int, int]] = field(default_factory=dict)
    changes: dict[Key, int] = field(default_factory=dict)
    unmet: dict[Key, int] = field(default_factory=dict)
    place_rows: dict[Key, int] = field(default_factory=dict)
    minute_rows: dict[int, int] = field(default_factory=dict)
    start_rows: dict[int, int] = field(default_factory=dict)
    quota_rows: dict[Key, int] = field(default_factory=dict)


def build(
    problem: Problem,
    crops: Iterable[CropRuns],
    taken: Taken,
    parts: dict[str, CropPart] | None = None,
) -> FlowModel:
    """The mixed-integer model of some crops, or parts of them by key, beside what is taken."""
    model = FlowModel(problem)
    shared = SharedRows()
    for one in crops:
        add_crop(model, one, shared, (parts or {}).get(one.crop.key))
    _add_places(model, shared, taken)
    _add_minutes(model, shared, taken)
    _add_rules(model, shared, taken)
    return model


@dataclass
class SharedRows:
    """What the crops take of what they share, as entries of rows still to be made."""

    places: dict[Key, list[tuple[int, float]]] = field(default_factory=lambda: defaultdict(list))
    minutes: dict[int, list[tuple[int, float]]] = field(default_factory=lambda: defaultdict(list))
    starts: dict[int, list[tuple[int, float]]] = field(default_factory=lambda: defaultdict(list))
    quota: dict[Key, list[tuple[int, float]]] = field(default_factory=lambda: defaultdict(list))


def add_crop(
    model: FlowModel, one: CropRuns, shared: SharedRows, part: CropPart | None = None
) -> None:
    """Adds the columns and rows that are a crop's own, and notes what it shares."""
    first = len(model.linear.cost)
    part = part or CropPart.all(model.problem, one)
    supply = _add_runs(model, one, shared, part)
    _add_flows(model, one, shared, (supply, part))
    model.columns[one.crop.key] = (first, len(model.linear.cost))


def _add_runs(
    model: FlowModel, one: CropRuns, shared: SharedRows, part: CropPart
) -> dict[int, list[tuple[int, float]]]:
    """Columns of runs and batches; returns the plugs that become ready, as entries by week."""
    linear, problem = model.linear, model.problem
    protocols = {protocol.key: protocol for protocol in one.crop.protocols}
    supply: dict[int, list[tuple[int, float]]] = defaultdict(list)
    members: dict[Key, list[int]] = defaultdict(list)
    for run in one.runs:
        if not part.first <= run.week < part.end:
            continue
        key = (run.protocol, run.week)
        protocol = protocols[run.protocol]
        most = min(one.most_of_run[run.protocol, run.week, run.extra], one.most[key])
        column = linear.column(run.cost, 0, most, whole=True)
        model.trays[run.protocol, run.week, run.extra] = column
        members[key].append(column)
        for area, enter, leave, places in run.stays:
            shared.places[area, enter].append((column, float(places)))
            shared.places[area, leave].append((column, -float(places)))
        for week, minutes in run.minutes:
            shared.minutes[week].append((column, float(minutes)))
        for week, plugs in run.plugs:
            supply[week].append((column, float(plugs)))
        if protocol.mother is not None and protocol.propagules:
            shared.quota[protocol.mother, run.week].append((column, float(protocol.propagules)))
    fixed, accepted = batches(problem.fixed), batches(problem.accepted)
    for key, columns in members.items():
        protocol = protocols[key[0]]
        price = protocol.batch_cost[key[1]]
        column = linear.column(price, 1 if key in fixed else 0, 1, whole=True)
        model.batch[key] = column
        shared.starts[key[1]].append((column, 1.0))
        if protocol.batch_minutes:
            shared.minutes[key[1]].append((column, float(protocol.batch_minutes)))
        _add_batch_rows(linear, columns, column, (protocol.smallest_batch, one.most[key]))
        if key in fixed:
            linear.row(fixed[key], fixed[key], [(c, 1.0) for c in columns])
        elif accepted.get(key):
            _add_change(model, key, (columns, column), (accepted[key], one.most[key]))
    return supply


def _add_change(
    model: FlowModel, key: Key, columns: tuple[list[int], int], size: tuple[int, int]
) -> None:
    """A batch that keeps its accepted trays costs nothing; any other number costs a change."""
    linear, (trays, batch), (accepted, most) = model.linear, columns, size
    change = linear.column(model.problem.change_cost, 0, 1, whole=True)
    model.changes[key] = change
    members = [(column, 1.0) for column in trays]
    linear.row(accepted, INFINITY, [*members, (change, float(accepted))])
    linear.row(-INFINITY, accepted, [*members, (change, -float(max(0, most - accepted)))])
    linear.row(1.0, INFINITY, [(batch, 1.0), (change, 1.0)])


def _add_batch_rows(
    linear: LinearModel, columns: list[int], batch: int, size: tuple[int, int]
) -> None:
    trays = [(column, 1.0) for column in columns]
    least, most = size
    linear.row(0.0, INFINITY, [*trays, (batch, -float(max(1, least)))])
    linear.row(-INFINITY, 0.0, [*trays, (batch, -float(most))])


def _add_flows(
    model: FlowModel,
    one: CropRuns,
    shared: SharedRows,
    given: tuple[dict[int, list[tuple[int, float]]], CropPart],
) -> None:
    linear, problem, crop = model.linear, model.problem, one.crop
    supply, part = given
    into: dict[int, list[int]] = defaultdict(list)
    flows = model.crop_flows.setdefault(crop.key, [])
    for ready in sorted(part.ready):
        if not supply.get(ready) and not part.supply[ready]:
            continue
        out: list[tuple[int, float]] = []
        first = max(0, ready - crop.lateness)
        for wanted in range(first, min(problem.weeks, ready + crop.life)):
            if not crop.demand[wanted] or wanted not in part.wanted:
                continue
            waits, late = max(0, wanted - ready), max(0, ready - wanted)
            column = linear.column(
                waits * crop.store_cost + late * crop.late_cost, 0.0, float(crop.demand[wanted])
            )
            flows.append((ready, wanted, column))
            out.append((column, 1.0))
            into[wanted].append(column)
            if wanted > ready:
                share = 1.0 / problem.plugs_per_ready_place
                shared.places[problem.ready_area, ready].append((column, share))
                shared.places[problem.ready_area, wanted].append((column, -share))
            _add_strong_row(model, one, (ready, wanted, column), part)
        price = crop.discard_cost if ready + crop.life <= problem.weeks else 0
        out.append((linear.column(price), 1.0))
        made = [(column, -plugs) for column, plugs in supply.get(ready, ())]
        total = part.supply[ready]
        linear.row(total, total, [*out, *made])
    for wanted in sorted(part.wanted):
        if crop.demand[wanted]:
            column = linear.column(crop.shortage_cost)
            model.unmet[crop.key, wanted] = column
            members = [(c, 1.0) for c in (*into[wanted], column)]
            total = float(crop.demand[wanted])
            linear.row(total, total, members)


def _add_strong_row(
    model: FlowModel, one: CropRuns, at: tuple[int, int, int], part: CropPart
) -> None:
    """Plugs can only flow where a batch is started: the facility-location inequality."""
    ready, wanted, column = at
    wants = float(one.crop.demand[wanted])
    there = min(part.supply[ready], wants)
    if there >= wants or not one.touched.get(ready):
        return
    entries = [
        (model.batch[batch], -wants) for batch in sorted(one.touched[ready]) if batch in model.batch
    ]
    model.linear.row(-INFINITY, there, [(column, 1.0), *entries])


def _add_places(model: FlowModel, shared: SharedRows, taken: Taken) -> None:
    """Places taken in a week are those of the week before, and what enters less what leaves."""
    linear, problem = model.linear, model.problem
    for area in problem.areas:
        before: int | None = None
        for week in range(problem.weeks):
            room = area.places[week] - taken.places[area.key][week]
            entries = _merged(shared.places.get((area.key, week), []))
            if before is None and not entries:
                linear.constant += max(0.0, -room) * problem.overflow_cost
                continue
            inside = linear.column(0.0)
            over = linear.column(problem.overflow_cost)
            if before is not None:
                entries.append((before, 1.0))
            linear.row(0.0, 0.0, [*entries, (inside, -1.0)])
            model.place_rows[area.key, week] = linear.row(
                -INFINITY, room, [(inside, 1.0), (over, -1.0)]
            )
            before = inside


def _add_minutes(model: FlowModel, shared: SharedRows, taken: Taken) -> None:
    linear, problem = model.linear, model.problem
    for week in range(problem.weeks):
        entries = _merged(shared.minutes.get(week, []))
        regular = linear.column(problem.regular_cost, 0.0, problem.regular_minutes[week])
        over = linear.column(problem.overtime_cost, 0.0, problem.overtime_minutes[week])
        beyond = linear.column(problem.beyond_cost)
        used = [(regular, -1.0), (over, -1.0), (beyond, -1.0)]
        done = -taken.minutes[week]
        model.minute_rows[week] = linear.row(done, done, [*entries, *used])


def _add_rules(model: FlowModel, shared: SharedRows, taken: Taken) -> None:
    problem, linear = model.problem, model.linear
    fixed = batches(problem.fixed)
    protocols = problem.protocols()
    forced = [0] * problem.weeks
    for _, week in fixed:
        forced[week] += 1
    for week, entries in shared.starts.items():
        allowed = max(problem.starts_per_week, forced[week]) - taken.starts[week]
        model.start_rows[week] = linear.row(-INFINITY, allowed, entries)
    quota = {mother.key: mother.quota for mother in problem.mothers}
    users = Counter(protocol.mother for protocol in protocols.values())
    for (mother, week), entries in shared.quota.items():
        if users[mother] == 1:
            continue  # the largest batch of its only user says the same
        kept = sum(
            trays * protocols[key].propagules
            for (key, at), trays in fixed.items()
            if at == week and protocols[key].mother == mother
        )
        allowed = max(quota[mother][week], kept) - taken.propagules[mother][week]
        model.quota_rows[mother, week] = linear.row(-INFINITY, allowed, entries)


def _merged(entries: list[tuple[int, float]]) -> list[tuple[int, float]]:
    total: dict[int, float] = defaultdict(float)
    for column, value in entries:
        total[column] += value
    return list(total.items())


def starts_of(model: FlowModel, values: Sequence[float]) -> tuple[Start, ...]:
    """The starts that the values of a model's columns say."""
    found = []
    for (protocol, week, extra), column in model.trays.items():
        trays = round(values[column])
        if trays:
            found.append(Start(protocol, week, extra, trays))
    return tuple(sorted(found))
