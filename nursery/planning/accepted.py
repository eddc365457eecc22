"""Which plan is followed now, and what does it fix in the next one?

Starts of this week that have not been made yet stand as they are, and nothing else starts this
week. Later starts cost a little to change: a plan that jumps about is not followed. A start that
was made is a batch already. A start that is not ready within the weeks planned cannot be in the
plan: this week's still takes its places and hours, and the lead is told of both.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from sqlmodel import Session, col, select

from nursery.crop import Protocol
from nursery.planned import PlanKind, PlanVersion
from nursery.weeks import Horizon, Week
from solver.propagation import Area, Problem, Start
from solver.propagation.runs import run

CHANGE_COST = 20_000
"""What changing an accepted start costs, in hundredths of a cent (2 of the currency)."""

_MOST_NAMED = 5


def protocol_key(protocol: Protocol) -> str:
    """What is this protocol called in a problem and its plan?"""
    return f"{protocol.crop.name} / {protocol.name}"


def accepted_plan(session: Session) -> PlanVersion | None:
    """Which propagation plan is followed now? The one that was accepted last, if any."""
    return session.exec(
        select(PlanVersion)
        .where(PlanVersion.kind == PlanKind.PROPAGATION, col(PlanVersion.accepted_at).is_not(None))
        .order_by(col(PlanVersion.accepted_at).desc(), col(PlanVersion.version).desc())
    ).first()


def with_accepted(
    session: Session, problem: Problem, horizon: Horizon
) -> tuple[Problem, int | None, list[str]]:
    """Which problem is it with the accepted plan in it? Also that plan's version, and sentences."""
    plan = accepted_plan(session)
    if plan is None:
        return problem, None, []
    fixed: list[Start] = []
    later: list[Start] = []
    missed: list[str] = []
    beyond: list[Start] = []
    known = problem.protocols()
    for row in plan.starts:
        week, key = horizon.index(Week.parse(row.week)), protocol_key(row.protocol)
        if row.batch_id is not None or key not in known:
            continue
        if week < 0:
            missed.append(f"{key} of {row.week}")
            continue
        start = Start(key, week, row.extra_weeks, row.trays)
        inside = week < problem.weeks and run(problem.weeks, "", known[key], week, start.extra)
        (beyond if not inside else fixed if week == 0 else later).append(start)
    covers = 0 <= horizon.start - Week.of(plan.first_day) < plan.periods
    problem = replace(
        _with_loads(problem, [start for start in beyond if start.week == 0]),
        fixed=tuple(fixed),
        frozen_weeks=1 if covers else 0,
        accepted=tuple(later),
        change_cost=CHANGE_COST,
    )
    dropped = [f"{start.protocol} of {horizon.week(start.week)}" for start in beyond]
    told = _told(missed, "starts of weeks gone by were accepted and never made")
    told += _told(
        dropped,
        f"accepted starts are not ready within {problem.weeks} weeks and are not in this plan "
        "(plan more weeks)",
    )
    return problem, plan.version, told


def _with_loads(problem: Problem, starts: Sequence[Start]) -> Problem:
    """The problem in which these starts take places and hours as work in progress."""
    if not starts:
        return problem
    protocols = problem.protocols()
    places = {area.key: list(area.wip_places) for area in problem.areas}
    minutes = list(problem.wip_minutes)
    for start in starts:
        protocol, entry = protocols[start.protocol], start.week
        minutes[entry] += protocol.batch_minutes
        for stage in protocol.stages:
            if entry >= problem.weeks:
                break
            minutes[entry] += stage.minutes * start.trays
            leave = min(entry + stage.dwell[entry], problem.weeks)
            for week in range(entry, leave):
                places[stage.area][week] += stage.places * start.trays
            entry = leave
    areas = tuple(Area(a.key, a.places, tuple(places[a.key])) for a in problem.areas)
    return replace(problem, areas=areas, wip_minutes=tuple(minutes))


def _told(starts: Sequence[str], what: str) -> list[str]:
    if not starts:
        return []
    more = " ..." if len(starts) > _MOST_NAMED else ""
    return [f"{len(starts)} {what}: {', '.join(starts[:_MOST_NAMED])}{more}"]
