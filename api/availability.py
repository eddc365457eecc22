"""News of what can be had: the shop keeps its pages right without asking again and again."""

from collections.abc import AsyncGenerator
from contextlib import aclosing
from datetime import date
from typing import Annotated, TypeAlias

import strawberry
from sqlmodel import Session

from api.context import Info
from api.fields import subscription
from api.listening import listen
from api.mirror import mirror
from api.promises import READERS
from api.refusals import Refusal
from nursery.promising.watching import Availability, Watch


@strawberry.type(description="Days in a row, both ends included, with one quantity.")
class AvailabilitySpan:
    """So many of the product may be promised on each of these days, by its plugs alone."""

    from_day: date
    until_day: date
    quantity: int


@strawberry.type(description="A product whose quantity has changed.")
class AvailabilityChange:
    """On the days of `spans`, and on no others; `version` is that of the pool behind it.

    Whether a day is open for an address is asked by `shipOptions`.
    """

    code: str
    version: int
    from_day: date
    spans: list[AvailabilitySpan]


AvailabilityChangedAnswer: TypeAlias = Annotated[
    AvailabilityChange | Refusal, strawberry.union("AvailabilityChangedAnswer")
]


@strawberry.type
class AvailabilityNews:
    """Subscriptions about what can be had."""

    @subscription("Products that can be had in another quantity, and on which days.")
    async def availability_changed(
        self, info: Info, codes: list[str] | None = None, as_it_stands: bool = False
    ) -> AsyncGenerator[AvailabilityChangedAnswer, None]:
        """For the shop and the lead. Of these products (at most 200), or of all.

        All that changed between two looks comes in one message a product, whoever changed it. With
        `as_it_stands`, first how it is now; days not told then have none. Days that come within
        the horizon as time goes on are not told.
        """
        watch: list[Watch] = []

        def look(session: Session) -> list[AvailabilityChange]:
            if not watch:
                watch.append(Watch(codes, as_it_stands))
            return [_change(each) for each in watch[0].look(session)]

        async with aclosing(listen(info, READERS, look)) as news:
            async for change in news:
                yield change


def _change(found: Availability) -> AvailabilityChange:
    spans = [mirror(AvailabilitySpan, span) for span in found.spans]
    return mirror(AvailabilityChange, found, spans=spans)
