"""What is each of these requests answered, when many are done in one transaction?

Locks are taken for the whole group at once: pools in id order, then ship days in date order. What
the books are sure of is written in bulk; everything else runs in a savepoint of its own, so that a
refusal undoes nothing but itself. Answers are stored under their keys in the same transaction.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass, field
from datetime import date, datetime, timedelta
from typing import Any, TypeAlias

import orjson
from sqlalchemy import select as sql_select
from sqlalchemy import tuple_, update
from sqlalchemy.dialects.sqlite import insert as sqlite_insert
from sqlalchemy.exc import SQLAlchemyError
from sqlalchemy.orm import selectinload
from sqlmodel import Session, col, select

from nursery.database import now
from nursery.errors import Refused
from nursery.locks import lock_pools, lock_ship_days
from nursery.order import EventKind, Promise, PromiseLine, State
from nursery.promising.basket import Basket
from nursery.promising.bulk_rows import (
    Event,
    NewPromise,
    Values,
    next_ids,
    put_in,
    table,
    told_days,
    write_events,
    write_promises,
)
from nursery.promising.group_books import Books, Granted, Wish
from nursery.promising.idempotent import Answer, as_json, digest_of_body, key_reused
from nursery.promising.promise import confirm, reserve
from nursery.promising.promise_rows import has_lapsed
from nursery.promising.told import Told, ToldLine, told

Outcome: TypeAlias = Answer | Exception
"""An answer to give, or what to raise: `Refused` for a key used twice, or what went wrong."""


def as_it_stands(promise: Told) -> object:
    """The promise itself: orjson writes it."""
    return promise


@dataclass(frozen=True)
class Request:
    """One change that a shop asks for, under the key that names it.

    `act` does it by the ordinary service. `codes` (products), `promise_id` and `days` say which
    pools and ship days it may touch, so that they are locked beforehand. `wish` and `confirms`
    are set for what can be done in bulk. `say` makes the answer: a mapping
    or a dataclass that orjson can write.
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
        self.known: dict[tuple[int, str], tuple[str, Any]] = {}
        self.made: dict[tuple[int, str], object] = {}
        self.at = now(session)
        self.here = books.renew(session, self.at)

    def look_up(self, requests: Sequence[Request]) -> None:
        """Which of these were answered before?"""
        names = [request.name for request in requests]
        keys = table("idempotency_key").c
        asked = sql_select(keys.token_id, keys.key, keys.digest, keys.answer)
        asked = asked.where(tuple_(keys.token_id, keys.key).in_(names))
        rows = self.session.connection().execute(asked)
        self.known = {(token, key): (digest, said) for token, key, digest, said in rows}

    def do(self, requests: Sequence[Request]) -> None:
        """Answer the new ones: changes first, then what can be done in bulk, then the rest."""
        if not requests:
            return
        self._lock(requests)
        wishes = [r for r in requests if r.wish is not None]
        confirms = [r for r in requests if r.confirms]
        done = self._one_by_one([r for r in requests if r.wish is None and not r.confirms])
        if done:
            self._read_again()
        left = [*self._confirm(confirms), *self._reserve(wishes)]
        if self._one_by_one(left):
            self.books.forget()

    def keep(self, requests: Sequence[Request]) -> None:
        """Store what was answered, a refusal too, under its key."""
        rows: list[Values] = []
        for request in requests:
            answer = self.made.get(request.name)
            if answer is not None and not isinstance(answer, Exception):
                said = as_json(answer)
                self.known[request.name] = (request.digest, said)
                rows.append(_key_row(request, said, self.at))
        put_in(self.session, "idempotency_key", rows)

    def answer(self, request: Request) -> Outcome:
        """What is this one told: as it will be read back whenever it is sent again."""
        if request.name not in self.known:
            outcome = self.made[request.name]
            assert isinstance(outcome, Exception)
            return outcome
        digest, said = self.known[request.name]
        if digest != request.digest:
            return Refused(key_reused(request.key))
        answer: Answer = orjson.loads(said)
        return answer

    def _lock(self, requests: Sequence[Request]) -> None:
        pools, days = _reach(self.session, [r.promise_id for r in requests if r.promise_id])
        pools |= self.books.pools_of(self.session, {code for r in requests for code in r.codes})
        days = days.union(*(r.days for r in requests))
        if self.session.get_bind().dialect.name == "sqlite":
            _raise_versions(self.session, pools, days)  # BEGIN IMMEDIATE is the lock
            return
        lock_pools(self.session, pools)
        lock_ship_days(self.session, days)
        self.at = now(self.session)  # it may have waited

    def _read_again(self) -> None:
        self.books.forget()
        self.here = self.books.renew(self.session, self.at)

    def _one_by_one(self, requests: Sequence[Request]) -> bool:
        """Do each in a savepoint of its own. Was anything written?"""
        written = False
        for request in requests:
            try:
                with self.session.begin_nested():
                    self.made[request.name] = request.alone(self.session)
                written = True
            except Refused as refused:
                self.made[request.name] = {"refusal": asdict(refused.refusal)}
            except SQLAlchemyError:
                raise  # the database's own trouble is everybody's
            except Exception as wrong:
                self.made[request.name] = wrong
        return written

    def _reserve(self, requests: Sequence[Request]) -> list[Request]:
        """Write what the books are sure of. The others are handed back."""
        wishes = [(r, r.wish) for r in requests if r.wish is not None]
        granted = self.books.grant(self.session, [wish for _, wish in wishes])
        pairs = [(r, yes) for (r, _), yes in zip(wishes, granted, strict=True) if yes is not None]
        until = self.at + timedelta(minutes=self.here.reservation_minutes)
        orders = _write_orders(self.session, [yes for _, yes in pairs], self.at)
        new = [
            NewPromise(order, yes.way, yes.parcel, until, yes.wish.actor)
            for order, (_, yes) in zip(orders, pairs, strict=True)
        ]
        for key, (request, yes) in zip(
            write_promises(self.session, new, self.at), pairs, strict=True
        ):
            self.made[request.name] = request.say(_told_of(key, yes, until))
        return [r for (r, _), yes in zip(wishes, granted, strict=True) if yes is None]

    def _confirm(self, requests: Sequence[Request]) -> list[Request]:
        """Confirm the reservations that still hold. The others are handed back."""
        found = _promises(self.session, [r.promise_id for r in requests if r.promise_id])
        sure: dict[int, Request] = {}
        for request in requests:
            row = found.get(request.promise_id or 0)
            holds = row is not None and row.state == State.RESERVED
            if row is not None and holds and not has_lapsed(row, self.at) and row.id not in sure:
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
            self.made[request.name] = request.say(told(row, self.at))
        write_events(self.session, events, self.at)


def _raise_versions(session: Session, pools: set[int], days: set[date]) -> None:
    """As `lock_pools` and `lock_ship_days` where this transaction is the only writer."""
    connection = session.connection()
    pool, ship_day = table("pool"), table("ship_day")
    missing = [{"day": day, "minutes": None, "version": 0} for day in sorted(days)]
    if missing:
        connection.execute(sqlite_insert(ship_day).on_conflict_do_nothing(), missing)
    for one, column, keys in ((pool, pool.c.id, pools), (ship_day, ship_day.c.day, days)):
        raised = update(one).where(column.in_(sorted(keys))).values(version=one.c.version + 1)
        connection.execute(raised)


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


def _write_orders(session: Session, granted: Sequence[Granted], at: datetime) -> list[int]:
    """Write the orders of these wishes with their lines. Their ids, in order."""
    ids = next_ids(session, "customer_order", len(granted))
    each = list(zip(ids, granted, strict=True))
    put_in(session, "customer_order", [_order(key, yes, at) for key, yes in each])
    lines = [
        {"order_id": key, "product_id": product, "quantity": quantity}
        for key, yes in each
        for product, quantity in yes.parcel.quantities.items()
    ]
    put_in(session, "order_line", lines)
    return ids


def _order(key: int, granted: Granted, at: datetime) -> Values:
    wish = granted.wish
    return {
        "id": key,
        "reference": wish.reference,
        "placed_at": at,
        "country": wish.destination.country.strip().upper(),
        "postcode": wish.destination.postcode.strip(),
        "zone_id": granted.zone_id,
        "not_before": wish.window.not_before,
        "not_after": wish.window.not_after,
        "may_split": wish.consent.may_split,
        "may_substitute": wish.consent.may_substitute,
        "weight": 1,
        "label_reference": wish.label_reference,
    }


def _told_of(key: int, granted: Granted, until: datetime) -> Told:
    wish, way = granted.wish, granted.way
    return Told(
        id=key,
        reference=wish.reference,
        state=State.RESERVED,
        ship_on=way.leg.ship_on,
        first_ship_on=way.leg.ship_on,
        pack_on=way.leg.pack_on,
        arrives_from=way.arrives_from,
        arrives_until=way.arrives_until,
        probability=way.probability,
        service=way.lane.service,
        country=wish.destination.country.strip().upper(),
        postcode=wish.destination.postcode.strip(),
        reserved_until=until,
        tracking="",
        repack_by=None,
        lines=tuple(
            ToldLine(item.code, item.quantity, item.plugs, 0, item.product_id)
            for item in granted.parcel.items
        ),
    )


def _key_row(request: Request, answer: str, at: datetime) -> Values:
    return {
        "token_id": request.token_id,
        "key": request.key,
        "digest": request.digest,
        "answer": answer,
        "at": at,
    }
