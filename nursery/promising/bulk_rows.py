"""Which rows say that many parcels are promised? Written a table at a time, under locks held.

One promise alone is written through its row classes (`promising.promise_rows`); hundreds at once
go to the database as lists of values, which holds the locks for a fraction of the time. What is
written is the same, events included.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime
from typing import Any

from sqlalchemy import Table, bindparam, func, insert, select, text, update
from sqlmodel import Session, SQLModel

from nursery.order import EventKind, State
from nursery.promising.basket import Parcel
from nursery.promising.ship_days import Way

Values = dict[str, Any]


@dataclass(frozen=True, slots=True)
class NewPromise:
    """A parcel of an order that is promised this way: reserved `until`, else confirmed.

    It takes so many `minutes` to pack; `said` is told with it.
    """

    order_id: int
    way: Way
    parcel: Parcel
    until: datetime | None
    actor: str
    minutes: int
    said: Mapping[str, object] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Move:
    """A promise (its id) that is given this way, on which it takes so many minutes to pack."""

    promise_id: int
    way: Way
    minutes: int


@dataclass(frozen=True, slots=True)
class Event:
    """What happened to a promise, to be told."""

    promise_id: int
    kind: EventKind
    actor: str
    detail: Mapping[str, object]


def table(name: str) -> Table:
    """Which table has this name?"""
    return SQLModel.metadata.tables[name]


def put_in(session: Session, name: str, rows: Sequence[Values]) -> None:
    """Write these rows of one table; every column without a default must be given."""
    if rows:
        session.connection().execute(insert(table(name)), rows)


def next_ids(session: Session, name: str, count: int) -> list[int]:
    """Which ids may this many new rows of a table have? Nobody else will be given them.

    SQLite: the next ones, since this transaction alone may write. PostgreSQL: from the table's
    own sequence.
    """
    if not count:
        return []
    if session.get_bind().dialect.name == "sqlite":
        ids = table(name).c.id
        last = session.connection().execute(select(func.coalesce(func.max(ids), 0))).scalar_one()
        return list(range(last + 1, last + 1 + count))
    ask = text(
        "SELECT nextval(pg_get_serial_sequence(:name, 'id')) FROM generate_series(1, :count)"
    )
    rows = session.connection().execute(ask, {"name": name, "count": count})
    return sorted(int(each) for each in rows.scalars())


def write_promises(session: Session, made: Sequence[NewPromise], at: datetime) -> list[int]:
    """Write these promises with their lines and what is told of them. Their ids, in order."""
    ids = next_ids(session, "promise", len(made))
    each = list(zip(ids, made, strict=True))
    put_in(session, "promise", [_promise(key, new) for key, new in each])
    put_in(session, "promise_line", [line for key, new in each for line in _lines(key, new)])
    write_events(session, [_event(key, new) for key, new in each], at)
    return ids


def write_events(session: Session, events: Iterable[Event], at: datetime) -> None:
    """Write what happened to promises, in this order."""
    rows = [
        {
            "promise_id": event.promise_id,
            "kind": event.kind,
            "at": at,
            "actor": event.actor,
            "detail": dict(event.detail),
            "told_at": None,
        }
        for event in events
    ]
    put_in(session, "promise_event", rows)


def move_promises(session: Session, moves: Sequence[Move]) -> None:
    """Give these promises the day, service and arrival of their ways, and their minutes."""
    if not moves:
        return
    promises = table("promise")
    session.connection().execute(
        update(promises).where(promises.c.id == bindparam("key")),
        [{"key": one.promise_id, "minutes": one.minutes, **_days_of(one.way)} for one in moves],
    )


def told_of_way(way: Way) -> dict[str, object]:
    """What does the shop have to know of a promise's day? As JSON."""
    return told_days(way.leg.ship_on, way.arrives_from, way.arrives_until)


def told_days(ship_on: date, arrives_from: date, arrives_until: date) -> dict[str, object]:
    """What does the shop have to know of these days? As JSON."""
    return {
        "ship_on": ship_on.isoformat(),
        "arrives_from": arrives_from.isoformat(),
        "arrives_until": arrives_until.isoformat(),
    }


def _promise(key: int, new: NewPromise) -> Values:
    return {
        "id": key,
        "order_id": new.order_id,
        "state": State.CONFIRMED if new.until is None else State.RESERVED,
        "first_ship_on": new.way.leg.ship_on,
        "reserved_until": new.until,
        "minutes": new.minutes,
        "tracking": "",
        "repack_by": None,
        **_days_of(new.way),
    }


def _days_of(way: Way) -> Values:
    return {
        "service_id": way.lane.service_id,
        "ship_on": way.leg.ship_on,
        "pack_on": way.leg.pack_on,
        "arrives_from": way.arrives_from,
        "arrives_until": way.arrives_until,
        "probability": way.probability,
    }


def _lines(key: int, new: NewPromise) -> list[Values]:
    return [
        {
            "promise_id": key,
            "product_id": item.product_id,
            "pool_id": item.pool_id,
            "quantity": item.quantity,
            "plugs": item.plugs,
            "picked": 0,
            "bought_in": item.bought_in,
            "instead_of_id": item.instead_of,
        }
        for item in new.parcel.items
    ]


def _event(key: int, new: NewPromise) -> Event:
    days = told_of_way(new.way)
    if new.until is None:
        return Event(key, EventKind.CONFIRMED, new.actor, {"late": False, **days, **new.said})
    return Event(key, EventKind.RESERVED, new.actor, {"until": new.until.isoformat(), **days})
