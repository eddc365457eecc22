"""Has this request been answered before? Then it gets the same answer, for ever."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Mapping
from dataclasses import asdict
from typing import Any

import orjson
from sqlalchemy.exc import DBAPIError
from sqlmodel import Session, select

from nursery.access import IdempotencyKey
from nursery.database import Database, now, was_overtaken
from nursery.errors import Refusal, Refused
from nursery.promising.promise_rows import NotThatDay

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
    sends the same key and body. Another body under the same key raises Refused `key_reused`, an
    empty or overlong key `bad_key`. What fails for another cause keeps nothing: ask again.
    """
    refuse_bad_key(key)
    digest = digest_of_body(body)
    known = _known(db, token_id, key, digest)
    if known is not None:
        return known
    try:
        return _first(db, token_id, key, digest, act)
    except DBAPIError as wrong:
        if not was_overtaken(wrong):
            raise
    # Somebody else was first. With the same key: theirs is the answer. With another key, but about
    # the same: now they are to be seen, and it is answered as it would be a moment later.
    known = _known(db, token_id, key, digest)
    return _first(db, token_id, key, digest, act) if known is None else known


def answered(session: Session, token_id: int, key: str) -> Answer | None:
    """What was this token answered under this key? None where nothing was asked under it."""
    row = session.exec(
        select(IdempotencyKey).where(IdempotencyKey.token_id == token_id, IdempotencyKey.key == key)
    ).first()
    return None if row is None else orjson.loads(row.answer)


def refuse_bad_key(key: str) -> None:
    """Can this be a key? Raises Refused `bad_key` for an empty or overlong one."""
    if not 1 <= len(key) <= 120:
        message = f"An idempotency key has 1 to 120 characters, this one {len(key)}"
        raise Refused(Refusal("bad_key", message, "key", "send a random one"))


def key_reused(key: str) -> Refusal:
    """What is said where a key that named another request is sent again?"""
    message = f"Key {key!r} was sent before with another request"
    return Refusal("key_reused", message, "key", "send a new key for a new request")


def digest_of_body(body: Mapping[str, Any]) -> str:
    """What is kept of a request to tell it from another? SHA-256 of its sorted JSON, in hex."""
    return hashlib.sha256(orjson.dumps(body, option=orjson.OPT_SORT_KEYS)).hexdigest()


def _first(
    db: Database, token_id: int, key: str, digest: str, act: Callable[[Session], Answer]
) -> Answer:
    try:
        with db.writing() as session:
            row = _claim(session, token_id, key, digest)
            answer = _plain(act(session))
            row.answer = as_json(answer)
            session.add(row)
        return answer
    except NotThatDay as refused:
        # What can be had instead is looked for with no lock held.
        with db.reading() as session:
            answer = {"refusal": _plain(asdict(refused.with_options(session)))}
    except Refused as refused:
        answer = {"refusal": _plain(asdict(refused.refusal))}
    with db.writing() as session:
        _claim(session, token_id, key, digest).answer = as_json(answer)
    return answer


def _claim(session: Session, token_id: int, key: str, digest: str) -> IdempotencyKey:
    """Take the key before anything is done, so that a second request waits and then fails."""
    row = IdempotencyKey(token_id=token_id, key=key, digest=digest, answer="", at=now(session))
    session.add(row)
    session.flush()
    return row


def _known(db: Database, token_id: int, key: str, digest: str) -> dict[str, Any] | None:
    with db.reading() as session:
        row = session.exec(
            select(IdempotencyKey).where(
                IdempotencyKey.token_id == token_id, IdempotencyKey.key == key
            )
        ).first()
    if row is None:
        return None
    if row.digest != digest:
        raise Refused(key_reused(key))
    answer: dict[str, Any] = orjson.loads(row.answer)
    return answer


def _plain(answer: Answer) -> dict[str, Any]:
    """The answer as it will be read back: the first time must not differ from the second."""
    plain: dict[str, Any] = orjson.loads(as_json(answer))
    return plain


def as_json(answer: object) -> str:
    """How is an answer kept? As JSON; raises TypeError for what JSON cannot hold."""
    return orjson.dumps(answer, default=_named_tuple).decode()


def _named_tuple(value: object) -> tuple[object, ...]:
    if isinstance(value, tuple):
        return tuple(value)
    raise TypeError(f"An answer cannot hold {value!r} of {type(value).__name__}")
