"""What happened to promises since somebody last looked? The news a shop subscribes to.

Every change of a promise is a row of `promise_event`, written with the change itself, by whichever
worker or command did it; a subscription reads the rows that are new, so none is lost. On
PostgreSQL a row with a lower id can be committed after one with a higher: a gap is looked at again
until it is too old to be filled.
"""

import time
from collections.abc import AsyncGenerator, Iterable, Mapping
from contextlib import aclosing
from datetime import datetime
from typing import Annotated, TypeAlias

import strawberry
from sqlalchemy import func
from sqlmodel import Session, col, or_, select
from strawberry.scalars import JSON

from api.context import Info
from api.fields import subscription
from api.ids import global_id, key_of
from api.listening import listen
from api.promises import READERS, Promise, promise
from api.refusals import Refusal
from nursery import order
from nursery.database import now
from nursery.order import EventKind
from nursery.promising.told import told_once

GAP_SECONDS = 30.0
"""How long a transaction may take between its first event and its commit."""
_AT_ONCE = 200
_MOST_GAPS = 500


@strawberry.type(description="What happened to a promise.")
class PromiseChange:
    """`id` goes into `after`, to go on from here later; `detail` depends on the kind."""

    id: strawberry.ID
    kind: EventKind
    at: datetime
    detail: JSON
    promise: Promise


PromiseChangedAnswer: TypeAlias = Annotated[
    PromiseChange | Refusal, strawberry.union("PromiseChangedAnswer")
]


class Tail:
    """Which events are new since the last look? `last` None starts with what comes from now on."""

    def __init__(self, last: int | None) -> None:
        self.last = last
        self._gaps: dict[int, float] = {}

    def new(self, session: Session) -> list[order.PromiseEvent]:
        """The events nobody has seen through this tail, in the order of their ids."""
        if self.last is None:
            self.last = self._start(session)
        self._forget_old_gaps()
        id = col(order.PromiseEvent.id)
        query = select(order.PromiseEvent).where(or_(id > self.last, id.in_(self._gaps)))
        events = list(session.exec(query.order_by(id).limit(_AT_ONCE)))
        at = now(session)
        for event in events:
            self._seen(event.id or 0, (at - event.at).total_seconds() < GAP_SECONDS)
        return events

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
        """For the shop and the lead. With `after`, first all that happened since then."""
        tail: list[Tail] = []

        def look(session: Session) -> list[PromiseChange]:
            if not tail:
                tail.append(Tail(key_of("PromiseEvent", after, "after") if after else None))
            at = now(session)
            return [
                _change(event, detail, at)
                for event, detail in told_once(tail[0].new(session))
                if reference is None or event.promise.order.reference == reference
            ]

        async with aclosing(listen(info, READERS, look)) as news:
            async for change in news:
                yield change


def _change(event: order.PromiseEvent, detail: Mapping[str, object], at: datetime) -> PromiseChange:
    return PromiseChange(
        id=global_id("PromiseEvent", event.id),
        kind=event.kind,
        at=event.at,
        detail=JSON(detail),
        promise=promise(event.promise, at),
    )
