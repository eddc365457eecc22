"""What happened to promises since somebody last looked? The news a shop subscribes to.

Every change of a promise is a row of `promise_event`, written with the change itself, by whichever
worker or command did it; a subscription reads the rows that are new, so none is lost. On
PostgreSQL a row with a lower id can be committed after one with a higher: a gap is looked at again
until it is too old to be filled. Whoever goes away and comes back with a `cursor` brings the gaps
that were open then, so that what was committed meanwhile is told, too, and nothing twice.
"""

import time
from collections.abc import AsyncGenerator, Iterable, Mapping
from contextlib import aclosing, suppress
from datetime import datetime
from typing import Annotated, TypeAlias

import strawberry
from sqlalchemy import func
from sqlmodel import Session, col, or_, select
from strawberry.scalars import JSON

from api.context import Info
from api.fields import subscription
from api.ids import after_key, cursor, global_id, is_key, key_of
from api.listening import listen
from api.promises import READERS, Promise, promise
from api.refusals import Refusal
from nursery import order
from nursery.database import now
from nursery.errors import Refused
from nursery.order import EventKind
from nursery.promising.told import told_once

GAP_SECONDS = 30.0
"""How long a transaction may take between its first event and its commit."""
_AT_ONCE = 200
_MOST_GAPS = 500
_GAPS_IN_A_CURSOR = 100


@strawberry.type(description="What happened to a promise.")
class PromiseChange:
    """`cursor` goes into `after`, to go on from here later; `detail` depends on the kind.

    An `id` may go there as well: then an event that was written at the same moment may be missed.
    """

    id: strawberry.ID
    cursor: strawberry.ID
    kind: EventKind
    at: datetime
    detail: JSON
    promise: Promise


PromiseChangedAnswer: TypeAlias = Annotated[
    PromiseChange | Refusal, strawberry.union("PromiseChangedAnswer")
]


class Tail:
    """Which events are new since the last look? `last` None starts with what comes from now on.

    `gaps` are ids below it that were not there yet. `cursors` has, by the ids of the last look's
    events, where to go on after each.
    """

    def __init__(self, last: int | None, gaps: Iterable[int] = ()) -> None:
        self.last = last
        self.cursors: dict[int, strawberry.ID] = {}
        self._gaps: dict[int, float] = {}
        self._miss(gaps)

    @classmethod
    def after(cls, given: str | None) -> "Tail":
        """From where does the listener go on? Raises Refused ("UNKNOWN_ID")."""
        if given is None:
            return cls(None)
        with suppress(Refused):
            keys = after_key(given).split(",")
            if len(keys) <= _GAPS_IN_A_CURSOR + 1 and all(map(is_key, keys)):
                return cls(int(keys[0]), map(int, keys[1:]))
        return cls(key_of("PromiseEvent", given, "after"))

    def new(self, session: Session) -> list[order.PromiseEvent]:
        """The events nobody has seen through this tail, in the order of their ids."""
        if self.last is None:
            self.last = self._start(session)
        self._forget_old_gaps()
        id = col(order.PromiseEvent.id)
        query = select(order.PromiseEvent).where(or_(id > self.last, id.in_(self._gaps)))
        events = list(session.exec(query.order_by(id).limit(_AT_ONCE)))
        at = now(session)
        self.cursors = {}
        for event in events:
            self._seen(event.id or 0, (at - event.at).total_seconds() < GAP_SECONDS)
            self.cursors[event.id or 0] = self._cursor()
        return events

    def _cursor(self) -> strawberry.ID:
        newest = sorted(self._gaps)[-_GAPS_IN_A_CURSOR:]
        return strawberry.ID(cursor(",".join(map(str, [self.last, *newest]))))

    def _start(self, session: Session) -> int:
        last = int(session.exec(select(func.max(order.PromiseEvent.id))).one() or 0)
        id = col(order.PromiseEvent.id)
        there = session.exec(select(order.PromiseEvent.id).where(id > last - _MOST_GAPS))
        self._miss(set(range(max(1, last - _MOST_GAPS + 1), last)) - set(there))
        return last

    def _seen(self, id: int, is_fresh: bool) -> None:
        assert self.last is not None
        if is_fresh:
            self._miss(range(max(self.last + 1, id - _MOST_GAPS), id))
        self._gaps.pop(id, None)
        self.last = max(self.last, id)

    def _miss(self, ids: Iterable[int]) -> None:
        self._gaps.update(dict.fromkeys(ids, time.monotonic() + GAP_SECONDS))

    def _forget_old_gaps(self) -> None:
        at = time.monotonic()
        self._gaps = {id: until for id, until in self._gaps.items() if until > at}


@strawberry.type
class PromiseNews:
    """Subscriptions about promises."""

    @subscription("What happens to promises: of one order, or of all.")
    async def promise_changed(
        self, info: Info, reference: str | None = None, after: strawberry.ID | None = None
    ) -> AsyncGenerator[PromiseChangedAnswer, None]:
        """For the shop and the lead. `after` is a `cursor`: first all that happened since then."""
        tail: list[Tail] = []

        def look(session: Session) -> list[PromiseChange]:
            if not tail:
                tail.append(Tail.after(after or None))
            at = now(session)
            return [
                _change(event, tail[0].cursors[event.id or 0], detail, at)
                for event, detail in told_once(tail[0].new(session))
                if reference is None or event.promise.order.reference == reference
            ]

        async with aclosing(listen(info, READERS, look)) as news:
            async for change in news:
                yield change


def _change(
    event: order.PromiseEvent, go_on: strawberry.ID, detail: Mapping[str, object], at: datetime
) -> PromiseChange:
    return PromiseChange(
        id=global_id("PromiseEvent", event.id),
        cursor=go_on,
        kind=event.kind,
        at=event.at,
        detail=JSON(detail),
        promise=promise(event.promise, at),
    )
