"""Has this request been answered before? Then it gets the same answer, for ever."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

from sqlmodel import Session

from nursery.database import Database

Answer = Mapping[str, Any]
"""An answer as JSON: what the service made, or {"refusal": {code, message, field, next, ...}}."""


def once(
    db: Database,
    token_id: int,
    key: str,
    body: Mapping[str, Any],
    act: Callable[[Session], Answer],
) -> Answer:
    """What is the answer to the request that this key names?

    `act` is run in a transaction of its own the first time; its answer (a mapping that JSON can
    hold), or its refusal as {"refusal": {...}}, is kept and given again whenever the same token
    sends the same key and body. Another body under the same key raises Refused `key_reused`.
    """
    raise NotImplementedError
