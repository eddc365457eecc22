"""What would a careful person with a sheet plan? The opponent that a plan must beat.

`backward` goes through each crop's demand weeks in order and counts back: what is not covered by
plugs in hand is started in the latest week that is ready in time, in whole trays, at least the
smallest batch, as far as the mother plants and the batch starts of the week allow; what does not
fit goes to earlier weeks within the plugs' life, then to later weeks within the allowed lateness.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass, field

from solver.propagation.judge import cost
from solver.propagation.plan import Plan, Start, batches
from solver.propagation.problem import Crop, Problem, Protocol
from solver.propagation.runs import Run, run, runs


@dataclass
class _Sheet:
    """What is written down so far: batches, batch starts by week, propagules left."""

    problem: Problem
    trays: dict[tuple[str, int, int], int] = field(default_factory=dict)
    batches: set[tuple[str, int]] = field(default_factory=set)
    starts: dict[int, int] = field(default_factory=lambda: defaultdict(int))
    left: dict[tuple[str, int], int] = field(default_factory=dict)

    def room(self, protocol: Protocol, week: int) -> int:
        """Trays that may still be added to the batch of this week, 0 where none may be."""
        key = (protocol.key, week)
        if week < self.problem.frozen_weeks or key in _fixed_keys(self.problem):
            return 0
        if key not in self.batches and self.starts[week] >= self.problem.starts_per_week:
            return 0
        most = 10**9
        if protocol.mother is not None and protocol.propagules:
            most = self.left[protocol.mother, week] // protocol.propagules
        return most if key in self.batches or most >= protocol.smallest_batch else 0

    def add(self, protocol: Protocol, week: int, extra: int, trays: int) -> int:
        """Adds trays, at least the smallest batch where it is a new one; says how many."""
        key = (protocol.key, week)
        if key not in self.batches:
            self.batches.add(key)
            self.starts[week] += 1
            trays = max(trays, protocol.smallest_batch)
        at = (protocol.key, week, extra)
        self.trays[at] = self.trays.get(at, 0) + trays
        if protocol.mother is not None:
            self.left[protocol.mother, week] -= trays * protocol.propagules
        return trays


def _fixed_keys(problem: Problem) -> set[tuple[str, int]]:
    return set(batches(problem.fixed))


def backward(problem: Problem) -> Plan:
    """The plan that counts back from each demand week, with its cost. Keeps every rule."""
    sheet = _Sheet(problem)
    for mother in problem.mothers:
        for week, quota in enumerate(mother.quota):
            sheet.left[mother.key, week] = quota
    protocols = problem.protocols()
    for start in problem.fixed:
        sheet.add(protocols[start.protocol], start.week, start.extra, start.trays)
    for crop in problem.crops:
        _plan_crop(sheet, crop)
    starts = tuple(sorted(Start(*key, trays) for key, trays in sheet.trays.items()))
    plan = Plan(starts)
    return Plan(starts, cost(problem, plan))


def _plan_crop(sheet: _Sheet, crop: Crop) -> None:
    problem = sheet.problem
    supply = list(crop.ready)
    protocols = {protocol.key: protocol for protocol in crop.protocols}
    for (key, week, extra), trays in sheet.trays.items():
        if key in protocols:
            made = run(problem.weeks, crop.key, protocols[key], week, extra)
            for at, plugs in made.plugs if made else ():
                supply[at] += plugs * trays
    choices = sorted((one for one in runs(problem, crop) if not one.extra), key=lambda r: -r.week)
    for wanted in range(problem.weeks):
        if crop.demand[wanted]:
            _cover(sheet, crop, supply, choices, wanted)


def _cover(sheet: _Sheet, crop: Crop, supply: list[int], choices: list[Run], wanted: int) -> None:
    protocols = {protocol.key: protocol for protocol in crop.protocols}
    early = [one for one in choices if wanted - crop.life < one.ready <= wanted]
    late = [one for one in choices if wanted < one.ready <= wanted + crop.lateness]
    for one in early + sorted(late, key=lambda r: r.week):
        short = _unmet(crop, supply, wanted)
        if short <= 0:
            return
        protocol = protocols[one.protocol]
        room = sheet.room(protocol, one.week)
        if not room or not sum(protocol.plugs):
            continue
        trays = min(room, -(-short // sum(protocol.plugs)))
        trays = sheet.add(protocol, one.week, 0, trays)
        for at, plugs in one.plugs:
            supply[at] += plugs * trays


def _unmet(crop: Crop, supply: list[int], until: int) -> int:
    """Plugs of demand up to a week that oldest-first picking from the supply leaves unmet."""
    left = list(supply)
    short = 0
    for wanted in range(until + 1):
        need = crop.demand[wanted]
        first = max(0, wanted - crop.life + 1)
        for ready in range(first, min(len(left), wanted + crop.lateness + 1)):
            taken = min(need, left[ready])
            left[ready] -= taken
            need -= taken
        short = need
    return short
