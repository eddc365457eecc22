"""What is each of these requests answered, when many are done in one transaction?

Locks are taken for the whole group at once: pools in id order, then ship days in date order. What
the books judge (`group_books`) is written in bulk; everything else runs in a savepoint of its own,
so that a refusal undoes nothing but itself. Answers are stored under their keys in the same
transaction; a refusal for which other days are still to be looked for is stored by the next one
(`group_commit.answered`).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass, field, replace
from datetime import date, timedelta
from typing import Any, TypeAlias

import orjson
from sqlalchemy import update
from sqlalchemy.exc import SQLAlchemyError
from sqlalchemy.orm import selectinload
from sqlmodel import Session, col, select

from nursery.database import now
from nursery.errors import Refusal, Refused
from nursery.order import EventKind, Promise, PromiseLine, State
from nursery.promising.basket import Basket
from nursery.promising.bulk_rows import Event, table, told_days, write_events
from nursery.promising.group_books import Books, Granted, Wish
from nursery.promising.group_rows import ReservedRows
from nursery.promising.group_sql import (
    WRITTEN,
    Locked,
    first_look,
    lock_all,
    moment_text,
    write_rows,
)
from nursery.promising.idempotent import Answer, as_json, digest_of_body, key_reused
from nursery.promising.promise import confirm, reserve
from nursery.promising.promise_rows import NotThatDay, has_lapsed
from nursery.promising.told import Told, told

Outcome: TypeAlias = Answer | Exception
"""An answer to give, or what to raise: `Refused` for a key used twice, or what went wrong.

`NotThatDay` is a refusal that is not stored yet: what can be had instead is still to be found.
"""


def as_it_stands(promise: Told) -> object:
    """The promise itself: orjson writes it."""
    return promise


@dataclass(frozen=True)
class Request:
    """One change that a shop asks for, under the key that names it.

    `act` does it by the ordinary service. `codes` (products), `promise_id` and `days` say which
    pools and ship days it may touch, so that they are locked beforehand. `wish` and `confirms`
    are set for what can be done in bulk. `say` makes the answer: a mapping or a dataclass that
    orjson can write. `refusal` says that it has been refused, which is only to be stored.
    """

    token_id: int
    key: str
    body: Mapping[str, Any]
    act: Callable[[Session], Promise]
    actor: str = ""
    codes: tuple[str, ...] = ()
    promise_id: int | None = None
    days: tuple[date, ...] = ()
    wish: Wish | None = None
    confirms: bool = False
    say: Callable[[Told], object] = as_it_stands
    refusal: Refusal | None = None
    digest: str = field(init=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "digest", digest_of_body(self.body))

    @property
    def name(self) -> tuple[int, str]:
        """Which key of which token is it?"""
        return self.token_id, self.key

    def alone(self, session: Session) -> object:
        """Do it by the ordinary service, and say how the promise stands then."""
        return self.say(told(self.act(session), now(session)))


def reserving(token_id: int, key: str, body: Mapping[str, Any], wish: Wish, **more: Any) -> Request:
    """Which request reserves this?"""

    def act(session: Session) -> Promise:
        return reserve(
            session,
            wish.reference,
            wish.basket,
            wish.destination,
            wish.ship_on,
            wish.service,
            wish.actor,
            wish.window,
            wish.consent,
            wish.label_reference,
        )

    days = (wish.ship_on,)
    return Request(
        token_id, key, body, act, wish.actor, codes=wish.codes, days=days, wish=wish, **more
    )


def confirming(
    token_id: int, key: str, body: Mapping[str, Any], promise_id: int, actor: str, **more: Any
) -> Request:
    """Which request confirms this reservation?"""

    def act(session: Session) -> Promise:
        return confirm(session, promise_id, actor)

    return Request(token_id, key, body, act, actor, promise_id=promise_id, confirms=True, **more)


def changing(
    token_id: int,
    key: str,
    body: Mapping[str, Any],
    promise_id: int,
    act: Callable[[Session], Promise],
    basket: Basket | None = None,
    ship_on: date | None = None,
    **more: Any,
) -> Request:
    """Which request changes a promise by this service: other plants, another day, or none?"""
    codes = tuple(line.code for line in basket.lines) if basket is not None else ()
    days = () if ship_on is None else (ship_on,)
    return Request(token_id, key, body, act, "", codes, promise_id, days, **more)


def answer_all(session: Session, books: Books, requests: Sequence[Request]) -> list[Outcome]:
    """What is each of these answered? In their order; nothing is sure before the commit.

    Raises what the database raises: then none of them was done.
    """
    group = _Group(session, books)
    first: dict[tuple[int, str], Request] = {}
    for request in requests:
        first.setdefault(request.name, request)
    group.look_up(list(first.values()))
    group.do([request for name, request in first.items() if name not in group.known])
    group.keep(list(first.values()))
    return [group.answer(request) for request in requests]


class _Group:
    """The requests of one transaction on their way to their answers."""

    def __init__(self, session: Session, books: Books) -> None:
        self.session, self.books = session, books
        self.known: dict[tuple[int, str], tuple[str, str]] = {}
        self.made: dict[tuple[int, str], object] = {}
        self.later: dict[tuple[int, str], NotThatDay] = {}
        self.rows: dict[str, list[tuple[Any, ...]]] = {name: [] for name in WRITTEN}

    def look_up(self, requests: Sequence[Request]) -> None:
        """Which of these were answered before, and what time is it?"""
        wished = [request.wish.reference for request in requests if request.wish is not None]
        self.look = first_look(self.session, [request.name for request in requests], wished)
        self.known = dict(self.look.known)
        self.moment, self.facts = self.look.moment, self.books.renew(self.session, self.look.moment)

    def do(self, requests: Sequence[Request]) -> None:
        """Answer the new ones: changes first, then what can be done in bulk, then the rest."""
        for request in requests:
            if request.refusal is not None:
                self.made[request.name] = {"refusal": asdict(request.refusal)}
        requests = [request for request in requests if request.refusal is None]
        if not requests:
            return
        self._lock(requests)
        wishes = [r for r in requests if r.wish is not None]
        confirms = [r for r in requests if r.confirms]
        if self._one_by_one([r for r in requests if r.wish is None and not r.confirms]):
            self.books.forget_what_is_left()
            if wishes:
                self._look_again(wishes)
        left = [*self._confirm(confirms), *self._reserve(wishes)]
        if left:
            # What is done one by one may give out ids of its own, and must see what was promised
            # before it: a late confirm as well as a reservation.
            write_rows(self.session, self.rows)
            self.rows = {name: [] for name in WRITTEN}
        if self._one_by_one(left):
            self.books.forget_what_is_left()

    def keep(self, requests: Sequence[Request]) -> None:
        """Store what was answered, a refusal too, under its key."""
        at = moment_text(self.session.connection(), self.moment.at)
        rows = []
        for request in requests:
            answer = self.made.get(request.name)
            if answer is not None and not isinstance(answer, Exception):
                said = as_json(answer)
                self.known[request.name] = (request.digest, said)
                rows.append((request.token_id, request.key, request.digest, said, at))
        self.rows["idempotency_key"] += rows
        write_rows(self.session, self.rows)

    def answer(self, request: Request) -> Outcome:
        """What is this one told: as it will be read back whenever it is sent again."""
        if request.name not in self.known:
            outcome = self.made.get(request.name) or self.later[request.name]
            assert isinstance(outcome, Exception)
            return outcome
        digest, said = self.known[request.name]
        if digest != request.digest:
            return Refused(key_reused(request.key))
        answer: Answer = orjson.loads(said)
        return answer

    def _lock(self, requests: Sequence[Request]) -> None:
        pools, days = _reach(self.session, [r.promise_id for r in requests if r.promise_id])
        pools |= self.books.pools_of({code for r in requests for code in r.codes})
        days = days.union(*(r.days for r in requests))
        self.locked = lock_all(self.session, pools, days, self.look.moment)
        self._hold(self.locked)

    def _hold(self, locked: Locked) -> None:
        """It may have waited for its locks: the moment that counts is the one since."""
        self.moment = locked.moment
        self.facts = self.books.renew(self.session, locked.moment)
        self.books.under_locks(locked)

    def _look_again(self, wishes: Sequence[Request]) -> None:
        """Something was changed one by one: there may be other orders, and other ids."""
        references = [request.wish.reference for request in wishes if request.wish is not None]
        self.look = first_look(self.session, (), references)
        self._hold(replace(self.locked, moment=self.look.moment))

    def _one_by_one(self, requests: Sequence[Request]) -> bool:
        """Do each in a savepoint of its own. Was anything written?"""
        written = False
        for request in requests:
            try:
                with self.session.begin_nested():
                    self.made[request.name] = request.alone(self.session)
                written = True
            except Refused as refused:
                self._refuse(request, refused)
            except SQLAlchemyError:
                raise  # the database's own trouble is everybody's
            except Exception as wrong:
                self.made[request.name] = wrong
        return written

    def _refuse(self, request: Request, refused: Refused) -> None:
        if isinstance(refused, NotThatDay):
            self.later[request.name] = refused
        else:
            self.made[request.name] = {"refusal": asdict(refused.refusal)}

    def _reserve(self, requests: Sequence[Request]) -> list[Request]:
        """Grant and refuse what the books are sure of. The others are handed back."""
        if not requests:
            return []
        wishes = [request.wish for request in requests if request.wish is not None]
        until = self.moment.at + timedelta(minutes=self.facts.site.reservation_minutes)
        granted = self.books.grant(self.session, wishes, self.look.orders, until)
        writer = ReservedRows(self.session.connection(), self.moment.at, until, self.rows)
        left = []
        ids = zip(self.look.promise_ids, self.look.order_ids, strict=True)
        for request, yes in zip(requests, granted, strict=True):
            if isinstance(yes, Granted):
                self.made[request.name] = request.say(writer.put(yes, *next(ids)))
            elif yes is None:
                left.append(request)
            else:
                self._refuse(request, yes)
        return left

    def _confirm(self, requests: Sequence[Request]) -> list[Request]:
        """Confirm the reservations that still hold. The others are handed back."""
        found = _promises(self.session, [r.promise_id for r in requests if r.promise_id])
        sure: dict[int, Request] = {}
        for request in requests:
            row = found.get(request.promise_id or 0)
            holds = row is not None and row.state == State.RESERVED
            if (
                row is not None
                and holds
                and not has_lapsed(row, self.moment.at)
                and row.id not in sure
            ):
                sure[row.id or 0] = request
        if sure:
            self._write_confirmed(sure, found)
        rest = {request.name for request in sure.values()}
        return [request for request in requests if request.name not in rest]

    def _write_confirmed(self, sure: Mapping[int, Request], found: Mapping[int, Promise]) -> None:
        promises = table("promise")
        self.session.connection().execute(
            update(promises)
            .where(promises.c.id.in_(list(sure)))
            .values(state=State.CONFIRMED, reserved_until=None)
        )
        events = []
        for key, request in sure.items():
            row = found[key]
            days = told_days(row.ship_on, row.arrives_from, row.arrives_until)
            detail = {"late": False, **days}
            events.append(Event(key, EventKind.CONFIRMED, request.actor, detail))
            # The row was written apart from the session, which would else write it again.
            self.session.expunge(row)
            row.state, row.reserved_until = State.CONFIRMED, None
            self.made[request.name] = request.say(told(row, self.moment.at))
        write_events(self.session, events, self.moment.at)


def _reach(session: Session, promises: Sequence[int]) -> tuple[set[int], set[date]]:
    """Which pools and ship days do these promises hold?"""
    if not promises:
        return set(), set()
    pools = select(PromiseLine.pool_id).where(col(PromiseLine.promise_id).in_(promises))
    days = select(col(Promise.ship_on)).where(col(Promise.id).in_(promises))
    return set(session.exec(pools)), set(session.exec(days))


def _promises(session: Session, ids: Sequence[int]) -> dict[int, Promise]:
    if not ids:
        return {}
    rows = session.exec(
        select(Promise)
        .where(col(Promise.id).in_(ids))
        .options(
            selectinload(Promise.order),  # type: ignore[arg-type]
            selectinload(Promise.service),  # type: ignore[arg-type]
            selectinload(Promise.lines).selectinload(PromiseLine.product),  # type: ignore[arg-type]
        ),
        execution_options={"populate_existing": True},
    )
    return {row.id: row for row in rows if row.id is not None}
