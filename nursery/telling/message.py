"""How is an event of a promise written for a receiver? As a CloudEvents 1.0 JSON document.

Structured mode: the whole event is the body. It holds what does not change, so that it is the same
each time it is sent, and no name, address or postcode; the shop asks for the promise itself.
"""

from collections.abc import Callable
from datetime import UTC, datetime
from typing import Any
from urllib.parse import quote

import orjson

from nursery.telling.outbox import Sending

CONTENT_TYPE = "application/cloudevents+json; charset=utf-8"
TRIAL = "nursery.trial"

Named = Callable[[str, int], str]
"""Under which id does the API know a row, by its type's name and key?"""


def body_of(sending: Sending, named: Named) -> bytes:
    """Which body tells of this event? UTF-8."""
    kind = sending.kind.name
    data = {
        "id": named("PromiseEvent", sending.event_id),
        "kind": kind,
        "promise": named("Promise", sending.promise_id),
        "reference": sending.reference,
        "detail": dict(sending.detail),
    }
    about = {"subject": sending.reference, "data": data}
    type = f"nursery.promise.{kind.lower()}"
    return _event(sending.message_id, sending.nursery, type, sending.happened_at, about)


def trial_body(message_id: str, nursery: str, at: datetime) -> bytes:
    """Which body is sent to try a receiver out? It is about no promise."""
    return _event(message_id, nursery, TRIAL, at, {"data": {}})


def _event(message_id: str, nursery: str, type: str, at: datetime, about: dict[str, Any]) -> bytes:
    time = at.astimezone(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")
    attributes = {
        "specversion": "1.0",
        "id": message_id,
        "source": f"/nurseries/{quote(nursery, safe='')}",
        "type": type,
        "time": time,
        "datacontenttype": "application/json",
    }
    return orjson.dumps({**attributes, **about})
