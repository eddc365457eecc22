"""What do we start in which week? Plans are solved, kept as versions, and accepted.

A plan is solved with no transaction open: the facts are read in one, and read again in another
before the plan is kept, so that nobody waits for the solver.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from functools import partial

from sqlalchemy import func
from sqlmodel import Session, select

from nursery.crop import Protocol
from nursery.database import Database, now, today
from nursery.errors import Fault, Refusal, Refused
from nursery.growing.growth import growing_stages
from nursery.growing.sowing import seed_book
from nursery.locks import lock_site
from nursery.mother_plant import MotherBlock
from nursery.planned import PlanKind, PlannedStart, PlanVersion
from nursery.planning.accepted import accepted_plan, protocol_key
from nursery.planning.assumptions import assumptions_of
from nursery.planning.bench_problem import bench_book
from nursery.planning.bench_stays import StartToCome
from nursery.planning.by_consent import crop_key_of
from nursery.planning.fingerprint import differences, fingerprint
from nursery.planning.plan_report import PlanReport, judged, report_of
from nursery.planning.plan_sensitivity import ProtocolFacts, assumptions_that_matter
from nursery.planning.propagation_problem import (
    BuildNotes,
    build_problem,
    ordinary_week,
    safe_flush,
)
from nursery.planning.second_solve import solve_to_fit, told
from nursery.weeks import Horizon, Week
from solver.benching import Problem as BenchProblem
from solver.propagation import Plan, Problem, cost, violations
from solver.rules_of_thumb import backward
from solver.run import Limits as Limits  # named by callers that may not know the solver
from solver.run import Outcome

_RHO_WORSE = 1.1


def plan_propagation(db: Database, weeks: int, limits: Limits, actor: str) -> PlanReport:
    """What should be started in the next `weeks` weeks? Solved within the limits and stored.

    The plan is stored as a new version, not yet accepted. One that does not fit on the benches, or
    takes more seed than there is, is solved again (`planning.second_solve`). `limits` may carry a
    progress callback and a stop signal; the best plan so far is kept. Raises `Fault` for a nursery
    that cannot be planned, and `Refused`: "another_plan_accepted" or "plan_no_longer_fits" where
    the books changed so much while it was solved that it cannot be kept (the message says what).
    """
    if not actor.strip():
        raise Fault("Plan", "needs somebody who asks for it", actor, "say who plans")
    with db.reading() as session:
        problem, notes = build_problem(session, weeks)
        facts = _facts(session, problem)
        assumed = assumptions_of(session)
        known = _last_version(session)
    fitted = solve_to_fit(problem, limits, partial(_benches, db, notes))
    outcome = fitted.outcome
    plan = replace(outcome.found(), cost=outcome.cost, bound=outcome.bound)
    by_hand = backward(problem).cost or 0
    matter = assumptions_that_matter(problem, plan, assumed, facts)
    with db.writing() as session:
        lock_site(session)
        further = _judge_again(session, problem, notes, plan, weeks, known)
        further = [*told(fitted, notes.horizon), *further]
        row = _store(session, problem, notes, plan, outcome, by_hand)
    return report_of(
        judged(problem, plan, notes.horizon),
        notes,
        row.version,
        outcome.bound or 0,
        by_hand,
        outcome.seconds,
        outcome.status.value,
        assumptions=matter,
        further=further,
    )


def _benches(db: Database, notes: BuildNotes, plan: Plan) -> BenchProblem:
    """Where would the batches of this plan stand? The books are read for as long as it takes."""
    with db.reading() as session:
        starts = [
            StartToCome(protocol, str(notes.horizon.week(one.week)), one.extra, one.trays)
            for one in plan.starts
            if (protocol := session.get(Protocol, notes.protocol_ids[one.protocol])) is not None
        ]
        return bench_book(session, notes.horizon.weeks, starts).problem


def accept_plan(
    session: Session, version: int, actor: str, despite_changes: bool = False
) -> PlanVersion:
    """Which plan is followed from now on? This version, if its data still hold.

    Accepting the plan that is followed already changes nothing. Raises `Refused`: "unknown_plan",
    "plan_overtaken" (another was accepted since it was made), "plan_of_another_week", and
    "plan_outdated" (the books changed: the message says what). `despite_changes` accepts a plan
    whose data changed, as long as it breaks no rule on the new ones ("plan_no_longer_fits").
    """
    if not actor.strip():
        raise Fault("Plan", "needs somebody who accepts it", actor, "say who accepts it")
    lock_site(session)
    row = stored_plan(session, version)
    followed = accepted_plan(session)
    if row.accepted_at is not None and followed is not None and followed.version == version:
        return row
    if row.accepted_at is not None or _overtaken(row, followed):
        other = followed.version if followed is not None else version
        raise _refused(
            "plan_overtaken",
            f"Plan {version} is outdated: plan {other} was accepted since it was made",
        )
    _check_data(session, row, despite_changes)
    row.accepted_at, row.accepted_by = now(session), actor
    session.add(row)
    session.flush()
    return row


def stored_plan(session: Session, version: int) -> PlanVersion:
    """Which propagation plan has this version? Raises `Refused` ("unknown_plan") if none has."""
    row = session.exec(
        select(PlanVersion).where(
            PlanVersion.kind == PlanKind.PROPAGATION, PlanVersion.version == version
        )
    ).first()
    if row is None:
        last = _last_version(session)
        there = f"the last one is {last}" if last else "none has been made yet"
        raise Refused(
            Refusal(
                "unknown_plan",
                f"There is no propagation plan {version}: {there}",
                "version",
                "make one with `nursery plan`, or name one that is there",
            )
        )
    return row


def stored_report(session: Session, version: int, weigh: bool = False) -> PlanReport:
    """How does the lead read a plan that was stored before?

    From the problem and the plan as they were kept; sentences on the data of that day are not
    kept. `weigh` also ranks the assumptions, which takes some seconds. Raises `Refused` for an
    unknown version.
    """
    row = stored_plan(session, version)
    problem, plan = Problem.from_json(row.problem), Plan.from_json(row.plan)
    horizon = Horizon(Week.of(row.first_day), row.periods)
    reserves = {b.code: b.reserve for b in session.exec(select(MotherBlock)).all()}
    notes = BuildNotes(horizon, row.fingerprint, {}, {}, {}, (), reserves, None, "", ())
    matter = (
        assumptions_that_matter(problem, plan, assumptions_of(session), _facts(session, problem))
        if weigh
        else ()
    )
    status = "accepted" if row.accepted_at is not None else "stored"
    return report_of(
        judged(problem, plan, horizon),
        notes,
        version,
        row.bound,
        row.rule_of_thumb_cost,
        row.seconds,
        status,
        row.accepted_by,
        matter,
    )


def _facts(session: Session, problem: Problem) -> Mapping[str, ProtocolFacts]:
    demand = {crop.key: crop.demand for crop in problem.crops}
    found = {}
    seed, day = seed_book(session), today(session)
    for protocol in session.exec(select(Protocol)).all():
        if not protocol.stages:
            continue
        wanted = ordinary_week(demand.get(crop_key_of(protocol), ()))
        found[protocol_key(protocol)] = ProtocolFacts(
            method=protocol.method.value,
            stages=tuple(stage.kind.value for stage in growing_stages(protocol)),
            uncertain_plugs=safe_flush(
                protocol, wanted, _RHO_WORSE, seed.germination(protocol, day)
            ),
        )
    return found


def _last_version(session: Session) -> int:
    query = select(func.max(PlanVersion.version)).where(PlanVersion.kind == PlanKind.PROPAGATION)
    return int(session.exec(query).one() or 0)


def _judge_again(
    session: Session, problem: Problem, notes: BuildNotes, plan: Plan, weeks: int, known: int
) -> list[str]:
    """May the plan be kept although time has passed? What the lead must be told besides."""
    fresh, now_notes = build_problem(session, weeks)
    if now_notes.accepted != notes.accepted:
        raise _refused(
            "another_plan_accepted",
            f"Plan {now_notes.accepted} was accepted while this one was being solved",
        )
    if now_notes.horizon != notes.horizon:
        raise _refused("plan_of_another_week", "A new week began while the plan was being solved")
    found: list[str] = []
    last = _last_version(session)
    if last > known:
        found.append(f"Somebody else planned meanwhile: plan {last} was stored; compare the two")
    if now_notes.fingerprint != notes.fingerprint:
        changes = "; ".join(differences(problem, fresh, notes.horizon))
        _refuse_misfit(fresh, plan, changes)
        price = cost(fresh, plan)
        found.append(
            f"The books changed while this plan was being solved ({changes}): it can still be "
            f"followed and costs {price} instead of {plan.cost}; plan again before accepting it"
        )
    return found


def _store(
    session: Session,
    problem: Problem,
    notes: BuildNotes,
    plan: Plan,
    outcome: Outcome[Plan],
    by_hand: int,
) -> PlanVersion:
    row = PlanVersion(
        kind=PlanKind.PROPAGATION,
        version=_last_version(session) + 1,
        made_at=now(session),
        first_day=notes.horizon.start.monday(),
        periods=problem.weeks,
        fingerprint=notes.fingerprint,
        problem=problem.to_json(),
        plan=plan.to_json(),
        cost=plan.cost or 0,
        bound=plan.bound or 0,
        rule_of_thumb_cost=by_hand,
        seconds=outcome.seconds,
    )
    trays: dict[tuple[str, int, int], int] = {}
    for start in plan.starts:
        key = (start.protocol, start.week, start.extra)
        trays[key] = trays.get(key, 0) + start.trays
    session.add(row)
    session.flush()
    session.add_all(
        PlannedStart(
            plan_id=row.id or 0,
            protocol_id=notes.protocol_ids[protocol],
            week=str(notes.horizon.week(week)),
            extra_weeks=extra,
            trays=number,
        )
        for (protocol, week, extra), number in sorted(trays.items())
    )
    session.flush()
    return row


def _overtaken(row: PlanVersion, followed: PlanVersion | None) -> bool:
    if followed is None or followed.accepted_at is None:
        return False
    return followed.version > row.version or followed.accepted_at >= row.made_at


def _check_data(session: Session, row: PlanVersion, despite_changes: bool) -> None:
    if Week.of(row.first_day) != Week.of(today(session)):
        raise _refused(
            "plan_of_another_week",
            f"Plan {row.version} begins in {Week.of(row.first_day)}, it is "
            f"{Week.of(today(session))} now",
        )
    fresh, notes = build_problem(session, row.periods)
    if fingerprint(fresh) == row.fingerprint:
        return
    changes = "; ".join(differences(Problem.from_json(row.problem), fresh, notes.horizon))
    if not despite_changes:
        raise _refused(
            "plan_outdated",
            f"Plan {row.version} is outdated, the books have changed since it was made: {changes}",
        )
    _refuse_misfit(fresh, Plan.from_json(row.plan), changes)


def _refuse_misfit(fresh: Problem, plan: Plan, changes: str) -> None:
    broken: Sequence[str] = violations(fresh, plan)
    if broken:
        raise _refused(
            "plan_no_longer_fits",
            f"The books changed ({changes}) and the plan no longer fits: {'; '.join(broken[:3])}",
        )


def _refused(code: str, message: str) -> Refused:
    return Refused(Refusal(code, message, "version", "plan again and accept the new plan"))


__all__ = ["Limits", "accept_plan", "plan_propagation", "stored_plan", "stored_report"]
