"""What does each crop of a plan in the making take and cost, and what does the whole cost?

A `Share` is one crop's part: its starts, flows, own cost and loads. A `State` is one share a crop
with the totals of what is shared, so that a few crops can be taken out and planned anew.
Numbers may be fractional: a share may also come from the linear relaxation.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from solver.propagation.model import CropRuns, FlowModel, Taken
from solver.propagation.plan import Start, batches
from solver.propagation.problem import Problem
from solver.propagation.runs import Run

Floats = NDArray[np.float64]
RunKey = tuple[str, int, int]


@dataclass
class Share:
    """One crop's part of a plan; `own` is its cost without places and minutes."""

    trays: dict[RunKey, float]
    batch: dict[tuple[str, int], float]
    flows: dict[tuple[int, int], float]
    own: float
    places: Floats
    minutes: Floats
    starts: Floats
    propagules: dict[str, Floats]


class Shares:
    """Makes shares of one problem: from the values of a model or from starts and flows."""

    def __init__(self, problem: Problem, crops: Sequence[CropRuns]) -> None:
        self.problem = problem
        self.crops = crops
        self.areas = {area.key: at for at, area in enumerate(problem.areas)}
        self.protocols = problem.protocols()
        self.accepted: list[dict[tuple[str, int], int]] = []
        accepted = batches(problem.accepted)
        for one in crops:
            names = {protocol.key for protocol in one.crop.protocols}
            self.accepted.append({k: n for k, n in accepted.items() if k[0] in names})
        self.runs: list[dict[RunKey, Run]] = [
            {(run.protocol, run.week, run.extra): run for run in one.runs} for one in crops
        ]

    def from_values(
        self, at: int, model: FlowModel, values: Sequence[float], rest: Share | None = None
    ) -> Share:
        """The share of crop number `at` in a solved model, with what stays as it was."""
        trays = dict(rest.trays) if rest else {}
        batch = dict(rest.batch) if rest else {}
        flows = dict(rest.flows) if rest else {}
        for key in self.runs[at]:
            value = values[model.trays[key]] if key in model.trays else 0.0
            if value > 1e-7:
                trays[key] = value
        for name in self.crops[at].most:
            value = values[model.batch[name]] if name in model.batch else 0.0
            if value > 1e-7:
                batch[name] = value
        for ready, wanted, column in model.crop_flows[self.crops[at].crop.key]:
            if values[column] > 1e-7:
                flows[ready, wanted] = values[column]
        return self.make(at, trays, batch, flows)

    def plugs(self, at: int, trays: dict[RunKey, float]) -> Floats:
        """Plugs of crop number `at` that become ready in each week."""
        plugs = np.array(self.crops[at].crop.ready, dtype=float)
        for key, number in trays.items():
            for week, made in self.runs[at][key].plugs:
                plugs[week] += made * number
        return plugs

    def make(
        self,
        at: int,
        trays: dict[RunKey, float],
        batch: dict[tuple[str, int], float],
        flows: dict[tuple[int, int], float],
    ) -> Share:
        """The share of crop number `at` with its loads and own cost."""
        problem = self.problem
        weeks = problem.weeks
        places = np.zeros((len(problem.areas), weeks))
        minutes, starts = np.zeros(weeks), np.zeros(weeks)
        propagules: dict[str, Floats] = {}
        plugs = self.plugs(at, trays)
        own = 0.0
        for key, number in trays.items():
            run = self.runs[at][key]
            own += run.cost * number
            for area, enter, leave, taken in run.stays:
                places[self.areas[area], enter:leave] += taken * number
            for week, work in run.minutes:
                minutes[week] += work * number
            protocol = self.protocols[run.protocol]
            if protocol.mother is not None and protocol.propagules:
                used = propagules.setdefault(protocol.mother, np.zeros(weeks))
                used[run.week] += protocol.propagules * number
        for (name, week), number in batch.items():
            protocol = self.protocols[name]
            own += protocol.batch_cost[week] * number
            minutes[week] += protocol.batch_minutes * number
            starts[week] += number
        own += self._changes(at, trays)
        own += self._use(at, flows, plugs, places[self.areas[problem.ready_area]])
        return Share(trays, batch, flows, own, places, minutes, starts, propagules)

    def _changes(self, at: int, trays: dict[RunKey, float]) -> float:
        """Cost of accepted batches whose trays differ."""
        if not self.accepted[at]:
            return 0.0
        planned: dict[tuple[str, int], float] = defaultdict(float)
        for (name, week, _), number in trays.items():
            planned[name, week] += number
        changed = sum(abs(planned[key] - n) > 1e-6 for key, n in self.accepted[at].items())
        return float(changed * self.problem.change_cost)

    def _use(
        self, at: int, flows: dict[tuple[int, int], float], plugs: Floats, held: Floats
    ) -> float:
        """Cost of flows, unmet and discarded plugs; adds the places that waiting plugs hold."""
        problem, crop = self.problem, self.crops[at].crop
        cost = 0.0
        unmet = np.array(crop.demand, dtype=float)
        for (ready, wanted), number in flows.items():
            waits, late = max(0, wanted - ready), max(0, ready - wanted)
            cost += number * (waits * crop.store_cost + late * crop.late_cost)
            held[ready:wanted] += number / problem.plugs_per_ready_place
            unmet[wanted] -= number
            plugs[ready] -= number
        last = max(0, problem.weeks - crop.life + 1)
        cost += float(np.maximum(plugs[:last], 0).sum()) * crop.discard_cost
        return cost + float(np.maximum(unmet, 0).sum()) * crop.shortage_cost


@dataclass
class State:
    """A plan in the making: one share a crop, and the totals of what crops share."""

    problem: Problem
    shares: list[Share]
    own: float = 0.0
    places: Floats = field(default_factory=lambda: np.zeros((0, 0)))
    minutes: Floats = field(default_factory=lambda: np.zeros(0))
    starts: Floats = field(default_factory=lambda: np.zeros(0))
    propagules: dict[str, Floats] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self.refresh()

    def refresh(self) -> None:
        """Adds the totals up from the shares."""
        problem, weeks = self.problem, self.problem.weeks
        self.own = sum(share.own for share in self.shares)
        self.places = np.array([area.wip_places for area in problem.areas], dtype=float)
        self.minutes = np.array(problem.wip_minutes, dtype=float)
        self.starts = np.zeros(weeks)
        self.propagules = {mother.key: np.zeros(weeks) for mother in problem.mothers}
        for share in self.shares:
            self._add(share, 1.0)

    def _add(self, share: Share, sign: float) -> None:
        self.places = self.places + sign * share.places
        self.minutes = self.minutes + sign * share.minutes
        self.starts = self.starts + sign * share.starts
        for mother, used in share.propagules.items():
            self.propagules[mother] = self.propagules[mother] + sign * used

    def cost(self) -> float:
        """Cost of the whole, with the flows of the shares as they are."""
        return self.own + shared_cost(self.problem, self.places, self.minutes)

    def replaced(self, new: dict[int, Share]) -> State:
        """A state with some shares replaced; the present one stays as it is."""
        other = State.__new__(State)
        other.problem = self.problem
        other.shares = list(self.shares)
        other.places, other.minutes = self.places, self.minutes
        other.starts, other.propagules = self.starts, dict(self.propagules)
        for at, share in new.items():
            other._add(self.shares[at], -1.0)
            other._add(share, 1.0)
            other.shares[at] = share
        other.own = sum(share.own for share in other.shares)
        return other

    def taken_without(self, crops: Iterable[int]) -> Taken:
        """What all but some crops take, work in progress included."""
        places, minutes, starts = self.places.copy(), self.minutes.copy(), self.starts.copy()
        propagules = {key: used.copy() for key, used in self.propagules.items()}
        for at in crops:
            share = self.shares[at]
            places -= share.places
            minutes -= share.minutes
            starts -= share.starts
            for mother, used in share.propagules.items():
                propagules[mother] -= used
        return Taken(
            places={
                area.key: np.round(places[at], 7).tolist()
                for at, area in enumerate(self.problem.areas)
            },
            minutes=np.round(np.maximum(minutes, 0), 7).tolist(),
            starts=np.round(starts, 7).tolist(),
            propagules={key: np.round(used, 7).tolist() for key, used in propagules.items()},
        )

    def starts_of_all(self) -> tuple[Start, ...]:
        """The starts of a state whose trays are whole."""
        starts = [
            Start(*key, round(trays))
            for share in self.shares
            for key, trays in share.trays.items()
            if round(trays)
        ]
        return tuple(sorted(starts))

    def keeps_rules(self) -> bool:
        """Are batch starts and quotas kept? Fixed batches may break them by themselves."""
        return bool(
            np.all(self.starts <= allowed_starts(self.problem) + 1e-6)
            and all(
                np.all(
                    self.propagules[mother.key] <= allowed_quota(self.problem, mother.key) + 1e-6
                )
                for mother in self.problem.mothers
            )
        )


def shared_cost(problem: Problem, places: Floats, minutes: Floats) -> float:
    """Cost of minutes and of places beyond what there is."""
    room = np.array([area.places for area in problem.areas], dtype=float)
    regular = np.array(problem.regular_minutes, dtype=float)
    overtime = np.array(problem.overtime_minutes, dtype=float)
    over = np.clip(minutes - regular, 0, overtime)
    beyond = np.maximum(minutes - regular - overtime, 0)
    return float(
        np.maximum(places - room, 0).sum() * problem.overflow_cost
        + np.minimum(minutes, regular).sum() * problem.regular_cost
        + over.sum() * problem.overtime_cost
        + beyond.sum() * problem.beyond_cost
    )


def allowed_starts(problem: Problem) -> Floats:
    """Batch starts allowed in each week; fixed ones always are."""
    forced = np.zeros(problem.weeks)
    for _, week in {(start.protocol, start.week) for start in problem.fixed}:
        forced[week] += 1
    return np.maximum(float(problem.starts_per_week), forced, dtype=np.float64)


def allowed_quota(problem: Problem, mother: str) -> Floats:
    """Propagules that a mother block may give in each week; for fixed batches it always does."""
    protocols = problem.protocols()
    quota = next(one.quota for one in problem.mothers if one.key == mother)
    forced = np.zeros(problem.weeks)
    for start in problem.fixed:
        if protocols[start.protocol].mother == mother:
            forced[start.week] += start.trays * protocols[start.protocol].propagules
    allowed: Floats = np.maximum(np.array(quota, dtype=float), forced)
    return allowed
