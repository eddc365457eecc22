"""Why does an order leave on its day and on no other? Read off the books, nothing is solved.

Every promise stands where it stands; of the order that is asked about each day is judged beside
them: closed (and by which rule), without plugs (and who has them), packed full, or possible.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from enum import StrEnum
from itertools import groupby
from typing import NamedTuple

from sqlmodel import Session, col, select

from nursery.dispatching.dispatch_facts import Facts, Waiting, pool_key, read_facts
from nursery.dispatching.dispatch_standing import ways_of
from nursery.dispatching.dispatch_sure import Doubts, doubts
from nursery.errors import Refusal, Refused
from nursery.order import CustomerOrder, EventKind, Promise, PromiseEvent
from nursery.promising.ship_days import Ask, Reason, Way, cautions_of, judge, most_telling
from solver.dispatching.judge import cheapest_lots, plugs_by_day
from solver.dispatching.problem import Plan

_AFTER = 7
"""Days after an order's day that are told as well."""
_NAMED = 3


class Verdict(StrEnum):
    """What is a day to the order that is asked about?"""

    ITS_DAY = "its day"
    CLOSED = "closed"
    NO_PLUGS = "no plugs"
    PACKED_FULL = "packed full"
    POSSIBLE = "possible"


@dataclass(frozen=True, slots=True)
class DaysWhy:
    """Days in a row of which the same is said; `text` is that of the first of them."""

    first: date
    last: date
    verdict: Verdict
    text: str


@dataclass(frozen=True, slots=True)
class OrderWhy:
    """One parcel of an order: where it stands, how it came there, and what each day is to it.

    `promise_id` and `ship_on` are None while nothing is promised; `moves` tells every re-dating in
    the customer's words. `days` is empty for a parcel that is picked or gone: it does not move.
    `notes` say what in it is not as ordered.
    """

    reference: str
    promise_id: int | None
    state: str
    ship_on: date | None
    first_ship_on: date | None
    service: str
    moves: tuple[str, ...]
    days: tuple[DaysWhy, ...]
    notes: tuple[str, ...] = ()


def why_order(session: Session, reference: str) -> tuple[OrderWhy, ...]:
    """Why is this order on its day? One answer a parcel. Raises Refused: `unknown_order`."""
    order = session.exec(
        select(CustomerOrder).where(CustomerOrder.reference == reference.strip())
    ).first()
    if order is None:
        said = "write it as the shop did"
        raise Refused(
            Refusal("unknown_order", f"There is no order {reference!r}", "reference", said)
        )
    facts = read_facts(session)
    mine = [key for key, each in facts.waiting.items() if each.order_id == order.id]
    ways = ways_of(session, facts, mine)
    others = _Books(read_facts(session, choices=ways), {}) if ways else None
    books = _Books(facts, _unsure(facts, order.id or 0), others)
    found = []
    for each in facts.waiting.values():
        if each.order_id == order.id:
            moves = _moves(session, each.promise_id)
            state = "waits for a day" if each.promise_id is None else "promised"
            notes = _withdrawn(order, each) if each.changed else each.parcel.notes
            found.append(_told(each, state, moves, notes, books.days(each)))
    for promise in order.promises:
        if all(one.promise_id != promise.id for one in found):
            found.append(_gone(reference, promise, _moves(session, promise.id)))
    never = [why for name, why in facts.never if name == order.reference]
    if never and not found:
        last = facts.day(facts.days - 1)
        closed = DaysWhy(facts.first_day, last, Verdict.CLOSED, never[0])
        none = OrderWhy(order.reference, None, "waits for a day", None, None, "", (), (closed,))
        found.append(none)
    return tuple(found)


def _unsure(facts: Facts, order_id: int) -> Doubts:
    """The days on which this order would be promised less than the floor, where it has no day."""
    found: Doubts = {}
    for each in facts.waiting.values():
        if each.order_id == order_id and each.promise_id is None:
            plans = (Plan({each.key: facts.index(day)}) for day in each.services)
            # one day that is not sure enough brings all of them
            found = {**found, **next(filter(None, (doubts(facts, plan) for plan in plans)), {})}
    return found


def _withdrawn(order: CustomerOrder, each: Waiting) -> tuple[str, ...]:
    """What does its promise hold to which its customer does not agree any more?"""
    promises = [promise for promise in order.promises if promise.id == each.promise_id]
    return tuple(
        f"{note}; `nursery dispatch` gives it what was ordered"
        for promise in promises
        for note in _notes(promise)
    )


def _notes(promise: Promise) -> tuple[str, ...]:
    lines = (line for line in promise.lines if line.notes)
    return tuple(f"{line.product.code}: {', '.join(line.notes)}" for line in lines)


def _told(
    each: Waiting,
    state: str,
    moves: tuple[str, ...],
    notes: tuple[str, ...],
    days: tuple[DaysWhy, ...],
) -> OrderWhy:
    return OrderWhy(
        reference=each.reference,
        promise_id=each.promise_id,
        state=state,
        ship_on=each.ship_on,
        first_ship_on=each.first_on,
        service=each.service,
        moves=moves,
        days=days,
        notes=notes,
    )


def _gone(reference: str, promise: Promise, moves: tuple[str, ...]) -> OrderWhy:
    return OrderWhy(
        reference=reference,
        promise_id=promise.id,
        state=promise.state.value,
        ship_on=promise.ship_on,
        first_ship_on=promise.first_ship_on,
        service=promise.service.name,
        moves=moves,
        days=(),
        notes=_notes(promise),
    )


def _moves(session: Session, promise_id: int | None) -> tuple[str, ...]:
    """Every re-dating of a promise, oldest first."""
    events = session.exec(
        select(PromiseEvent)
        .where(PromiseEvent.promise_id == promise_id, PromiseEvent.kind == EventKind.RE_DATED)
        .order_by(col(PromiseEvent.id))
    )
    return tuple(_move(event) for event in events)


def _move(event: PromiseEvent) -> str:
    before = event.detail.get("before")
    was = before.get("ship_on") if isinstance(before, dict) else None
    to, reason = event.detail.get("ship_on"), event.detail.get("reason", "")
    where = f"stays on {to}" if was == to else f"from {was or 'its day'} to {to}"
    return f"{event.at:%Y-%m-%d}: {where}. {reason}"


class _Judged(NamedTuple):
    """A day, what it is, and in `kind` what makes it like the day before."""

    day: date
    verdict: Verdict
    text: str
    kind: str

    @property
    def alike(self) -> tuple[Verdict, str]:
        return self.verdict, self.kind


def _closed(day: date, reasons: Sequence[Reason]) -> _Judged:
    """A closed day by the reason that says most; days closed for one reason are alike."""
    told = most_telling(reasons)
    if told is None:
        return _Judged(day, Verdict.CLOSED, "no service goes there", "")
    kind = told.text if told.code == "origin_closed" else told.code
    return _Judged(day, Verdict.CLOSED, told.text, kind)


def _shut(each: Waiting) -> str:
    """What closes its own day to it, though it was open when it was given? "": nothing."""
    if each.fixed or each.ship_on is None or each.ship_on in each.services:
        return ""
    why = most_telling(each.closed.get(each.ship_on, ()))
    said = why.text if why else "no service goes there"
    return f"; closed to it now, {said}: `nursery dispatch` moves it"


def _put_in(each: Waiting, day: date) -> str:
    """Which packs go in on this day, which wraps are others than its products list?"""
    more = each.needs.more.get(day)
    return more.says if more is not None else ""


def _dearer(each: Waiting, day: date) -> str:
    """What does packing cost more on this day than on its own, or the cheapest? "": nothing."""
    more = each.needs.more.get(day)
    own = each.needs.more.get(each.ship_on) if each.ship_on is not None else None
    cents = (more.cents if more else 0) - (own.cents if own else 0)
    if more is None or cents <= 0:
        return ""
    return f"to pack it then costs {cents / 100:.2f} more ({more.says})"


def _plants(each: Waiting) -> str:
    return " and ".join(each.parcel.notes or ("plants as ordered",))


def _price(has: Waiting, gets: Waiting) -> str:
    """What does it cost that it gets these plants and not those that it has?"""
    said = []
    if gets.worse_days > has.worse_days:
        said.append(f"weighs like {gets.worse_days - has.worse_days} days late")
    minutes = gets.needs.minutes - has.needs.minutes
    if minutes > 0:
        said.append(f"takes {minutes} min more to pack")
    return f" and {' and '.join(said)}" if said else ""


def _stands_in(each: Waiting) -> str:
    """What weighs its plants that are not as ordered, where a dispatch chose them? "": nothing."""
    days = each.worse_days
    return f"; that not all is as ordered weighs like {days} days late" if days else ""


class _Books:
    """Every promise on its day, as the plan beside which a day is judged.

    In `others` the parcels of the order that is asked about are filled in other ways.
    """

    def __init__(self, facts: Facts, unsure: Doubts, others: "_Books | None" = None) -> None:
        self._facts, self._unsure, self._others = facts, unsure, others
        self._ships = {
            key: max(0, facts.index(each.ship_on))
            for key, each in facts.waiting.items()
            if each.ship_on is not None
        }

    def days(self, each: Waiting) -> tuple[DaysWhy, ...]:
        """What is each day to this order? Until some days after its own, or after the first."""
        rest = Plan({key: day for key, day in self._ships.items() if key != each.key})
        wanted = plugs_by_day(self._facts.problem, rest)
        used = [0] * self._facts.days
        for key, day in rest.ships.items():
            used[day] += self._facts.problem.order_of[key].minutes_on(day)
        judged = [self._judge(each, day, wanted, used) for day in self._days(each)]
        runs = (list(run) for _, run in groupby(judged, key=lambda one: one.alike))
        return tuple(DaysWhy(run[0].day, run[-1].day, run[0].verdict, run[0].text) for run in runs)

    def _days(self, each: Waiting) -> Iterator[date]:
        unsure = self._unsure.get(each.key, {})
        sure = (day for day in each.services if day not in unsure)
        possible = each.ship_on or min(sure, default=None)
        last = self._facts.day(self._facts.days - 1)
        until = last if possible is None else min(last, possible + timedelta(days=_AFTER))
        return (self._facts.day(i) for i in range(self._facts.index(until) + 1))

    def _judge(
        self, each: Waiting, day: date, wanted: dict[str, dict[int, int]], used: list[int]
    ) -> "_Judged":
        if day == each.ship_on:
            with_it = f", with {_put_in(each, day)}" if _put_in(each, day) else ""
            against = _shut(each) or self._weather(each)
            text = f"by {each.service}{with_it}{_stands_in(each)}{against}"
            return _Judged(day, Verdict.ITS_DAY, text, "")
        if day not in each.services:
            return _closed(day, each.closed.get(day, ()))
        lacking = self._lacking(each, day, wanted)
        if lacking:
            agreed = self._others.instead(each, day) if self._others is not None else ""
            lacking += f"; its customer agreed to {agreed}" if agreed else ""
            return _Judged(day, Verdict.NO_PLUGS, lacking, lacking)
        if day in self._unsure.get(each.key, {}):
            return _closed(day, (self._unsure[each.key][day],))
        index = self._facts.index(day)
        takes = self._facts.problem.order_of[each.key].minutes_on(index)
        minutes, room = used[index] + takes, self._facts.problem.minutes[index]
        if minutes > room:
            text = f"{minutes} of {room} packing minutes with it"
            return _Judged(day, Verdict.PACKED_FULL, text, text)
        if each.ship_on is None:
            text = f"by {each.services[day]}: `nursery dispatch` gives it a day"
        elif day < each.ship_on:
            text = "sooner than its customer knows: it keeps the day that was told"
        else:
            text = "later than it need be"
        dearer = _dearer(each, day)
        text = f"{text}; {dearer}" if dearer else text
        return _Judged(day, Verdict.POSSIBLE, text, text)

    def _weather(self, each: Waiting) -> str:
        """What the weather says against its own day, which keeps it all the same; "" if nothing."""
        rules, limits = self._facts.desk.rules, each.parcel.limits
        lanes = rules.lanes[each.zone_id]
        lane = next((one for one in lanes if one.service == each.service), None)
        if lane is None or each.ship_on is None:
            return ""
        way = judge(rules, lane, each.ship_on, Ask(limits, 0))
        if not isinstance(way, Way):
            return ""
        held = [why.text for why in way.reasons if why.kept]
        said = held or [text for _, text in cautions_of(rules, way, limits)]
        keeps = ": it keeps its day until the eve of packing" if held else ""
        return "".join(f"; {text}{keeps}" for text in said)

    def instead(self, asked: Waiting, day: date) -> str:
        """By which other plants could this parcel leave on this day, at what price? "" by none."""
        ways = [one for key, one in self._facts.waiting.items() if key.startswith(f"{asked.key}~")]
        mine = {one.key for one in ways}
        rest = Plan({key: index for key, index in self._ships.items() if key not in mine})
        wanted = plugs_by_day(self._facts.problem, rest)
        open_ways = (one for one in ways if one.changed and day in one.services)
        fits = (one for one in open_ways if not self._lacking(one, day, wanted))
        return next((f"{_plants(one)}, which is there{_price(asked, one)}" for one in fits), "")

    def _lacking(self, each: Waiting, day: date, wanted: dict[str, dict[int, int]]) -> str:
        """Which plugs are too few on this day beside all promises, and who has them?"""
        said = []
        index = self._facts.index(day)
        for item in each.parcel.items:
            key = pool_key(item.pool_id)
            with_it = dict(wanted.get(key, {}))
            with_it[index] = with_it.get(index, 0) + each.parcel.plugs[item.pool_id]
            missing = cheapest_lots(self._facts.problem.pool_of[key], with_it)[1]
            if missing:
                said.append(
                    f"{missing} plugs of {item.code} too few{self._holders(each, key, index)}"
                )
        return "; ".join(said)

    def _holders(self, each: Waiting, pool: str, index: int) -> str:
        """The orders that have plugs of the pool, the nearest days first."""
        orders = self._facts.problem.order_of
        users = [
            (abs(day - index), key)
            for key, day in self._ships.items()
            if key != each.key and any(line.pool == pool for line in orders[key].lines)
        ]
        names = [
            f"{self._facts.waiting[key].reference} ({self._facts.day(self._ships[key])})"
            for _, key in sorted(users)[:_NAMED]
        ]
        more = f" and {len(users) - _NAMED} more" if len(users) > _NAMED else ""
        return f": they are promised to {', '.join(names)}{more}" if names else ""
