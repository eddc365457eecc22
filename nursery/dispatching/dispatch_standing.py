"""Which orders get a day by other plants, to which their customers agreed? A second solve.

Looked at again are, with everything else as free as it was:
- orders that got no day, or one for which standing in would be cheaper (`stand_ins`: a line weighs
  like so many days late), if their customer agreed to plants bought in or to substitutes;
- orders whose customers agreed and that draw on a pool of which another order (agreed or not) came
  short: they may leave it their plugs, promises to promises alone;
- promises that stand in since an earlier dispatch, where plugs as ordered are there again.
So a promise that can keep its day with its own plants gets others only where the plugs of another
promise are not there; for an order without a promise it is not looked at.

The solver's form knows no alternatives. So each way of filling a parcel is an order of its own,
and all of them want the one plug of a pool that is there for this parcel alone: at most one leaves.
What that plug's age costs is made the same for all days (`age_cost * (days - 1)`).

The answer is kept only if it is better: fewer promises without a day, or as few at a lower cost.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, replace

from sqlalchemy.orm import selectinload
from sqlmodel import Session, col, select

from nursery.database import Database
from nursery.dispatching.dispatch_facts import Costs, Facts, read_facts
from nursery.dispatching.dispatch_sure import closing
from nursery.dispatching.stand_ins import (
    MOST_WAYS,
    Choice,
    Choices,
    Others,
    unchangeable,
)
from nursery.order import CustomerOrder
from nursery.promising.basket import Parcel
from nursery.promising.supply import supply
from solver.dispatching.judge import cost, violations
from solver.dispatching.problem import Line, Lot, Order, Plan, Pool, Problem
from solver.run import Outcome

_MARK, _FIRST = "~", "~0"
_ALONE = "one of "

Solve = Callable[[Facts], Outcome[Plan]]
Surely = Callable[[Facts, Outcome[Plan]], tuple[Facts, Outcome[Plan]]]


@dataclass(frozen=True)
class Tried:
    """Facts in which parcels are filled in several ways, and the keys of those ways by parcel."""

    facts: Facts
    keys: Mapping[str, tuple[str, ...]]


def with_stand_ins(
    db: Database,
    facts: Facts,
    outcome: Outcome[Plan],
    near_days: int,
    costs: Costs | None,
    solve: Solve,
    surely: Surely,
) -> tuple[Facts, Outcome[Plan]]:
    """A better plan with other plants, and the facts in which they stand; else what was given."""
    with db.reading() as session:
        tried = to_try(session, facts, outcome.found(), near_days, costs)
    if tried is None:
        return facts, outcome
    again = solve(replace(tried.facts, problem=exclusive(tried)))
    plan, choices = chosen(tried, again.found())
    if not choices:
        return facts, outcome
    with db.reading() as session:
        found = read_facts(session, near_days, costs, facts.parts, choices)
    doubted = {key: days for key, days in facts.doubted.items() if key not in choices}
    found = replace(closing(found, doubted), doubted=doubted)
    if found.withdrawn or violations(found.problem, plan):  # the books changed under the solve
        return facts, outcome
    bound = None if again.bound is None else max(0, again.bound - _more_in(tried))
    made = replace(
        again,
        plan=plan,
        cost=cost(found.problem, plan),
        bound=bound,
        seconds=outcome.seconds + again.seconds,
    )
    found, made = surely(found, made)
    gone = [key for key in choices if key not in made.found().ships]
    if gone:
        left = {key: each for key, each in choices.items() if key not in gone}
        closed = found.doubted
        with db.reading() as session:
            found = read_facts(session, near_days, costs, facts.parts, left)
        found = replace(closing(found, closed), doubted=closed)
        if not left or violations(found.problem, made.found()):
            return facts, replace(outcome, seconds=made.seconds)
    better = _rank(found, made.found()) < _rank(facts, outcome.found())
    return (found, made) if better else (facts, replace(outcome, seconds=made.seconds))


def to_try(
    session: Session, facts: Facts, plan: Plan, near_days: int, costs: Costs | None
) -> Tried | None:
    """Which parcels are tried in which ways beside this plan? None where nothing is to be won."""
    look = looked_at(facts, plan, (costs or Costs()).stand_in_days)
    ways = ways_of(session, facts, look.dear | look.generous, look.back)
    if not ways:
        return None
    many = read_facts(session, near_days, costs, facts.parts, ways)
    doubted = {f"{key}{_FIRST}": days for key, days in facts.doubted.items() if key in ways}
    return useful(closing(many, {**facts.doubted, **doubted}), look, facts, plan)


@dataclass(frozen=True)
class Look:
    """Which orders are looked at again, by key?

    `dear` ones wait so long that it weighs as much as a line that stands in; `generous` ones may
    leave their plugs to such; `back` are promises that stand in already.
    """

    dear: frozenset[str]
    generous: frozenset[str]
    back: frozenset[str]


def looked_at(facts: Facts, plan: Plan, stand_in_days: int) -> Look:
    """Which orders are looked at again, where a line that stands in weighs so many days late?"""
    weighs = {
        key: stand_in_days * facts.problem.late_cost * order.weight
        for key, order in facts.problem.order_of.items()
    }
    now = {key: _cost_now(facts, plan, key) for key in facts.waiting}
    dear = {key for key in facts.waiting if now[key] >= weighs[key]}
    short = {key for key in dear if now[key] - _least(facts, key) >= weighs[key]}
    lines = {key: {line.pool for line in facts.problem.order_of[key].lines} for key in now}
    owed = {pool for key in short if facts.waiting[key].promise_id for pool in lines[key]}
    asked = {pool for key in short for pool in lines[key]}
    generous = (
        key
        for key, each in facts.waiting.items()
        if lines[key] & (asked if each.promise_id is None else owed)
    )
    back = (k for k, each in facts.waiting.items() if each.promise_id and each.worse_days)
    return Look(frozenset(dear), frozenset(generous), frozenset(back))


def useful(many: Facts, look: Look, facts: Facts, plan: Plan) -> Tried | None:
    """What is left to try of `many`, in which every parcel stands once for each of its ways?

    Without the ways that are no better for an order than what it has and spare nobody else's plugs.
    """
    keys = {
        key: tuple(
            way
            for way in (f"{key}{one.mark}" for one in choices)
            if way in many.waiting
            and (
                way.endswith(_FIRST)
                or _least(many, way) < _cost_now(facts, plan, key)
                or (key in look.generous and many.waiting[way].services)
            )
        )
        for key, choices in many.choices.items()
    }
    if all(len(each) < 2 for each in keys.values()):
        return None
    useless = {f"{k}{one.mark}" for k, each in many.choices.items() for one in each}
    useless -= {way for each in keys.values() for way in each}
    orders = tuple(order for order in many.problem.orders if order.key not in useless)
    waiting = {key: each for key, each in many.waiting.items() if key not in useless}
    left = replace(many, waiting=waiting, problem=replace(many.problem, orders=orders))
    return Tried(left, keys)


def _cost_now(facts: Facts, plan: Plan, key: str) -> int:
    return facts.problem.order_cost(facts.problem.order_of[key], plan.ships.get(key))


def _least(facts: Facts, key: str) -> int:
    """The cost of this order on its best open day; of none, that of having no day."""
    order = facts.problem.order_of[key]
    days = (facts.problem.order_cost(order, day) for day in order.open_days)
    return min(days, default=facts.problem.order_cost(order, None))


def ways_of(
    session: Session, facts: Facts, keys: Iterable[str], back: Iterable[str] = ()
) -> dict[str, tuple[Choice, ...]]:
    """In which ways may these parcels be filled? By key, as it is first; none that has one only.

    `back` are the keys of more that are looked at, if plugs as ordered are there for any line.
    """
    wanted, stand_in = set(keys), set(back)
    asked = [
        each
        for key, each in facts.waiting.items()
        if not each.fixed and (key in wanted or key in stand_in)
    ]
    stays = unchangeable(session, [each.promise_id for each in asked if each.promise_id])
    orders = _orders(session, {each.order_id for each in asked})
    others = Others(session)
    found: dict[str, tuple[Choice, ...]] = {}
    for each in asked:
        order = orders.get(each.order_id)
        if order is None or each.promise_id in stays:
            continue
        if each.key not in wanted and not _there_again(session, others, order, each.parcel):
            continue
        ways = [
            sends
            for sends in others.ways(order, each.parcel)
            if others.parcel(order, each.parcel, sends) is not None
        ]
        if len(ways) > 1:
            listed = enumerate(ways[:MOST_WAYS])
            found[each.key] = tuple(Choice(sends, f"{_MARK}{at}") for at, sends in listed)
    return found


def _orders(session: Session, ids: Iterable[int]) -> dict[int, CustomerOrder]:
    """Those of these orders whose customers agreed to anything, or whose plants stand in."""
    rows = session.exec(
        select(CustomerOrder)
        .where(col(CustomerOrder.id).in_(sorted(ids)))
        .options(selectinload(CustomerOrder.lines))  # type: ignore[arg-type]
    )
    return {row.id or 0: row for row in rows}


def _there_again(session: Session, others: Others, order: CustomerOrder, parcel: Parcel) -> bool:
    """Could any line that stands in be promised as it was ordered?"""
    ordered = others.parcel(order, parcel, ())
    if ordered is None:
        return False
    wanted = {pool: n for pool, n in ordered.plugs.items() if pool not in parcel.plugs}
    held = supply(session, wanted)
    return any(pool in held and held[pool].available.max() >= n for pool, n in wanted.items())


def exclusive(tried: Tried) -> Problem:
    """The problem in which of each parcel's ways at most one leaves."""
    problem = tried.facts.problem
    last = problem.days - 1
    of_way = {way: key for key, ways in tried.keys.items() for way in ways}
    pools = tuple(Pool(_ALONE + key, (Lot("one", 0, last, 1),)) for key in tried.keys)
    orders = tuple(
        _alone(order, of_way[order.key], problem) if order.key in of_way else order
        for order in problem.orders
    )
    return replace(problem, pools=(*problem.pools, *pools), orders=orders)


def chosen(tried: Tried, plan: Plan) -> tuple[Plan, Choices]:
    """The plan by the parcels' own keys, and how those are filled that are not as in the books."""
    of_way = {way: key for key, ways in tried.keys.items() for way in ways}
    ships = {of_way.get(key, key): day for key, day in plan.ships.items()}
    choices = {
        of_way[way]: (Choice(each.sends),)
        for way in plan.ships
        if way in of_way
        for each in [tried.facts.waiting[way]]
        if each.changed
    }
    return Plan(ships), choices


def _alone(order: Order, key: str, problem: Problem) -> Order:
    last = problem.days - 1
    more = {day: problem.age_cost * (last - day) for day in order.open_days}
    costs = {day: order.day_cost.get(day, 0) + more[day] for day in order.open_days}
    lines = (*order.lines, Line(_ALONE + key, 1))
    return replace(order, lines=lines, day_cost={day: c for day, c in costs.items() if c})


def _more_in(tried: Tried) -> int:
    """By how much at most is a plan dearer where parcels are several orders?"""
    problem, last = tried.facts.problem, tried.facts.days - 1
    return sum(
        (len(ways) - 1) * problem.order_cost(problem.order_of[ways[0]], None)
        + problem.age_cost * last
        for ways in tried.keys.values()
        if ways
    )


def _rank(facts: Facts, plan: Plan) -> tuple[int, int]:
    """What is better? Fewer promises without a day, then the lower cost."""
    without = sum(
        each.promise_id is not None and key not in plan.ships for key, each in facts.waiting.items()
    )
    return without, cost(facts.problem, plan)
