"""Before and after the packing: the watering list, stored dispatches, and customers' claims."""

from datetime import date, datetime
from typing import Annotated, TypeAlias

import strawberry
from sqlmodel import Session

from api.context import Info, read, write
from api.fields import field, mutation
from api.ids import global_id, key_of
from api.kept import kept
from api.mirror import mirror
from api.refusals import Refusal
from nursery.access import Role, Token
from nursery.dispatching import dispatch_stored
from nursery.shed import claims, watering
from nursery.shed.claims import ClaimKind

SHED = (Role.PACKER, Role.LEAD)
LEAD = (Role.LEAD,)
CLAIMERS = (Role.SHOP, Role.LEAD)


@strawberry.type(description="What is watered at one stop of the round.")
class Watering:
    """In walking order; `plugs` of the batch are packed the next day and take up about `litres`."""

    area: str
    bench: str
    batch_code: str
    crop: str
    plugs: int
    litres: float


@strawberry.type(description="What is watered the evening before a pack day.")
class WateringList:
    """No days where nothing is promised; `missing` plugs are in no lot."""

    pack_on: date | None
    water_on: date | None
    plugs: int
    missing: int
    stops: list[Watering]


@strawberry.type(description="An order of a stored dispatch.")
class StoredShip:
    """No `ship_on` where there was no day for it; `kept_on` was its ship day before."""

    reference: str
    promise_id: strawberry.ID | None
    ship_on: date | None
    kept_on: date | None
    moved: bool
    late_days: int


@strawberry.type(description="A dispatch as it was stored. Costs are text, in cents.")
class StoredDispatch:
    """What customers were told is in the events of each promise."""

    version: int
    made_at: datetime
    accepted_at: datetime | None
    accepted_by: str | None
    first_day: date
    orders: list[StoredShip]
    cost: str
    bound: str
    first_come_cost: str
    seconds: float


@kept
@strawberry.type(description="Plugs of a lot that went to the customer who claims.")
class ClaimedLot:
    """As they were picked."""

    batch_code: str
    lot_id: strawberry.ID
    plugs: int


@kept
@strawberry.type(description="A customer's claim, traced to the lots that the plants came from.")
class Claim:
    """No `product` where all of the parcel is meant."""

    id: strawberry.ID
    promise_id: strawberry.ID
    reference: str
    kind: ClaimKind
    product: str
    plugs: int
    text: str
    at: datetime
    lots: list[ClaimedLot]


WateringListAnswer: TypeAlias = Annotated[
    WateringList | Refusal, strawberry.union("WateringListAnswer")
]
StoredDispatchAnswer: TypeAlias = Annotated[
    StoredDispatch | Refusal, strawberry.union("StoredDispatchAnswer")
]
ClaimAnswer: TypeAlias = Annotated[Claim | Refusal, strawberry.union("ClaimAnswer")]


def claim(found: claims.Claim) -> Claim:
    """The API's form of a claim."""
    return mirror(
        Claim,
        found,
        id=global_id("Claim", found.event_id),
        promise_id=global_id("Promise", found.promise_id),
        lots=[
            mirror(ClaimedLot, each, lot_id=global_id("Lot", each.lot_id)) for each in found.lots
        ],
    )


def watering_of(found: watering.WateringList) -> WateringList:
    """The API's form of a watering list."""
    return mirror(WateringList, found, stops=[mirror(Watering, each) for each in found.stops])


def _ship(found: dispatch_stored.StoredShip) -> StoredShip:
    promise = found.promise_id
    return mirror(
        StoredShip,
        found,
        promise_id=None if promise is None else global_id("Promise", promise),
    )


@strawberry.type
class ShedQueries:
    """Roots about what comes before the packing."""

    @field("Which benches and batches get water the evening before a pack day.")
    async def watering_list(self, info: Info, pack_day: date | None = None) -> WateringListAnswer:
        """For the packer and the lead; the next pack day, where none is given."""

        def work(session: Session, token: Token) -> WateringList:
            return watering_of(watering.watering_list(session, pack_day))

        return await read(info, SHED, work)

    @field("What a dispatch decided that was stored before.")
    async def dispatch_plan(self, info: Info, version: int | None = None) -> StoredDispatchAnswer:
        """For the lead; the newest, where none is named."""

        def work(session: Session, token: Token) -> StoredDispatch:
            found = dispatch_stored.stored_dispatch(session, version)
            return mirror(
                StoredDispatch,
                found,
                orders=[_ship(each) for each in found.orders],
                cost=str(found.cost),
                bound=str(found.bound),
                first_come_cost=str(found.first_come_cost),
            )

        return await read(info, LEAD, work)


@strawberry.type
class ClaimMutations:
    """What a shop does after delivery. Sent again under the same `key`, the same answer."""

    @mutation("Records a customer's claim: plants dead, wrong or late.")
    async def record_claim(
        self,
        info: Info,
        key: str,
        promise_id: strawberry.ID,
        kind: ClaimKind,
        text: str,
        plugs: int | None = None,
        product: str = "",
    ) -> ClaimAnswer:
        """For the shop and the lead. Leave out who the customer is: the shop knows."""
        body = {
            "promise_id": promise_id,
            "kind": kind,
            "text": text,
            "plugs": plugs,
            "product": product,
        }

        def work(session: Session, token: Token) -> Claim:
            number = key_of("Promise", promise_id, "promise_id")
            return claim(
                claims.record_claim(session, number, kind, text, token.name, plugs, product)
            )

        return await write(info, CLAIMERS, key, body, work)
