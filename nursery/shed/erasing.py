"""Which personal data are erased, when, and what is left for plant health?

Of an order that is over: the shop's reference, the postcode, the label reference, the tracking
references of its parcels, and a claim's words and photo; and every copy of them that this database
holds: the ledger's reasons, events (the outbox), kept answers and their keys, stored dispatches.
What stays is what a plant health inspection asks for: which lot gave how many plugs on which day to
a parcel to which country and zone. Which records must be kept, and for how long, differs: ask your
plant health authority. Here the ledger's rows cannot be deleted for three years, by nobody
(migration 0014).

Backups, exported workbooks and the shop's own books are not reached from here.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any

import sqlalchemy as sa
from sqlalchemy.orm import aliased, selectinload
from sqlmodel import Session, SQLModel, col, select

from nursery.access import IdempotencyKey
from nursery.columns import Kind
from nursery.database import now, site, today
from nursery.errors import Fault, Refusal, Refused
from nursery.order import ERASED, CustomerOrder, EventKind, Promise, PromiseEvent, State
from nursery.promising.promise_rows import OVER, has_lapsed
from nursery.reship import Reship
from nursery.shed.personal import Names

CAUTION = (
    "Plant health records must be kept (three years in the European Union and Great Britain): lot,"
    " day, plugs, country and zone stay. Ask your plant health authority what else must."
)
_LONGEST_DAYS = 36_500
_WORDS = frozenset(
    [
        "answer",
        "arguments",
        "before",
        "detail",
        "ended_reason",
        "last_answer",
        "left_out",
        "line",
        "made",
        "note",
        "plan",
        "problem",
        "put_back_reason",
        "reason",
        "refusal",
        "sign_off_note",
        "warning",
    ]
)
"""Columns in which somebody or something may have written a reference; the others are names and
codes of the nursery's own, which may look like one ("1075")."""
_GONE = (State.HANDED_OVER, State.DELIVERED, *OVER)


@dataclass(frozen=True, slots=True)
class Erasable:
    """An order that is over, the day on which it was, and how many parcels it had."""

    order_id: int
    reference: str
    over_on: date
    parcels: int


@dataclass(frozen=True, slots=True)
class Erased:
    """How many orders were erased, and how many copies of their data in other rows."""

    orders: int
    copies: int


def erasable(session: Session, older_than_days: int | None = None) -> list[Erasable]:
    """Which orders were over so many days ago (else the site's setting) and still have a name?

    None while the setting is 0. Orders that hang together by a reship are over together. Oldest
    first. Raises `Fault` for less than 1 day, or more than a hundred years.
    """
    days = site(session).erase_after_days if older_than_days is None else older_than_days
    if older_than_days is not None and not 1 <= days <= _LONGEST_DAYS:
        raise Fault("Erasing", f"older than 1 to {_LONGEST_DAYS} days", days, "give the days")
    if not days:
        return []
    until = today(session) - timedelta(days=days)
    rows = session.exec(
        select(CustomerOrder)
        .where(~col(CustomerOrder.reference).startswith(ERASED), col(CustomerOrder.promises).any())
        .where(
            ~col(CustomerOrder.promises).any(
                sa.or_(
                    col(Promise.arrives_until) > until,
                    col(Promise.state).not_in((*_GONE, State.RESERVED)),
                )
            )
        )
        .options(selectinload(CustomerOrder.promises))  # type: ignore[arg-type]
    ).all()
    over = {row.id or 0: _over_on(session, row) for row in rows}
    kin = _kin(session, over)
    found = [
        Erasable(row.id or 0, row.reference, over[row.id or 0] or until, len(row.promises))
        for row in rows
        if all((over.get(key) or date.max) <= until for key in kin.get(row.id or 0, {row.id or 0}))
    ]
    return sorted(found, key=lambda each: (each.over_on, each.order_id))


def erase_orders(session: Session, order_ids: Iterable[int]) -> Erased:
    """What was erased of these orders (ids)? They must be over; see `erasable`."""
    ids = sorted(set(order_ids))
    if not ids:
        return Erased(0, 0)
    _overwrite_freed_room(session)
    orders = session.exec(
        select(CustomerOrder)
        .where(col(CustomerOrder.id).in_(ids))
        .options(selectinload(CustomerOrder.promises))  # type: ignore[arg-type]
    ).all()
    names = Names(
        {order.reference: f"{ERASED}{order.id}" for order in orders},
        frozenset(promise.id or 0 for order in orders for promise in order.promises),
    )
    for order in orders:
        order.reference, order.postcode, order.label_reference = f"{ERASED}{order.id}", "", ""
        for promise in order.promises:
            promise.tracking = ""
    session.flush()
    copies = _events(session, names) + _answers(session, names)
    return Erased(len(orders), copies + _everywhere_else(session, names))


def erase_order(session: Session, reference: str) -> Erased:
    """What was erased of this one order, and of the reships that hang on it, on request?

    Raises Refused: `unknown_order`, `not_over` (something of it is still to be sent or picked).
    """
    row = session.exec(select(CustomerOrder).where(CustomerOrder.reference == reference)).first()
    if row is None:
        message = f"there is no order {reference}"
        raise Refused(Refusal("unknown_order", message, "reference", "check the reference"))
    key = row.id or 0
    together = _kin(session, {key: None}).get(key, {key})
    for each in session.exec(select(CustomerOrder).where(col(CustomerOrder.id).in_(together))):
        if _over_on(session, each) is None:
            message = f"order {each.reference} is not over: a parcel of it is still to leave"
            next = "erase it when it is delivered, or cancel it first"
            raise Refused(Refusal("not_over", message, "reference", next))
    return erase_orders(session, together)


def erase_daily(session: Session) -> Erased:
    """What was erased today, by the site's setting? Old refusals, which belong to no order, too."""
    days = site(session).erase_after_days
    if not days:
        return Erased(0, 0)
    found = erase_orders(session, [each.order_id for each in erasable(session)])
    return Erased(found.orders, found.copies + _old_refusals(session, days))


def _over_on(session: Session, order: CustomerOrder) -> date | None:
    """On which day was all of this order over? None while something of it is still to come."""
    at = now(session)
    over = [row.state in _GONE or has_lapsed(row, at) for row in order.promises]
    if not over or not all(over):
        return None
    return max(row.arrives_until for row in order.promises)


def _kin(session: Session, orders: Iterable[int]) -> dict[int, set[int]]:
    """Which orders hang together with each of these by reships? Itself among them."""
    first, again = aliased(Promise), aliased(Promise)
    pairs = session.exec(
        select(first.order_id, again.order_id)
        .join(Reship, col(Reship.first_promise_id) == first.id)
        .join(again, col(Reship.promise_id) == again.id)
    ).all()
    group: dict[int, set[int]] = {}
    for one, other in pairs:
        joined = group.get(one, {one}) | group.get(other, {other})
        for each in joined:
            group[each] = joined
    return {key: group[key] for key in orders if key in group}


def _overwrite_freed_room(session: Session) -> None:
    """On SQLite, what is freed keeps its bytes unless they are overwritten."""
    if session.get_bind().dialect.name == "sqlite":
        session.connection().exec_driver_sql("PRAGMA secure_delete = ON")


def _events(session: Session, names: Names) -> int:
    """Events of the orders' promises, and of reships that name them."""
    rows = session.exec(
        select(PromiseEvent).where(col(PromiseEvent.promise_id).in_(names.promises))
    ).all()
    for row in rows:
        said = names.blanked(row.detail)
        if row.kind is EventKind.CANCELLED:
            said["reason"] = ""
        row.detail = said
    session.flush()
    return len(rows)


def _answers(session: Session, names: Names) -> int:
    """Kept answers that name the promises, and the keys that have a reference in them."""
    changed = 0
    for row in session.exec(select(IdempotencyKey).execution_options(yield_per=500)):
        answer = names.in_answer(row.answer)
        if answer is not None:
            row.answer = answer
        if answer is not None or names.found_in(row.key):
            row.key = _key(row.key, names)
            changed += 1
    session.flush()
    return changed


def _key(key: str, names: Names) -> str:
    """A key that has a reference in it is kept as a digest: the same key is no longer known."""
    return f"{ERASED}{hashlib.sha256(key.encode()).hexdigest()}" if names.within(key) else key


def _old_refusals(session: Session, days: int) -> int:
    """A refusal may name a postcode, and has no order by which it would be erased."""
    before = now(session) - timedelta(days=days)
    rows = session.exec(
        select(IdempotencyKey)
        .where(col(IdempotencyKey.at) < before)
        .where(col(IdempotencyKey.answer).startswith('{"refusal"'))
        .where(~col(IdempotencyKey.answer).contains(f'"{ERASED[:-1]}"'))
    ).all()
    for row in rows:
        code = json.loads(row.answer)["refusal"]["code"]
        said = {"code": code, "message": ERASED[:-1], "field": None, "next": None}
        row.answer = json.dumps({"refusal": said})
    session.flush()
    return len(rows)


def _everywhere_else(session: Session, names: Names) -> int:
    """Texts of all tables in which somebody or something wrote a reference."""
    session.expire_all()
    changed = 0
    for table, keys, column in _texts():
        rows = session.connection().execute(sa.select(*keys, column).where(column.is_not(None)))
        for *key, value in rows.all():
            said = names.replaced_in(value) if isinstance(value, str) else names.replaced(value)
            if said == value:
                continue
            where = sa.and_(*(k == v for k, v in zip(keys, key, strict=True)))
            session.connection().execute(table.update().where(where).values({column.name: said}))
            changed += 1
    return changed


def _texts() -> Iterator[tuple[sa.Table, Sequence[sa.Column[Any]], sa.Column[Any]]]:
    for table in SQLModel.metadata.sorted_tables:
        keys = list(table.primary_key.columns)
        for column in table.columns:
            kind: Any = column.type
            kept = kind.impl if isinstance(kind, sa.TypeDecorator) else kind
            words = isinstance(kind, Kind) or column.primary_key or column.foreign_keys
            if isinstance(kept, sa.String | sa.JSON) and not words and column.name in _WORDS:
                yield table, keys, column
