"""What does the one writer ask of the database, and what does it write, in plain SQL?

A group of requests is paid for in statements, not in requests: one to look at everything first,
two to lock, one a table to write (PostgreSQL: one for all tables, so that a lock is held for one
trip over the network and no more). Values go as lists of tuples on SQLite and as one JSON text on
PostgreSQL; the columns' types come from the tables themselves.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from functools import lru_cache
from typing import Any

import orjson
from sqlalchemy import Connection, types
from sqlmodel import Session

from nursery.promising.bulk_rows import table
from nursery.promising.facts import Moment

WRITTEN: Mapping[str, tuple[str, ...]] = {
    "customer_order": (
        *("id", "reference", "placed_at", "country", "postcode", "zone_id", "not_before"),
        *("not_after", "may_split", "may_substitute", "weight", "label_reference"),
    ),
    "order_line": ("order_id", "product_id", "quantity"),
    "promise": (
        *("id", "order_id", "service_id", "state", "ship_on", "first_ship_on", "pack_on"),
        *("arrives_from", "arrives_until", "probability", "reserved_until", "minutes", "tracking"),
    ),
    "promise_line": ("promise_id", "product_id", "pool_id", "quantity", "plugs", "picked"),
    "promise_event": ("promise_id", "kind", "at", "actor", "detail"),
    "idempotency_key": ("token_id", "key", "digest", "answer", "at"),
}
"""The columns of each table that are written, in the order in which their rows must be."""

Rows = Mapping[str, Sequence[tuple[Any, ...]]]
"""Rows to write, by table: values as JSON has them, days and moments as text."""

_STAMPS = "(SELECT count(*) FROM fact_stamp), (SELECT coalesce(sum(stamp), 0) FROM fact_stamp)"
_SHIFT = "coalesce((SELECT clock_shift_seconds FROM site), 0)"
_LOOK_SQLITE = f"""
SELECT strftime('%Y-%m-%d %H:%M:%f', 'now'), {_SHIFT}, {_STAMPS},
  (SELECT coalesce(max(id), 0) FROM promise), (SELECT coalesce(max(id), 0) FROM customer_order),
  (SELECT json_group_array(json_array(k.token_id, k.key, k.digest, k.answer))
   FROM json_each(?) AS asked CROSS JOIN idempotency_key AS k
   ON k.token_id = json_extract(asked.value, '$[0]')
   AND k.key = json_extract(asked.value, '$[1]')),
  (SELECT json_group_array(o.reference)
   FROM json_each(?) AS asked CROSS JOIN customer_order AS o ON o.reference = asked.value)
"""
_LOOK_POSTGRES = f"""
SELECT clock_timestamp(), {_SHIFT}, {_STAMPS},
  ARRAY(SELECT nextval(pg_get_serial_sequence('promise', 'id')) FROM generate_series(1, %s)),
  ARRAY(SELECT nextval(pg_get_serial_sequence('customer_order', 'id'))
   FROM generate_series(1, %s)),
  (SELECT coalesce(json_agg(json_build_array(k.token_id, k.key, k.digest, k.answer)), '[]')::text
   FROM jsonb_array_elements(%s::jsonb) AS asked JOIN idempotency_key AS k
   ON k.token_id = (asked ->> 0)::int AND k.key = asked ->> 1),
  (SELECT coalesce(json_agg(o.reference), '[]')::text
   FROM jsonb_array_elements_text(%s::jsonb) AS asked JOIN customer_order AS o
   ON o.reference = asked)
"""
_POOLS_SQLITE = """
UPDATE pool SET version = version + 1 WHERE id IN (SELECT value FROM json_each(?))
RETURNING id, version
"""
_POOLS_POSTGRES = """
WITH locked AS MATERIALIZED (
  SELECT id FROM pool WHERE id = ANY(%s::int[]) ORDER BY id FOR UPDATE)
UPDATE pool SET version = version + 1 FROM locked WHERE pool.id = locked.id
RETURNING pool.id, pool.version
"""
# Where "true" stands, SQLite would else take ON for the condition of a join.
_DAYS_SQLITE = """
INSERT INTO ship_day (day, version) SELECT value, 1 FROM json_each(?) WHERE true
ON CONFLICT (day) DO UPDATE SET version = version + 1 RETURNING day, version
"""
_DAYS_POSTGRES = f"""
INSERT INTO ship_day (day, version)
SELECT day, 1 FROM unnest(%s::date[]) WITH ORDINALITY AS asked (day, place) ORDER BY place
ON CONFLICT (day) DO UPDATE SET version = ship_day.version + 1
RETURNING day, version, clock_timestamp(), {_SHIFT}, {_STAMPS}
"""


@dataclass(frozen=True, slots=True)
class Look:
    """What the writer sees first of all: the moment, ids for new rows, what is there already.

    `known` is (token, key): (digest, answer) of keys that were answered, `orders` the references
    that have an order. The moment's `days` is not read.
    """

    moment: Moment
    promise_ids: Sequence[int]
    order_ids: Sequence[int]
    known: Mapping[tuple[int, str], tuple[str, str]]
    orders: frozenset[str]


@dataclass(frozen=True, slots=True)
class Locked:
    """The versions as they have been raised, and the moment at which all locks were held."""

    pools: Mapping[int, int]
    days: Mapping[date, int]
    moment: Moment


def first_look(
    session: Session, names: Iterable[tuple[int, str]], references: Sequence[str]
) -> Look:
    """What is to be known before a group is done? One statement.

    `names` are (token, key) of the requests, `references` those of orders that shall be made: as
    many ids of each kind are handed out, and nobody else is given them.
    """
    connection, count = session.connection(), len(references)
    keys, asked = orjson.dumps(list(names)).decode(), orjson.dumps(references).decode()
    if connection.dialect.name == "sqlite":
        found = connection.exec_driver_sql(_LOOK_SQLITE, (keys, asked)).one()
        at, shift, stamps, total, promise, order, known, orders = found
        # This transaction alone may write: the next ids are its own.
        promises: Sequence[int] = range(promise + 1, promise + 1 + count)
        made: Sequence[int] = range(order + 1, order + 1 + count)
    else:
        found = connection.exec_driver_sql(_LOOK_POSTGRES, (count, count, keys, asked)).one()
        at, shift, stamps, total, promise, order, known, orders = found
        promises, made = sorted(promise), sorted(order)
    return Look(
        _moment(at, shift, stamps, total),
        promises,
        made,
        {(token, key): (digest, said) for token, key, digest, said in orjson.loads(known)},
        frozenset(orjson.loads(orders)),
    )


def lock_all(
    session: Session, pools: Iterable[int], days: Iterable[date], moment: Moment
) -> Locked:
    """As `lock_pools` and `lock_ship_days`, in one statement each; the moment is read again.

    On SQLite the transaction is the lock, so that the moment it began with still stands.
    """
    connection = session.connection()
    some, dates = sorted(set(pools)), sorted(set(days))
    if connection.dialect.name == "sqlite":
        raised = connection.exec_driver_sql(_POOLS_SQLITE, (orjson.dumps(some).decode(),)).all()
        rows = connection.exec_driver_sql(_DAYS_SQLITE, (orjson.dumps(dates).decode(),)).all()
        listed = {date.fromisoformat(day): version for day, version in rows}
        return Locked(dict(map(tuple, raised)), listed, moment)
    raised = connection.exec_driver_sql(_POOLS_POSTGRES, (some,)).all() if some else []
    if not dates:
        return Locked(dict(map(tuple, raised)), {}, first_look(session, (), ()).moment)
    rows = connection.exec_driver_sql(_DAYS_POSTGRES, (dates,)).all()
    at = max(row[2] for row in rows)
    moment = _moment(at, *rows[0][3:])
    return Locked(dict(map(tuple, raised)), {row[0]: row[1] for row in rows}, moment)


def write_rows(session: Session, rows: Rows) -> None:
    """Write all these rows, tables in the order of `WRITTEN`."""
    connection = session.connection()
    given = {name: rows[name] for name in WRITTEN if rows.get(name)}
    if not given:
        return
    if connection.dialect.name == "sqlite":
        for name, some in given.items():
            connection.exec_driver_sql(_insert(name), list(some))
        return
    sent = tuple(orjson.dumps(some).decode() for some in given.values())
    connection.exec_driver_sql(_insert_all(tuple(given)), sent)


def moment_text(connection: Connection, at: datetime) -> str:
    """How is a moment written in this database's plain SQL?"""
    text = f"{at.astimezone(UTC):%Y-%m-%d %H:%M:%S.%f}"
    return text if connection.dialect.name == "sqlite" else f"{text}+00"


def _moment(raw: Any, shift: int, stamps: int, total: Any) -> Moment:
    text = isinstance(raw, str)
    at = datetime.fromisoformat(raw).replace(tzinfo=UTC) if text else raw.astimezone(UTC)
    return Moment(at + timedelta(seconds=int(shift)), (stamps, int(total)), 0)


@lru_cache(maxsize=16)
def _insert(name: str) -> str:
    columns = WRITTEN[name]
    marks = ", ".join("?" * len(columns))
    return f"INSERT INTO {name} ({', '.join(columns)}) VALUES ({marks})"


@lru_cache(maxsize=64)
def _insert_all(names: tuple[str, ...]) -> str:
    """One statement for these tables. Foreign keys are checked when it ends."""
    each = [_insert_json(name) for name in names]
    before = ", ".join(f"{name}_rows AS ({one})" for name, one in zip(names, each, strict=True))
    return f"WITH {before} SELECT 1"


def _insert_json(name: str) -> str:
    columns = WRITTEN[name]
    values = [f"(r ->> {i})::{_cast(name, column)}" for i, column in enumerate(columns)]
    return (
        f"INSERT INTO {name} ({', '.join(columns)}) SELECT {', '.join(values)}"
        " FROM jsonb_array_elements(%s::jsonb) WITH ORDINALITY AS each (r, place) ORDER BY place"
    )


def _cast(name: str, column: str) -> str:
    kind = table(name).c[column].type
    if isinstance(kind, types.TypeDecorator):
        kind = kind.impl_instance
    for known, cast in _CASTS:
        if isinstance(kind, known):
            return cast
    raise TypeError(f"{name}.{column}: no cast is known for {kind!r}")


_CASTS: tuple[tuple[type[types.TypeEngine[Any]], str], ...] = (
    (types.BigInteger, "bigint"),
    (types.Integer, "int"),
    (types.Boolean, "boolean"),
    (types.Float, "float8"),
    (types.DateTime, "timestamptz"),
    (types.Date, "date"),
    (types.JSON, "json"),
    (types.String, "text"),
)
