"""What does the lead read of a propagation plan? What goes wrong first, then the starts.

Everything here follows from the problem and the starts, with the judge's own completion: which
plugs meet which demand is the cheapest choice. Numbers of plugs are safe ones; costs are in
hundredths of a cent.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date

from nursery.growing.sowing import SEED_OF
from nursery.planning.plan_places import NO_LIMIT
from nursery.planning.plan_reasons import Reasons
from nursery.planning.plan_sensitivity import WeighedAssumption
from nursery.planning.propagation_problem import BuildNotes
from nursery.weeks import Horizon
from solver.propagation import Plan, Problem
from solver.propagation.judge import Completion, Loads, complete, loads
from solver.propagation.runs import run

_LEAST = 0.5  # of a plug: the completion is a linear program and may leave crumbs


@dataclass(frozen=True, slots=True)
class PlannedBatch:
    """Trays of a protocol to start in a week, and what they are to give (safe plugs)."""

    week: str
    monday: date
    crop: str
    protocol: str
    trays: int
    extra_weeks: int
    plugs: int
    ready_week: str


@dataclass(frozen=True, slots=True)
class Unmet:
    """Demand that the plan leaves without plugs, and the first thing that binds."""

    crop: str
    week: str
    plugs: int
    reason: str


@dataclass(frozen=True, slots=True)
class Overflow:
    """Tray places that the plan takes beyond what the benches of a kind of area have."""

    area: str
    week: str
    places: float


@dataclass(frozen=True, slots=True)
class Late:
    """Plugs that become ready after the week in which they are wanted."""

    crop: str
    wanted_week: str
    ready_week: str
    plugs: int


@dataclass(frozen=True, slots=True)
class Discard:
    """Plugs whose life ends unsold: ready in a week, or standing ready with a last sale week."""

    crop: str
    week: str
    plugs: int
    stands_ready: bool


@dataclass(frozen=True, slots=True)
class Peak:
    """The fullest week of a kind of growing area; no `share` where its places are not known."""

    area: str
    week: str
    used: float
    places: int
    share: float | None


@dataclass(frozen=True, slots=True)
class Hours:
    """Work of a week in minutes: all of it, of which overtime, of which nobody is there for."""

    week: str
    minutes: int
    regular: int
    overtime: int
    beyond: int


@dataclass(frozen=True, slots=True)
class MotherUse:
    """Propagules that the plan takes of a mother block's quota, and its fullest week.

    `reserve` are plants of the block that are never cut: they are not in the quota.
    """

    block: str
    reserve: int
    taken: int
    quota: int
    fullest_week: str
    taken_then: int
    quota_then: int


@dataclass(frozen=True, slots=True)
class SeedUse:
    """Seeds that the plan sows of a crop's lots, beside those left of them.

    A plan that takes more than is left is solved again (`planning.second_solve`). Where that could
    not be done, there would be too little from week `short_from` on; "" where it lasts.
    """

    crop: str
    sown: int
    left: int
    short_from: str


@dataclass(frozen=True)
class PlanReport:
    """One stored propagation plan, as the lead reads it.

    Costs in hundredths of a cent; `gap` is (cost - bound) / cost; `backward_cost` is what counting
    back from each demand week would cost. `notes` are sentences on the data.
    """

    version: int
    first_week: str
    weeks: int
    cost: int
    bound: int
    gap: float
    backward_cost: int
    seconds: float
    status: str
    accepted_by: str | None
    unmet: tuple[Unmet, ...]
    overflow: tuple[Overflow, ...]
    late: tuple[Late, ...]
    discards: tuple[Discard, ...]
    starts: tuple[PlannedBatch, ...]
    peaks: tuple[Peak, ...]
    hours: tuple[Hours, ...]
    mothers: tuple[MotherUse, ...]
    assumptions: tuple[WeighedAssumption, ...]
    changed_starts: tuple[str, ...]
    notes: tuple[str, ...]
    seeds: tuple[SeedUse, ...] = ()

    @property
    def unmet_plugs(self) -> int:
        """How many plugs are left unmet in all?"""
        return sum(one.plugs for one in self.unmet)

    @property
    def late_plugs(self) -> int:
        """How many plugs come later than wanted?"""
        return sum(one.plugs for one in self.late)

    @property
    def discarded_plugs(self) -> int:
        """How many plugs pass their last sale date?"""
        return sum(one.plugs for one in self.discards)

    @property
    def overtime_minutes(self) -> int:
        """How many minutes of overtime, and beyond it, does the plan ask for?"""
        return sum(one.overtime + one.beyond for one in self.hours)

    def starts_in(self, week: str) -> tuple[PlannedBatch, ...]:
        """What is started in this ISO week?"""
        return tuple(one for one in self.starts if one.week == week)


@dataclass(frozen=True)
class Judged:
    """A plan with what it takes and gives: what the parts of the report are read from."""

    problem: Problem
    plan: Plan
    horizon: Horizon
    loads: Loads
    completion: Completion


def judged(problem: Problem, plan: Plan, horizon: Horizon) -> Judged:
    """What does a plan that `violations` passes take and give?"""
    taken = loads(problem, plan)
    return Judged(problem, plan, horizon, taken, complete(problem, taken))


def report_of(
    at: Judged,
    notes: BuildNotes,
    version: int,
    bound: int,
    backward_cost: int,
    seconds: float,
    status: str,
    accepted_by: str | None = None,
    assumptions: Sequence[WeighedAssumption] = (),
    further: Sequence[str] = (),
) -> PlanReport:
    """How does the lead read this plan?"""
    cost = at.plan.cost or 0
    return PlanReport(
        version=version,
        first_week=str(at.horizon.start),
        weeks=at.horizon.weeks,
        cost=cost,
        bound=bound,
        gap=(cost - bound) / cost if cost > bound else 0.0,
        backward_cost=backward_cost,
        seconds=seconds,
        status=status,
        accepted_by=accepted_by,
        unmet=_unmet(at),
        overflow=_overflow(at),
        late=_late(at),
        discards=_discards(at, notes),
        starts=planned_batches(at.problem, at.plan, at.horizon),
        peaks=peaks(at),
        hours=hours(at),
        mothers=mother_use(at, notes.reserves),
        assumptions=tuple(assumptions),
        changed_starts=tuple(f"{key} of {at.horizon.week(w)}" for key, w in at.loads.changes),
        notes=(*notes.sentences, *further),
        seeds=seed_use(at),
    )


def planned_batches(problem: Problem, plan: Plan, horizon: Horizon) -> tuple[PlannedBatch, ...]:
    """Which trays are started in which week? In order of week, crop and protocol."""
    owner = {p.key: (crop.key, p) for crop in problem.crops for p in crop.protocols}
    found = []
    for start in sorted(plan.starts, key=lambda s: (s.week, s.protocol, s.extra)):
        crop, protocol = owner[start.protocol]
        one = run(problem.weeks, crop, protocol, start.week, start.extra)
        week = horizon.week(start.week)
        found.append(
            PlannedBatch(
                week=str(week),
                monday=week.monday(),
                crop=crop,
                protocol=start.protocol.removeprefix(f"{crop} / "),
                trays=start.trays,
                extra_weeks=start.extra,
                plugs=start.trays * sum(protocol.plugs),
                ready_week=str(horizon.week(one.ready)) if one is not None else "",
            )
        )
    return tuple(found)


def _unmet(at: Judged) -> tuple[Unmet, ...]:
    crops = {crop.key: crop for crop in at.problem.crops}
    why = Reasons(at.problem, at.plan, at.loads, at.horizon)
    return tuple(
        Unmet(key, str(at.horizon.week(week)), round(plugs), why.unmet(crops[key], week))
        for (key, week), plugs in sorted(at.completion.unmet.items(), key=lambda u: (u[0][1], u[0]))
        if plugs >= _LEAST
    )


def _used(at: Judged, area: str, week: int) -> float:
    waiting = at.completion.held[week] if area == at.problem.ready_area else 0.0
    return at.loads.places[area][week] + waiting


def _overflow(at: Judged) -> tuple[Overflow, ...]:
    return tuple(
        Overflow(area.key, str(at.horizon.week(week)), round(over, 1))
        for area in at.problem.areas
        for week in range(at.problem.weeks)
        if (over := _used(at, area.key, week) - area.places[week]) > 0.01
    )


def _late(at: Judged) -> tuple[Late, ...]:
    return tuple(
        Late(f.crop, str(at.horizon.week(f.wanted)), str(at.horizon.week(f.ready)), round(f.plugs))
        for f in sorted(at.completion.flows, key=lambda f: (f.wanted, f.crop, f.ready))
        if f.ready > f.wanted and f.plugs >= _LEAST
    )


def _discards(at: Judged, notes: BuildNotes) -> tuple[Discard, ...]:
    """Plugs whose life ends inside the weeks planned; those standing ready first."""
    life = {crop.key: crop.life for crop in at.problem.crops}
    names = {number: name for name, number in notes.crop_ids.items()}
    standing = [
        Discard(names[left.crop_id], str(at.horizon.week(at.horizon.index(left.last_sale_on))),
                left.plugs, True)
        for left in sorted(notes.leftovers, key=lambda left: left.last_sale_on)
        if left.crop_id in names
    ]  # fmt: skip
    grown = [
        Discard(key, str(at.horizon.week(week)), round(plugs), False)
        for (key, week), plugs in sorted(at.completion.discarded.items(), key=lambda d: d[0][1])
        if plugs >= _LEAST and week + life[key] <= at.problem.weeks
    ]
    return (*standing, *grown)


def peaks(at: Judged) -> tuple[Peak, ...]:
    """Which is the fullest week of each kind of growing area that is used at all?"""
    found = []
    for area in at.problem.areas:
        used = [_used(at, area.key, week) for week in range(at.problem.weeks)]
        if not any(used):
            continue
        shares = [u / there if there else (2.0 if u else 0.0)
                  for u, there in zip(used, area.places, strict=True)]  # fmt: skip
        week = max(range(len(used)), key=lambda w: (shares[w], used[w]))
        known = area.places[week] < NO_LIMIT
        share = used[week] / area.places[week] if known and area.places[week] else None
        found.append(
            Peak(
                area=area.key,
                week=str(at.horizon.week(week)),
                used=round(used[week], 1),
                places=area.places[week] if known else 0,
                share=None if share is None else round(share, 3),
            )
        )
    return tuple(found)


def hours(at: Judged) -> tuple[Hours, ...]:
    """How much work is there in each week, and how much of it is overtime or more?"""
    found = []
    for week, minutes in enumerate(at.loads.minutes):
        regular = at.problem.regular_minutes[week]
        over = max(0, minutes - regular)
        overtime = min(over, at.problem.overtime_minutes[week])
        found.append(Hours(str(at.horizon.week(week)), minutes, regular, overtime, over - overtime))
    return tuple(found)


def seed_use(at: Judged) -> tuple[SeedUse, ...]:
    """How much seed does the plan sow beside what is left, crop by crop?"""
    found = []
    for seed in at.problem.mothers:
        if not seed.key.startswith(SEED_OF):
            continue
        taken, left = _taken(at, seed.key), max(seed.quota)
        weeks = [w for w in range(at.problem.weeks) if sum(taken[: w + 1]) > left]
        found.append(
            SeedUse(
                crop=seed.key.removeprefix(SEED_OF),
                sown=sum(taken),
                left=left,
                short_from=str(at.horizon.week(weeks[0])) if weeks else "",
            )
        )
    return tuple(found)


def _taken(at: Judged, key: str) -> list[int]:
    protocols = at.problem.protocols()
    taken = [0] * at.problem.weeks
    for (name, week), trays in at.plan.batches().items():
        if protocols[name].mother == key:
            taken[week] += protocols[name].propagules * trays
    return taken


def mother_use(at: Judged, reserves: Mapping[str, int]) -> tuple[MotherUse, ...]:
    """How much of each mother block's quota is taken? `reserves` are the plants never cut."""
    found = []
    for mother in at.problem.mothers:
        if mother.key.startswith(SEED_OF):
            continue
        taken = _taken(at, mother.key)
        week = max(
            range(at.problem.weeks), key=lambda w: (taken[w] / max(1, mother.quota[w]), taken[w])
        )
        found.append(
            MotherUse(
                block=mother.key,
                reserve=reserves.get(mother.key, 0),
                taken=sum(taken),
                quota=sum(mother.quota),
                fullest_week=str(at.horizon.week(week)),
                taken_then=taken[week],
                quota_then=mother.quota[week],
            )
        )
    return tuple(found)
