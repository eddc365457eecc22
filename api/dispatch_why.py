"""The lead asks why an order is on its day."""

from datetime import date
from typing import Annotated

import strawberry
from sqlmodel import Session

from api.context import Info, read
from api.fields import field
from api.ids import global_id
from api.kept import kept
from api.mirror import mirror
from api.refusals import Refusal
from nursery.access import Role, Token
from nursery.dispatching import dispatch_why as reasons
from nursery.dispatching.dispatch_why import Verdict

kept(strawberry.enum(Verdict, description="What a day is to an order."))


@kept
@strawberry.type(description="Days in a row of which the same is said.")
class DaysWhy:
    """Why the order leaves on none of them, or does."""

    first: date
    last: date
    verdict: Verdict
    text: str


@kept
@strawberry.type(description="One parcel of an order: where it stands, and what each day is to it.")
class ParcelWhy:
    """`days` is empty once it is picked: it does not move any more. `notes`: what in it is not as
    ordered."""

    promise_id: strawberry.ID | None
    state: str
    ship_on: date | None
    first_ship_on: date | None
    service: str
    moves: list[str]
    days: list[DaysWhy]
    notes: list[str]


@kept
@strawberry.type(description="Why an order is on its day: an answer a parcel.")
class OrderWhy:
    """Read off the books as they stand; nothing is solved."""

    reference: str
    parcels: list[ParcelWhy]


OrderWhyAnswer = Annotated[OrderWhy | Refusal, strawberry.union("OrderWhyAnswer")]


@strawberry.type
class DispatchWhyQueries:
    """Roots about the dispatch."""

    @field("Why is this order on its day and on no other?")
    async def dispatch_why(self, info: Info, reference: str) -> OrderWhyAnswer:
        """For the lead. Refused for an order that is not there."""

        def work(session: Session, token: Token) -> OrderWhy:
            found = reasons.why_order(session, reference)
            return OrderWhy(reference=reference, parcels=[_parcel(each) for each in found])

        return await read(info, (Role.LEAD,), work)


def _parcel(found: reasons.OrderWhy) -> ParcelWhy:
    id = None if found.promise_id is None else global_id("Promise", found.promise_id)
    return mirror(
        ParcelWhy,
        found,
        promise_id=id,
        moves=list(found.moves),
        notes=list(found.notes),
        days=[mirror(DaysWhy, each) for each in found.days],
    )
