"""In which rounds is a dispatch solved? As a whole, in parts, surely enough, with other plants."""

from __future__ import annotations

from dataclasses import replace

from nursery.database import Database
from nursery.dispatching.dispatch_facts import Costs, Facts, read_facts
from nursery.dispatching.dispatch_standing import with_stand_ins
from nursery.dispatching.dispatch_sure import both, closing, doubts
from solver.dispatching.problem import Plan
from solver.dispatching.solve import solve
from solver.run import Clock, Limits, Outcome

_FIRST = 100
"""By how much a promise without a day weighs more in the second solve."""
_LEAST_SECONDS = 0.5
_TRIES = 3
"""How often days that are not sure enough are closed and the plan solved again."""


def solved(
    db: Database, limits: Limits, near_days: int, costs: Costs | None
) -> tuple[Facts, Outcome[Plan]]:
    """The plan and what it was made from; in parts what gets no day whole and may be split.

    The rounds share the seconds of the limits: each has half of what is left.
    """
    clock = Clock(limits)
    with db.reading() as session:
        facts = read_facts(session, near_days, costs)
    outcome = _solve(facts, clock)
    ships = outcome.found().ships
    parts = frozenset(
        each.reference for key, each in facts.waiting.items() if each.may_split and key not in ships
    )
    if parts and not _stopped(limits):
        with db.reading() as session:
            facts = read_facts(session, near_days, costs, parts)
        again = _solve(facts, clock)
        outcome = replace(again, seconds=outcome.seconds + again.seconds)
    facts, outcome = _surely(facts, outcome, clock)
    if _stopped(limits):
        return facts, outcome
    return with_stand_ins(
        db,
        facts,
        outcome,
        near_days,
        costs,
        solve=lambda tried: _solve(tried, clock),
        surely=lambda found, made: _surely(found, made, clock),
    )


def _half(clock: Clock) -> Limits:
    """Half of the time that is left, so that what is solved again stays within it, too."""
    return replace(clock.limits, seconds=max(_LEAST_SECONDS, clock.left() / 2))


def _surely(facts: Facts, outcome: Outcome[Plan], clock: Clock) -> tuple[Facts, Outcome[Plan]]:
    """Nothing is promised anew on a day that is not sure enough: closed, and solved again."""
    for _ in range(_TRIES):
        doubted = doubts(facts, outcome.found())
        if not doubted:
            break
        facts = replace(closing(facts, doubted), doubted=both(facts.doubted, doubted))
        if _stopped(clock.limits):
            break
        again = _solve(facts, clock)
        outcome = replace(again, seconds=outcome.seconds + again.seconds)
    return facts, outcome


def _stopped(limits: Limits) -> bool:
    return limits.stop is not None and limits.stop.is_set()


def _solve(facts: Facts, clock: Clock) -> Outcome[Plan]:
    """The plan; solved once more where a promise got no day, with that promise before others."""
    outcome = solve(facts.problem, _half(clock))
    waiting, ships = facts.waiting, outcome.found().ships
    given = {waiting[key].promise_id for key in ships}
    left = {k for k, each in waiting.items() if each.promise_id is not None}
    left = {key for key in left if waiting[key].promise_id not in given}
    if not left or _stopped(clock.limits):
        return outcome
    first = tuple(
        replace(order, weight=order.weight * _FIRST) if order.key in left else order
        for order in facts.problem.orders
    )
    again = solve(replace(facts.problem, orders=first), _half(clock))
    seconds = outcome.seconds + again.seconds
    return replace(outcome, plan=again.found(), cost=again.cost, seconds=seconds)
