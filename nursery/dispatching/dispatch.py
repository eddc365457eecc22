"""On which day does each open order leave, who is told of another day, and why?

The plan is solved with no transaction open. Then, in one transaction and under the locks, the
facts are read again and the plan is judged by them: orders that went away are dropped, and if it
no longer fits it is solved again on the new facts. A plan that fits is stored as a version;
accepting it gives promises to orders that had none, and another day, with the reason in the
customer's words, to promises that cannot keep theirs. An order for which there is no day as a
whole goes in parts where its customer agreed to that, and one that waits too long for its own
plants gets others to which its customer agreed (`dispatch_standing`). Nobody is promised anew a day
that is less sure than the site's floor (`dispatch_sure`).
"""

from collections.abc import Mapping
from dataclasses import asdict, dataclass, replace
from datetime import date

import orjson
from sqlalchemy import func
from sqlmodel import Session, col, select

from nursery.database import Database, now
from nursery.dispatching.dispatch_facts import NEAR_DAYS, Costs, Facts, most_on_top, read_facts
from nursery.dispatching.dispatch_guard import promises_first
from nursery.dispatching.dispatch_reasons import Reasons
from nursery.dispatching.dispatch_rounds import solved
from nursery.dispatching.dispatch_rows import parts_in
from nursery.dispatching.dispatch_sure import closing, doubts, without
from nursery.dispatching.dispatch_write import Told, told_changes, write
from nursery.dispatching.stand_ins import Choice, from_json, to_json
from nursery.errors import Fault, Refusal, Refused
from nursery.locks import lock_pools, lock_ship_days
from nursery.planned import PlanKind, PlanVersion
from nursery.promising.lapsing import write_lapsed
from solver.dispatching.judge import cost, violations
from solver.dispatching.problem import Plan, Problem
from solver.first_come import first_come
from solver.run import Limits, Outcome

_TRIES = 3
"""How often a plan is solved again because the shop sold something meanwhile."""


@dataclass(frozen=True, slots=True)
class Ship:
    """An order that leaves: on which day, by which service. `late_days` after the day promised
    first, or (without a promise) after the first day that was open for it. `part` is the product,
    where an order leaves in parts, `instead_of` the service that it was promised by, where it
    keeps its day by another (the customer is told), `notes` what in it is not as ordered."""

    reference: str
    promise_id: int | None
    ship_on: date
    service: str
    late_days: int
    part: str = ""
    instead_of: str = ""
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Moved:
    """A promise that gets another day; `reason` in words for the customer."""

    reference: str
    promise_id: int
    from_day: date
    to_day: date
    reason: str


@dataclass(frozen=True, slots=True)
class Changed:
    """An order that gets other plants than it had on the books, or than it asked for; `words` say
    which instead of which, for its customer. `part` as in `Ship`."""

    reference: str
    promise_id: int | None
    ship_on: date
    words: str
    part: str = ""


@dataclass(frozen=True, slots=True)
class Unshipped:
    """An order for which there is no day: the first thing in its way. `part`: only this product."""

    reference: str
    promise_id: int | None
    reason: str
    part: str = ""


@dataclass(frozen=True)
class DispatchReport:
    """What does the dispatch decide? Costs in cents.

    `first_come_cost` is what serving first come, first served would cost, promises staying where
    they can. A `bound` of 0 proves nothing. `seconds` is the time of the solve.
    """

    version: int
    accepted: bool
    first_day: date
    ships: tuple[Ship, ...]
    moved: tuple[Moved, ...]
    changed: tuple[Changed, ...]
    unshipped: tuple[Unshipped, ...]
    cost: int
    bound: int
    first_come_cost: int
    seconds: float

    @property
    def orders(self) -> int:
        """How many orders were there to dispatch? One that goes in parts is one."""
        waiting = {order.reference for order in self.unshipped}
        return len(waiting | {ship.reference for ship in self.ships})

    @property
    def dispatched(self) -> int:
        """How many of them leave, whole or in part?"""
        return len({ship.reference for ship in self.ships})

    @property
    def late(self) -> int:
        """How many leave, or have a part that leaves, after their first day?"""
        return len({ship.reference for ship in self.ships if ship.late_days > 0})

    def to_json(self) -> str:
        """The report for other programs."""
        counts = {"orders": self.orders, "dispatched": self.dispatched, "late": self.late}
        return orjson.dumps({**counts, **asdict(self)}, option=orjson.OPT_INDENT_2).decode()


def plan_dispatch(
    db: Database,
    limits: Limits,
    actor: str,
    accept_it: bool = True,
    near_days: int = NEAR_DAYS,
    costs: Costs | None = None,
) -> DispatchReport:
    """On which day does each open order leave, as the books stand now?

    Reads, solves with no transaction open, reads again, judges, stores a version; `accept_it`
    also carries it out in that same transaction. Raises Refused ("plan_no_longer_fits") where
    the books changed under every one of a few solves: run it again when the shop is quieter.
    """
    said: list[str] = []
    for _ in range(_TRIES):
        facts, outcome = solved(db, limits, near_days, costs)
        with db.writing() as session:
            fresh = _locked_facts(session, outcome.found(), facts, near_days, costs)
            fresh = closing(fresh, facts.doubted)
            plan, said = _still_fits(fresh, outcome.found(), facts.first_day, facts.accepted)
            if not said:
                version = _store(session, facts, fresh, plan, outcome)
                return _carry_out(session, version, fresh, plan, actor if accept_it else None)
    raise Refused(
        Refusal("plan_no_longer_fits", "; ".join(said[:3]), "plan", "plan the dispatch again")
    )


def accept(session: Session, version: int, actor: str) -> DispatchReport:
    """What happens when this stored dispatch is carried out now?

    The facts are read again. Raises `Fault` for a version that is not there, Refused: "accepted"
    (before), "plan_no_longer_fits" with what changed.
    """
    row = _version(session, version)
    if row.accepted_at is not None:
        message = f"dispatch {version} was accepted by {row.accepted_by}"
        raise Refused(Refusal("accepted", message, "version", "plan the dispatch again"))
    before, plan = Problem.from_json(row.problem), Plan.from_json(row.plan)
    costs = _costs_of(before)
    choices = {key: (Choice(sends),) for key, sends in from_json(row.stand_ins).items()}
    facts = read_facts(session, row.periods, costs, parts_in(before), choices)
    fresh = _locked_facts(session, plan, facts, row.periods, costs)
    plan, said = _still_fits(fresh, plan, row.first_day, _made_on_top_of(session, row))
    if said:
        raise Refused(
            Refusal("plan_no_longer_fits", "; ".join(said[:3]), "version", "plan it again")
        )
    return _carry_out(session, row, fresh, plan, actor)


def _locked_facts(
    session: Session, plan: Plan, facts: Facts, near_days: int, costs: Costs | None
) -> Facts:
    """The facts as nobody else can change them any more, locks taken in the one order."""
    pools = [pool for pool in facts.desk.pools if pool > 0]  # the others stand for kept plugs
    lock_pools(session, pools)
    days = {facts.day(index) for index in plan.ships.values()}
    kept = {each.ship_on for each in facts.waiting.values() if each.ship_on is not None}
    lock_ship_days(session, days | kept)
    fresh = read_facts(session, near_days, costs, facts.parts, facts.choices)
    # What ran out is given to others now: a clock set back must not bring it to life again.
    write_lapsed(session, pools, days | kept, now(session))
    return fresh


def _still_fits(fresh: Facts, plan: Plan, first_day: date, accepted: int) -> tuple[Plan, list[str]]:
    """The plan as it fits the fresh facts, or what stands against it now."""
    if fresh.first_day != first_day:
        return plan, [f"it was made for {first_day}, today is {fresh.first_day}"]
    if fresh.accepted != accepted:
        return plan, [f"dispatch {fresh.accepted} was accepted meanwhile"]
    if fresh.withdrawn:
        return plan, list(fresh.withdrawn)
    plan = promises_first(fresh, plan)
    plan = without(plan, doubts(fresh, plan))
    return plan, violations(fresh.problem, plan)


def _store(
    session: Session, facts: Facts, fresh: Facts, plan: Plan, outcome: Outcome[Plan]
) -> PlanVersion:
    last = select(func.max(PlanVersion.version)).where(PlanVersion.kind == PlanKind.DISPATCH)
    judged = cost(fresh.problem, plan)
    # A bound is proven for the data that were solved, not for what changed since.
    bound = outcome.bound if fresh.fingerprint == facts.fingerprint else None
    row = PlanVersion(
        kind=PlanKind.DISPATCH,
        version=int(session.exec(last).one() or 0) + 1,
        made_at=now(session),
        first_day=fresh.first_day,
        periods=fresh.days,
        fingerprint=fresh.fingerprint,
        problem=fresh.problem.to_json(),
        plan=replace(plan, cost=judged, bound=bound).to_json(),
        cost=judged,
        bound=bound or 0,
        rule_of_thumb_cost=cost(fresh.problem, first_come(fresh.problem, keep=True)),
        seconds=outcome.seconds,
        stand_ins=to_json(
            {k: fresh.waiting[k].sends for k in plan.ships if fresh.waiting[k].changed}
        ),
    )
    session.add(row)
    session.flush()
    return row


def _carry_out(
    session: Session, row: PlanVersion, facts: Facts, plan: Plan, actor: str | None
) -> DispatchReport:
    """The report of the plan; with an actor its promises are written as well."""
    if actor is not None and not actor.strip():
        raise Fault("Dispatch", "a plan is accepted by somebody", actor, "say who accepts it")
    words = told_changes(session, facts, plan)
    made = _report(row, facts, plan, words, actor is not None)
    if actor is None:
        return made
    why = {moved.promise_id: moved.reason for moved in made.moved}
    promised = write(session, facts, plan, Told(why, words), actor)
    row.accepted_at, row.accepted_by = now(session), actor
    session.add(row)
    session.flush()
    ships = tuple(
        replace(ship, promise_id=promised.get((ship.reference, ship.part), ship.promise_id))
        for ship in made.ships
    )
    changed = tuple(
        replace(each, promise_id=promised.get((each.reference, each.part), each.promise_id))
        for each in made.changed
    )
    return replace(made, ships=ships, changed=changed)


def _report(
    row: PlanVersion, facts: Facts, plan: Plan, words: Mapping[str, str], accepted: bool
) -> DispatchReport:
    reasons = Reasons(facts, plan)
    ships, moved, changed, unshipped = [], [], [], []
    for key, each in sorted(facts.waiting.items()):
        if each.fixed:
            continue
        index = plan.ships.get(key)
        if index is None:
            why = reasons.unshipped(each)
            unshipped.append(Unshipped(each.reference, each.promise_id, why, each.part))
            continue
        day = facts.day(index)
        late = max(0, index - facts.problem.order_of[key].first_day)
        service = each.services[day]
        kept = each.promise_id is not None and each.ship_on == day
        other = each.service if kept and each.service != service else ""
        here = each.reference, each.promise_id, day
        ships.append(Ship(*here, service, late, each.part, other, each.parcel.notes))
        if key in words:
            changed.append(Changed(*here, words[key], each.part))
        if each.promise_id is not None and each.ship_on is not None and day != each.ship_on:
            why = reasons.moved(each, each.ship_on)
            moved.append(Moved(each.reference, each.promise_id, each.ship_on, day, why))
    never = [Unshipped(reference, None, why) for reference, why in facts.never]
    return DispatchReport(
        version=row.version,
        accepted=accepted,
        first_day=facts.first_day,
        ships=tuple(ships),
        moved=tuple(moved),
        changed=tuple(changed),
        unshipped=(*unshipped, *never),
        cost=row.cost,
        bound=row.bound,
        first_come_cost=row.rule_of_thumb_cost,
        seconds=row.seconds,
    )


def _version(session: Session, version: int) -> PlanVersion:
    row = session.exec(
        select(PlanVersion).where(
            PlanVersion.kind == PlanKind.DISPATCH, PlanVersion.version == version
        )
    ).first()
    if row is None:
        raise Fault(f"Dispatch {version}", "there is no such plan", version, "list the plans")
    return row


def _made_on_top_of(session: Session, row: PlanVersion) -> int:
    """The dispatch that was accepted last when this one was made."""
    query = select(func.max(PlanVersion.version)).where(
        PlanVersion.kind == PlanKind.DISPATCH,
        col(PlanVersion.accepted_at) <= row.made_at,
    )
    return int(session.exec(query).one() or 0)


def _costs_of(problem: Problem) -> Costs:
    """The costs that a stored problem was made with."""
    late, re_date = problem.late_cost, problem.re_date_cost
    return Costs(
        overload=problem.overload_cost,
        beyond=problem.beyond_cost,
        late=late,
        unshipped=problem.unshipped_cost - most_on_top(problem.orders, late, re_date, problem.days),
        re_date=re_date,
        age=problem.age_cost,
    )
