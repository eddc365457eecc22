"""Why is a demand unmet or late, and what would help? Found by giving room and solving again.

For a demand week of a crop that a plan leaves unmet or meets late, one resource after another is
given room: time (starts before this week), mother plants, each area, hours, batch starts, and
leave to make a batch as small as one likes. The crop is then planned anew beside the rest of the
plan as it stands. What gains the most is the first thing that binds; its relief is the least
amount of it that brings most of that gain. Every relief is checked: it is given, the crop is
planned once more, and the gain that was found is what is reported.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from enum import StrEnum

from solver.propagation.judge import cost
from solver.propagation.plan import Plan
from solver.propagation.problem import Area, Crop, Mother, Problem
from solver.propagation.report import breakdown
from solver.propagation.runs import runs
from solver.propagation.solving import solve_one_crop


class Binding(StrEnum):
    """What stands in the way?"""

    TIME = "time"
    MOTHER = "mother"
    AREA = "area"
    HOURS = "hours"
    STARTS = "starts"
    SMALLEST_BATCH = "smallest batch"
    NOT_WORTH_IT = "not worth it"


@dataclass(frozen=True)
class Relief:
    """The first thing that binds for a demand, and what would help.

    `plugs` are unmet or late; `amount` is how much more of `resource` in weeks `first..last` is
    needed: places, minutes, propagules or batch starts, 0 for the rest. `promised` is the gain in
    cost with all the room, `found` the gain when just `amount` was given and solved again;
    `met` are the plugs that are then met in time which were not.
    """

    crop: str
    week: int
    plugs: int
    unmet: bool
    binding: Binding
    resource: str
    first: int
    last: int
    amount: int
    promised: int
    found: int
    met: int


@dataclass(frozen=True)
class _Room:
    """More of one resource in some weeks."""

    binding: Binding
    resource: str
    first: int
    last: int

    def given(self, problem: Problem, crop: Crop, amount: int) -> Problem:
        """The problem with `amount` more in each of the weeks."""
        if self.binding == Binding.AREA:
            return replace(
                problem,
                areas=tuple(
                    Area(a.key, self._more(a.places, amount), a.wip_places)
                    if a.key == self.resource
                    else a
                    for a in problem.areas
                ),
            )
        if self.binding == Binding.MOTHER:
            return replace(
                problem,
                mothers=tuple(
                    Mother(m.key, self._more(m.quota, amount)) if m.key == self.resource else m
                    for m in problem.mothers
                ),
            )
        if self.binding == Binding.HOURS:
            return replace(problem, overtime_minutes=self._more(problem.overtime_minutes, amount))
        if self.binding == Binding.STARTS:
            return replace(problem, starts_per_week=problem.starts_per_week + amount)
        small = replace(
            crop,
            protocols=tuple(replace(protocol, smallest_batch=1) for protocol in crop.protocols),
        )
        crops = tuple(small if one.key == crop.key else one for one in problem.crops)
        return replace(problem, crops=crops)

    def _more(self, weeks: tuple[int, ...], amount: int) -> tuple[int, ...]:
        return tuple(
            number + amount if self.first <= week <= self.last else number
            for week, number in enumerate(weeks)
        )


def with_relief(problem: Problem, relief: Relief) -> Problem:
    """The problem with the relief given: its amount of its resource in its weeks."""
    crop = next(each for each in problem.crops if each.key == relief.crop)
    room = _Room(relief.binding, relief.resource, relief.first, relief.last)
    if relief.binding in (Binding.TIME, Binding.NOT_WORTH_IT):
        return problem
    return room.given(problem, crop, relief.amount)


def why(problem: Problem, plan: Plan, crop: str, week: int, seconds: float = 2.0) -> Relief:
    """What binds first for a crop's demand of a week, and the cheapest relief, checked.

    `seconds` bounds each of the small solves. Raises ValueError where that demand is met in time.
    """
    report = breakdown(problem, plan)
    unmet = report.unmet.get((crop, week), 0)
    plugs = unmet + report.late.get((crop, week), 0)
    if not plugs:
        raise ValueError(f"Demand of {crop!r} in week {week} is met in time; nothing binds")
    one = next(each for each in problem.crops if each.key == crop)
    before = solve_one_crop(problem, plan, crop, seconds)
    base, short = cost(problem, before), _short(problem, before, crop, week)
    best: tuple[int, _Room, int] | None = None
    for room, most in _rooms(problem, plan, one, week):
        gain, met = _gain(problem, before, room, most, (one, week, seconds, base, short))
        if met > 0 and gain > 0 and (best is None or gain > best[0]):
            best = (gain, room, most)
    if best is None:
        kind = Binding.TIME if _too_late(problem, one, week) else Binding.NOT_WORTH_IT
        return Relief(crop, week, plugs, bool(unmet), kind, "", week, week, 0, 0, 0, 0)
    gain, room, most = best
    amount, found, met = _least(problem, before, room, most, (one, week, seconds, base, short))
    return Relief(
        crop, week, plugs, bool(unmet), room.binding, room.resource, room.first, room.last,
        amount, gain, found, met,
    )  # fmt: skip


def _rooms(problem: Problem, plan: Plan, crop: Crop, week: int) -> Iterator[tuple[_Room, int]]:
    """What could be given, and how much of it is more than enough."""
    first = _first_start(problem, crop, week)
    last = min(problem.weeks - 1, week + crop.lateness)
    trays = max(
        (-(-crop.demand[week] // max(1, sum(p.plugs))) + p.smallest_batch for p in crop.protocols),
        default=0,
    )
    report = breakdown(problem, plan)
    for area in problem.areas:
        full = [
            at for at in range(first, last + 1) if report.use[area.key][at] > 0.95 * area.places[at]
        ]
        if full:
            places = max((s.places for p in crop.protocols for s in p.stages), default=1)
            room = _Room(Binding.AREA, area.key, min(full), max(full))
            yield room, trays * max(1, places)
    for key in sorted({p.mother for p in crop.protocols if p.mother is not None}):
        propagules = max(p.propagules for p in crop.protocols)
        yield _Room(Binding.MOTHER, key, first, last), trays * propagules
    minutes = trays * max((sum(s.minutes for s in p.stages) for p in crop.protocols), default=0)
    if any(report.overtime[first : last + 1]):
        yield _Room(Binding.HOURS, "", first, last), minutes
    yield _Room(Binding.STARTS, "", first, last), 1
    yield _Room(Binding.SMALLEST_BATCH, crop.key, first, last), 0


def _first_start(problem: Problem, crop: Crop, week: int) -> int:
    """The first week in which a start can serve the demand, 0 if there is none to be found."""
    able = [
        run.week
        for run in runs(problem, crop)
        if any(week - crop.life < ready <= week + crop.lateness for ready, _ in run.plugs)
    ]
    return min(able, default=0)


def _too_late(problem: Problem, crop: Crop, week: int) -> bool:
    """Can no start that is still possible be ready for the demand in time?"""
    return not any(
        run.week >= problem.frozen_weeks
        and any(week - crop.life < ready <= week for ready, _ in run.plugs)
        for run in runs(problem, crop)
    )


def _short(problem: Problem, plan: Plan, crop: str, week: int) -> int:
    report = breakdown(problem, plan)
    return report.unmet.get((crop, week), 0) + report.late.get((crop, week), 0)


def _gain(
    problem: Problem,
    plan: Plan,
    room: _Room,
    amount: int,
    asked: tuple[Crop, int, float, int, int],
) -> tuple[int, int]:
    """Gain in cost, and plugs of the demand that are newly met in time, with the room given."""
    crop, week, seconds, base, short = asked
    wider = room.given(problem, crop, amount)
    new = solve_one_crop(wider, plan, crop.key, seconds)
    return base - cost(wider, new), short - _short(wider, new, crop.key, week)


def _least(
    problem: Problem,
    plan: Plan,
    room: _Room,
    most: int,
    asked: tuple[Crop, int, float, int, int],
) -> tuple[int, int, int]:
    """The least amount that brings nine tenths of the gain, with the gain and plugs it brings."""
    whole, met = _gain(problem, plan, room, most, asked)
    low, high = 0, most
    best = (most, whole, met)
    while low + 1 < high and high - low > most // 16:
        middle = (low + high) // 2
        gain, met = _gain(problem, plan, room, middle, asked)
        if gain >= 0.9 * whole and met > 0:
            high, best = middle, (middle, gain, met)
        else:
            low = middle
    return best
