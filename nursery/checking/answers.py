"""Do kept answers speak of promises that exist, and was every change put into the outbox?"""

from __future__ import annotations

import base64
import binascii
import json
import re
from collections.abc import Iterator
from typing import Any

from nursery.checking.snapshot import Snapshot, Wrong

_KEY = "Ask the shop to send it again under a new key, after comparing the order"

ANSWERS = """
SELECT token.name, idempotency_key.key, idempotency_key.answer
FROM idempotency_key JOIN token ON token.id = idempotency_key.token_id
ORDER BY idempotency_key.id"""

OUTBOX = """
SELECT customer_order.reference, promise.id, promise.state
FROM promise JOIN customer_order ON customer_order.id = promise.order_id
WHERE NOT EXISTS (SELECT 1 FROM promise_event
                  WHERE promise_event.promise_id = promise.id
                    AND promise_event.kind = promise.state)
ORDER BY promise.id"""

MOVED_DAY = """
SELECT customer_order.reference, promise.first_ship_on, promise.ship_on
FROM promise JOIN customer_order ON customer_order.id = promise.order_id
WHERE promise.first_ship_on <> promise.ship_on
  AND NOT EXISTS (SELECT 1 FROM promise_event WHERE promise_event.promise_id = promise.id
                    AND promise_event.kind IN ('re-dated', 'amended', 'confirmed'))
ORDER BY promise.id"""


def answers(books: Snapshot) -> Iterator[Wrong]:
    """Every answer kept under an idempotency key can be read, and every promise that it names is
    there.
    """
    known = {row[0] for row in books.rows("SELECT id FROM promise")}
    for name, key, answer in books.rows(ANSWERS):
        thing = f"Key '{key}' of '{name}'"
        try:
            named = set(_promises_in(json.loads(answer)))
        except ValueError:
            yield Wrong("answers", thing, "the answer kept for it cannot be read", _KEY)
            continue
        for promise in sorted(named - known):
            said = f"its answer names promise {promise}, which is not there"
            yield Wrong("answers", thing, said, _KEY)


def _promises_in(value: Any) -> Iterator[int]:
    """Which promises does a kept answer name: by the API's opaque ids, or by their number?"""
    if isinstance(value, list):
        for each in value:
            yield from _promises_in(each)
    elif isinstance(value, dict):
        by_number = {"promise_id", "promise"}
        if value.keys() >= {"state", "ship_on"}:
            by_number.add("id")
        for name, each in value.items():
            if name == "id" and isinstance(each, str):
                yield from _opaque(each)
            elif name in by_number and isinstance(each, int):
                yield each
            else:
                yield from _promises_in(each)


def _opaque(text: str) -> Iterator[int]:
    try:
        plain = base64.b64decode(text, validate=True).decode()
    except (binascii.Error, UnicodeDecodeError):
        return
    found = re.fullmatch(r"Promise:(\d+)", plain)
    if found:
        yield int(found[1])


def outbox(books: Snapshot) -> Iterator[Wrong]:
    """For the state of every promise there is the event that tells the shop of it; a promise that
    has another day than at first has an event that says so.
    """
    todo = "Tell the shop how this promise stands; the outbox lost it"
    for reference, promise, state in books.rows(OUTBOX):
        said = f"its promise {promise} is {state}, and no event says so"
        yield Wrong("outbox", f"Order '{reference}'", said, todo)
    for reference, first, now in books.rows(MOVED_DAY):
        said = f"its ship day went from {first} to {now}, and no event says so"
        yield Wrong("outbox", f"Order '{reference}'", said, todo)
