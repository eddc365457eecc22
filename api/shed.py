"""Before the packing: the watering list, and stored dispatches."""

from datetime import date, datetime
from typing import Annotated, TypeAlias

import strawberry
from sqlmodel import Session

from api.context import Info, read
from api.fields import field
from api.ids import global_id
from api.mirror import mirror
from api.refusals import Refusal
from nursery.access import Role, Token
from nursery.dispatching import dispatch_stored
from nursery.shed import watering

SHED = (Role.PACKER, Role.LEAD)
LEAD = (Role.LEAD,)


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
    """No `ship_on` where there was no day for it; `kept_on` was its ship day before; `notes` say
    which plants it was to get in place of what it had."""

    reference: str
    promise_id: strawberry.ID | None
    ship_on: date | None
    kept_on: date | None
    moved: bool
    late_days: int
    notes: list[str]


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


WateringListAnswer: TypeAlias = Annotated[
    WateringList | Refusal, strawberry.union("WateringListAnswer")
]
StoredDispatchAnswer: TypeAlias = Annotated[
    StoredDispatch | Refusal, strawberry.union("StoredDispatchAnswer")
]


def watering_of(found: watering.WateringList) -> WateringList:
    """The API's form of a watering list."""
    return mirror(WateringList, found, stops=[mirror(Watering, each) for each in found.stops])


def _ship(found: dispatch_stored.StoredShip) -> StoredShip:
    promise = found.promise_id
    return mirror(
        StoredShip,
        found,
        promise_id=None if promise is None else global_id("Promise", promise),
        notes=list(found.notes),
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
