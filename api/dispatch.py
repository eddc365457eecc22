"""What the packer asks and does: the day's sheet, picks, shorts, parcels, the van."""

from datetime import date, datetime
from typing import Annotated, TypeAlias

import strawberry
from sqlmodel import Session

from api.context import Info, read, write
from api.fields import field, mutation
from api.ids import global_id, key_of
from api.kept import kept
from api.pick_sheet import DayParcels, PickSheet, day_parcels, pick_sheet
from api.promises import Promise, PromiseAnswer, promise
from api.refusals import Refusal
from api.rows import lot_row, promise_line_row
from nursery.access import Role, Token
from nursery.database import now
from nursery.order import State
from nursery.promising.supply import Deficit
from nursery.shed import handover, picking
from nursery.shed import pick_sheet as sheets
from nursery.shed.parcels import parcels_on
from nursery.shed.wraps_taken import one_each

SHED = (Role.PACKER, Role.LEAD)


@strawberry.input(description="In which wrap a product of a parcel was packed.")
class WrapTakenInput:
    """By the product's code; the name of the wrap as sheet Wraps has it."""

    product_code: str
    wrap: str


@kept
@strawberry.type(description="What a pick moved.")
class Picked:
    """`found` plugs were not in the books: then a recount of the place is asked for."""

    plugs: int
    balance: int
    found: int
    recount: bool
    state: State


@kept
@strawberry.type(description="Where plugs can be taken from instead.")
class Take:
    """Plugs of another lot of the same pool."""

    lot_id: strawberry.ID
    batch_code: str
    bench: str
    plugs: int


@kept
@strawberry.type(description="Plugs that promises of a pool will lack, and whose.")
class Touched:
    """The lead gives these promises a new day, or finds plugs."""

    plugs: int
    promise_ids: list[strawberry.ID]


@kept
@strawberry.type(description="What can be done where a pick found too few.")
class Short:
    """`missing` plugs cannot be had for the line's ship day."""

    counted: int
    expected: int
    takes: list[Take]
    missing: int
    touched: list[Touched]


PickSheetAnswer: TypeAlias = Annotated[PickSheet | Refusal, strawberry.union("PickSheetAnswer")]
ParcelsAnswer: TypeAlias = Annotated[DayParcels | Refusal, strawberry.union("ParcelsAnswer")]
PickedAnswer: TypeAlias = Annotated[Picked | Refusal, strawberry.union("PickedAnswer")]
ShortAnswer: TypeAlias = Annotated[Short | Refusal, strawberry.union("ShortAnswer")]


def touched(found: tuple[Deficit, ...]) -> list[Touched]:
    """The API's form of what promises will lack."""
    return [
        Touched(
            plugs=each.plugs,
            promise_ids=[global_id("Promise", id) for id, _ in each.promises],
        )
        for each in found
    ]


@strawberry.type
class DispatchQueries:
    """Roots about the packing shed."""

    @field("What is picked for a ship day, in walking order, and what goes into which parcel.")
    async def pick_sheet(self, info: Info, ship_day: date) -> PickSheetAnswer:
        """For the packer and the lead."""

        def work(session: Session, token: Token) -> PickSheet:
            return pick_sheet(sheets.pick_sheet(session, ship_day))

        return await read(info, SHED, work)

    @field("What goes into each parcel of a ship day, and whether it is picked, packed or gone.")
    async def parcels(self, info: Info, ship_day: date) -> ParcelsAnswer:
        """For the packer and the lead. A parcel stays here when all of it is picked."""

        def work(session: Session, token: Token) -> DayParcels:
            return day_parcels(ship_day, parcels_on(session, ship_day))

        return await read(info, SHED, work)


@strawberry.type
class DispatchMutations:
    """What a packer does. Sent again under the same `key`, each gives the same answer."""

    @mutation("Numbers a print of the day's sheet.")
    async def print_pick_sheet(self, info: Info, key: str, ship_day: date) -> PickSheetAnswer:
        """Two sheets with one number are one sheet."""

        def work(session: Session, token: Token) -> PickSheet:
            return pick_sheet(sheets.print_sheet(session, ship_day, token.name))

        return await write(info, SHED, key, {"ship_day": ship_day}, work)

    @mutation("Records plugs picked from a lot for a promise's line.")
    async def record_pick(
        self,
        info: Info,
        key: str,
        promise_line_id: strawberry.ID,
        lot_id: strawberry.ID,
        plugs: int,
        happened_at: datetime | None = None,
    ) -> PickedAnswer:
        """`happened_at` is for picks written down first and typed in later."""
        body = {
            "promise_line_id": promise_line_id,
            "lot_id": lot_id,
            "plugs": plugs,
            "happened_at": happened_at,
        }

        def work(session: Session, token: Token) -> Picked:
            line, lot = promise_line_row(session, promise_line_id), lot_row(session, lot_id)
            found = picking.record_pick(session, line, lot, plugs, token.name, happened_at)
            return Picked(
                plugs=plugs,
                balance=found.movement.balance,
                found=found.found,
                recount=found.recount,
                state=found.state,
            )

        return await write(info, SHED, key, body, work)

    @mutation("Says that a lot holds fewer plugs than the sheet, and asks what now.")
    async def report_short(
        self,
        info: Info,
        key: str,
        promise_line_id: strawberry.ID,
        lot_id: strawberry.ID,
        found: int,
        reason: str,
    ) -> ShortAnswer:
        """`found` is what lies there; record it as a pick afterwards."""
        body = {
            "promise_line_id": promise_line_id,
            "lot_id": lot_id,
            "found": found,
            "reason": reason,
        }

        def work(session: Session, token: Token) -> Short:
            line, lot = promise_line_row(session, promise_line_id), lot_row(session, lot_id)
            short = picking.report_short(session, line, lot, found, token.name, reason)
            return Short(
                counted=short.count.plugs,
                expected=short.count.expected,
                takes=[
                    Take(
                        lot_id=global_id("Lot", take.lot_id),
                        batch_code=take.batch_code,
                        bench=take.bench,
                        plugs=take.plugs,
                    )
                    for take in short.takes
                ],
                missing=short.missing,
                touched=touched(short.touched),
            )

        return await write(info, SHED, key, body, work)

    @mutation("Says that a picked parcel is packed, and who checked it.")
    async def pack_parcel(
        self,
        info: Info,
        key: str,
        promise_id: strawberry.ID,
        checked_by: str = "",
        wraps: list[WrapTakenInput] | None = None,
    ) -> PromiseAnswer:
        """A second person checks count, name, passport, moisture and label. `wraps` are those that
        were taken instead of the slip's."""
        told = [(one.product_code, one.wrap) for one in wraps or ()]

        def work(session: Session, token: Token) -> Promise:
            id = key_of("Promise", promise_id, "promise_id")
            taken = one_each(told)
            row = handover.pack_parcel(session, id, token.name, checked_by, taken)
            return promise(row, now(session))

        body: dict[str, object] = {"promise_id": promise_id, "checked_by": checked_by}
        if told:
            body["wraps"] = told
        return await write(info, SHED, key, body, work)

    @mutation("Hands a parcel to the carrier, under its tracking reference.")
    async def hand_over(
        self, info: Info, key: str, promise_id: strawberry.ID, tracking: str
    ) -> PromiseAnswer:
        """The shop is told by promiseChanged."""

        def work(session: Session, token: Token) -> Promise:
            id = key_of("Promise", promise_id, "promise_id")
            return promise(handover.hand_over(session, id, tracking, token.name), now(session))

        body = {"promise_id": promise_id, "tracking": tracking}
        return await write(info, SHED, key, body, work)

    @mutation("Says that the van left a parcel behind; it waits until the day to repack by.")
    async def not_collected(
        self,
        info: Info,
        key: str,
        promise_id: strawberry.ID,
        repack_by: date,
        reason: str = "",
    ) -> PromiseAnswer:
        """The plants are as long in the box as they may be on `repack_by`."""

        def work(session: Session, token: Token) -> Promise:
            id = key_of("Promise", promise_id, "promise_id")
            row = handover.not_collected(session, id, repack_by, token.name, reason)
            return promise(row, now(session))

        body = {"promise_id": promise_id, "repack_by": repack_by, "reason": reason}
        return await write(info, SHED, key, body, work)

    @mutation("Says on which day the customer got it.")
    async def delivered(
        self, info: Info, key: str, promise_id: strawberry.ID, on: date
    ) -> PromiseAnswer:
        """For everybody who hears of it: the shop, the packer, the lead."""

        def work(session: Session, token: Token) -> Promise:
            id = key_of("Promise", promise_id, "promise_id")
            return promise(handover.delivered(session, id, on, token.name), now(session))

        return await write(info, tuple(Role), key, {"promise_id": promise_id, "on": on}, work)
