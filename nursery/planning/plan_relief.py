"""What would help where a plan leaves plugs unmet or late? Asked of the solver, and checked."""

from __future__ import annotations

from dataclasses import dataclass

from sqlmodel import Session

from nursery.errors import Refusal, Refused
from nursery.growing.sowing import SEED_OF
from nursery.planning.propagation import stored_plan
from nursery.weeks import Horizon, Week
from solver.propagation import Plan, Problem, breakdown
from solver.relief import Binding, Relief, why

COST_UNITS = 10_000
"""Hundredths of a cent in what a worth is told in."""
SECONDS = 1.0
"""For each of the small solves; an answer takes ten to twenty of them."""


@dataclass(frozen=True)
class PlanRelief:
    """What binds first for a crop's demand of a week, and what would help, in the lead's words.

    `promised` is the gain in cost (hundredths of a cent) with all the room one could want,
    `found` the gain when only `amount` was given and the crop was planned once more beside the
    rest of the plan; `met` plugs are then there in time. Nothing of it is kept.
    """

    crop: str
    week: Week
    plugs: int
    unmet: bool
    binding: str
    amount: int
    promised: int
    found: int
    met: int
    told: str


@dataclass(frozen=True)
class StoredProblem:
    """A kept plan with the problem that it answers: what a relief is sought in."""

    problem: Problem
    plan: Plan
    horizon: Horizon


def read_plan(session: Session, version: int) -> StoredProblem:
    """Which problem and plan were kept under this version? Raises `Refused` for an unknown one."""
    row = stored_plan(session, version)
    horizon = Horizon(Week.of(row.first_day), row.periods)
    return StoredProblem(Problem.from_json(row.problem), Plan.from_json(row.plan), horizon)


def shortest(at: StoredProblem, most: int) -> list[tuple[str, Week]]:
    """For which demands of which weeks are the most plugs unmet or late? At most `most` of them."""
    report = breakdown(at.problem, at.plan)
    short = {
        key: report.unmet.get(key, 0) + report.late.get(key, 0)
        for key in report.unmet.keys() | report.late.keys()
    }
    order = sorted(short, key=lambda key: (-short[key], key))
    return [(crop, at.horizon.week(week)) for crop, week in order[:most]]


def asked_about(
    at: StoredProblem, crop: str, week: Week | None, most: int
) -> list[tuple[str, Week]]:
    """Which demands are meant by a crop ("" for all) and a week? The shortest, where none is named.

    Raises `Refused` for a crop that is not in the plan.
    """
    if crop:
        known_crop(at, crop)
    if crop and week is not None:
        return [(crop, week)]
    return [key for key in shortest(at, 10**6) if not crop or key[0] == crop][:most]


def what_would_help(
    at: StoredProblem, crop: str, week: Week, seconds: float = SECONDS
) -> PlanRelief:
    """What stands in the way of this crop's plugs of this week, and the least that would help.

    One resource after another is given room and the crop is planned anew beside the rest of the
    plan; what is said to help was given and solved again. Needs no database meanwhile. Raises
    `Refused` for an unknown crop, a week outside the plan, or a demand that is met in time.
    """
    known_crop(at, crop)
    if not at.horizon.covers(week):
        last = at.horizon.week(at.horizon.weeks - 1)
        raise Refused(
            Refusal(
                "OUTSIDE_PLAN",
                f"Week {week} is not in the plan, which goes from {at.horizon.start} to {last}",
                "week",
                "name a week of the plan",
            )
        )
    try:
        relief = why(at.problem, at.plan, crop, at.horizon.index(week), seconds)
    except ValueError:
        raise Refused(
            Refusal(
                "MET_IN_TIME",
                f"The plan meets {crop} in {week} in time; nothing stands in the way",
                "week",
                "`nursery why` without a crop lists what is unmet or late",
            )
        ) from None
    return PlanRelief(
        relief.crop,
        week,
        relief.plugs,
        relief.unmet,
        relief.binding.value,
        relief.amount,
        relief.promised,
        relief.found,
        relief.met,
        _told(relief, at.horizon),
    )


def known_crop(at: StoredProblem, crop: str) -> None:
    """Is this crop in the plan? Raises `Refused` for one that is not, naming those that are."""
    known = sorted(each.key for each in at.problem.crops)
    if crop not in known:
        raise Refused(
            Refusal(
                "UNKNOWN_CROP",
                f"There is no crop {crop!r} in the plan: {', '.join(known)}",
                "crop",
                "name one that is there",
            )
        )


def _told(relief: Relief, horizon: Horizon) -> str:
    """One sentence: what would bring how many plugs in time, and what that is worth."""
    first, last = horizon.week(relief.first), horizon.week(relief.last)
    when = f"in {first}" if first == last else f"in each week from {first} to {last}"
    many = f"{relief.amount} more"
    source = "mother block"
    if relief.resource.startswith(SEED_OF):
        source = "seed lot"
    helps = {
        Binding.AREA: f"{many} places in the {relief.resource} {when}",
        Binding.MOTHER: f"{many} propagules from {source} {relief.resource!r} {when}",
        Binding.HOURS: f"{-(-relief.amount // 6) / 10:.1f} more hours {when}",
        Binding.STARTS: f"{many} batch start {when}",
        Binding.SMALLEST_BATCH: "leave to start batches under the smallest size",
    }
    if relief.binding == Binding.TIME:
        return "too late: no start that is still possible is ready in time; nothing else would help"
    if relief.binding == Binding.NOT_WORTH_IT:
        return "nothing that was tried pays: meeting it costs more than the missing plugs do"
    worth = f"{relief.found / COST_UNITS:,.0f}".replace(",", " ")
    return (
        f"{helps[relief.binding]} would bring {relief.met} of {relief.plugs} plugs in time,"
        f" worth {worth}"
    )
