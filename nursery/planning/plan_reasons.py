"""Why does a plan leave plugs unmet? The first thing that binds, in the lead's words.

Every start that could have served the week is looked at beside what the plan already takes; the
reason that stands against most of them is named.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field

from nursery.growing.sowing import SEED_OF
from nursery.weeks import Horizon
from solver.propagation import Plan, Problem
from solver.propagation.judge import Loads
from solver.propagation.problem import Crop
from solver.propagation.runs import Run, runs

WORTH = "a batch of the smallest size would cost more than the plugs that are missing"


@dataclass
class Reasons:
    """What does a plan take, so that it can be asked why more was not raised?"""

    problem: Problem
    plan: Plan
    loads: Loads
    horizon: Horizon
    _runs: dict[str, tuple[Run, ...]] = field(default_factory=dict)

    def unmet(self, crop: Crop, week: int) -> str:
        """Why are plugs of this crop unmet in this week index? One clause, no full stop."""
        if not crop.protocols:
            return "the crop has no protocol with stages"
        every = self._runs.setdefault(crop.key, runs(self.problem, crop))
        if not every:
            return f"raised from now it is not ready within the {self.problem.weeks} weeks planned"
        first, last = week - crop.life + 1, week + crop.lateness
        serving = [
            one
            for one in every
            if one.week >= self.problem.frozen_weeks
            and any(first <= ready <= last for ready, _ in one.plugs)
        ]
        if not serving:
            open_ones = [one for one in every if one.week >= self.problem.frozen_weeks]
            earliest = min((one.ready for one in open_ones), default=None)
            if earliest is None or earliest <= last:
                return "no start is ready in the weeks that could serve it"
            ready = self.horizon.week(earliest)
            return f"too late to start: what can be started now is ready in {ready} at the earliest"
        found: Counter[str] = Counter()
        for one in serving:
            found[next(self._against(one), WORTH)] += 1
        return found.most_common(1)[0][0]

    def _against(self, one: Run) -> Iterator[str]:
        problem, planned = self.problem, self.plan.batches()
        protocol = problem.protocols()[one.protocol]
        there = (one.protocol, one.week) in planned
        trays = 1 if there else max(1, protocol.smallest_batch)
        if protocol.mother is not None and protocol.propagules:
            yield from self._mother(protocol.mother, one.week, trays * protocol.propagules)
        starts = sum(week == one.week for _, week in planned)
        if not there and starts >= problem.starts_per_week:
            yield f"no more batch starts are allowed in {self.horizon.week(one.week)}"
        yield from self._places(one, trays)
        yield from self._minutes(one, trays)

    def _mother(self, key: str, week: int, propagules: int) -> Iterator[str]:
        quota = next(m.quota[week] for m in self.problem.mothers if m.key == key)
        protocols = self.problem.protocols()
        used = sum(
            trays * protocols[name].propagules
            for (name, at), trays in self.plan.batches().items()
            if at == week and protocols[name].mother == key
        )
        at = self.horizon.week(week)
        if key.startswith(SEED_OF):
            if quota == 0:
                yield f"no {key} may be sown in {at} (past its sow-by date, or none is left)"
            elif used + propagules > quota:
                yield f"there is too little {key} in {at} ({used} of {quota} seeds sown)"
        elif quota == 0:
            yield f"mother block '{key}' gives nothing in {at} (rest, blackout or not in use)"
        elif used + propagules > quota:
            yield f"mother block '{key}' is used up in {at} ({used} of {quota} propagules taken)"

    def _places(self, one: Run, trays: int) -> Iterator[str]:
        areas = {area.key: area for area in self.problem.areas}
        for key, entry, leave, places in one.stays:
            taken, there = self.loads.places[key], areas[key].places
            full = [w for w in range(entry, leave) if taken[w] + places * trays > there[w]]
            if full:
                first, last = self.horizon.week(full[0]), self.horizon.week(full[-1])
                when = f"in {first}" if first == last else f"from {first} to {last}"
                most = f"{taken[full[0]]} of {there[full[0]]} places taken in {first}"
                yield f"the {key} is full {when} ({most})"

    def _minutes(self, one: Run, trays: int) -> Iterator[str]:
        problem = self.problem
        for week, minutes in one.minutes:
            there = problem.regular_minutes[week] + problem.overtime_minutes[week]
            taken = self.loads.minutes[week]
            if taken + minutes * trays > there:
                at = self.horizon.week(week)
                yield f"hours are used up in {at} ({taken // 60} of {there // 60} with overtime)"
