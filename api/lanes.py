"""What the lead decides of carriers and zones: learned transit in use, blocked zones, closures."""

from datetime import date, datetime
from typing import Annotated, TypeAlias

import strawberry
from sqlmodel import Session

from api.context import Info, read, write
from api.fields import field, mutation
from api.kept import kept
from api.mirror import mirror
from api.refusals import Refusal
from nursery.access import Role, Token
from nursery.carrier import ClosedAt, TransitTaken
from nursery.promising import closing, opening
from nursery.promising.borders import ASK_FIRST
from nursery.promising.borders import Opening as OpenedFor
from nursery.shed import deliveries
from nursery.shed.transit_use import put_back_transit, take_transit

LEAD = (Role.LEAD,)


@kept
@strawberry.type(description="A delivery day (J+n) and the share of parcels that arrive on it.")
class DeliveryShare:
    """`share` from 0 to 1."""

    delivery_days: int
    share: float


@strawberry.type(description="A delivery day (J+n) as book / yours / used; shares from 0 to 1.")
class LearnedDeliveryDay:
    """`low` to `high` holds the carrier's own share in nine of ten cases; `promised` is what
    promises reckon with now."""

    delivery_days: int
    parcels: int
    book: float
    yours: float | None
    used: float
    low: float | None
    high: float | None
    promised: float


@strawberry.type(description="Who took a learned distribution into use, when, and why.")
class TransitInUse:
    """`parcels` were delivered when it was learned."""

    taken_by: str
    taken_at: datetime
    reason: str
    parcels: int


@strawberry.type(description="What recorded deliveries say of one service to one zone.")
class LearnedTransit:
    """`data` names what it was learned from. Without `in_use` the Transit sheet stands."""

    service: str
    zone: str
    data: str
    delivered: int
    on_the_way: int
    in_use: TransitInUse | None
    days: list[LearnedDeliveryDay]


@strawberry.type(description="What recorded deliveries say, by service and zone.")
class TransitLearned:
    """Of every service and zone that has a parcel handed over."""

    lanes: list[LearnedTransit]


@kept
@strawberry.type(description="A learned distribution that a person took into use, or put back.")
class TakenTransit:
    """`put_back` says that the Transit sheet stands again."""

    service: str
    zone: str
    parcels: int
    taken_by: str
    taken_at: datetime
    reason: str
    put_back: bool
    days: list[DeliveryShare]


@kept
@strawberry.type(description="Days for which an authorised person opened a blocked zone.")
class ZoneOpening:
    """Both included: a parcel leaves and arrives within them. Then the zone is blocked again."""

    zone: str
    first_day: date
    last_day: date
    opened_by: str
    reason: str
    caution: str


@kept
@strawberry.type(description="A zone that is blocked again, and the orders that may not leave now.")
class ZoneShut:
    """`orders` are references; a planned dispatch takes the day of those that are not picked."""

    zone: str
    blocked: str
    orders: list[str]


@kept
@strawberry.type(description="Days that are closed, both included, and where.")
class ClosedDays:
    """`where` is the nursery, a service, a zone or a holiday region."""

    where: str
    first_day: date
    last_day: date
    reason: str


@strawberry.type(description="A zone that parcels go to, or do not.")
class ZoneStanding:
    """`blocked` says why nothing is sent there, "" for an open one."""

    zone: str
    country: str
    blocked: str
    openings: list[ZoneOpening]


@strawberry.type(description="All zones, and the closures that are not over.")
class Zones:
    """By name; closures by their first day."""

    zones: list[ZoneStanding]
    closures: list[ClosedDays]


ZonesAnswer: TypeAlias = Annotated[Zones | Refusal, strawberry.union("ZonesAnswer")]
ZoneOpeningAnswer: TypeAlias = Annotated[
    ZoneOpening | Refusal, strawberry.union("ZoneOpeningAnswer")
]
ZoneShutAnswer: TypeAlias = Annotated[ZoneShut | Refusal, strawberry.union("ZoneShutAnswer")]
ReopenedAnswer: TypeAlias = Annotated[ClosedDays | Refusal, strawberry.union("ReopenedAnswer")]
TransitLearnedAnswer: TypeAlias = Annotated[
    TransitLearned | Refusal, strawberry.union("TransitLearnedAnswer")
]
TakenTransitAnswer: TypeAlias = Annotated[
    TakenTransit | Refusal, strawberry.union("TakenTransitAnswer")
]


@strawberry.type
class LaneQueries:
    """Roots about carriers and zones."""

    @field("On which delivery day parcels really arrive, beside the Transit sheet.")
    async def transit_learned(self, info: Info) -> TransitLearnedAnswer:
        """For the lead. Nothing of it is used until `take_transit`."""

        def work(session: Session, token: Token) -> TransitLearned:
            return TransitLearned(
                lanes=[_learned(each) for each in deliveries.learned_transit(session)]
            )

        return await read(info, LEAD, work)

    @field("Which zones are blocked or were opened by hand, and which days are closed.")
    async def zones(self, info: Info) -> ZonesAnswer:
        """For the lead."""

        def work(session: Session, token: Token) -> Zones:
            return Zones(
                zones=[
                    mirror(ZoneStanding, one, openings=[_opened(one.zone, o) for o in one.openings])
                    for one in opening.zones_standing(session)
                ],
                closures=[mirror(ClosedDays, one) for one in closing.standing_closures(session)],
            )

        return await read(info, LEAD, work)


@strawberry.type
class LaneMutations:
    """What the lead decides. Sent again under the same `key`, each gives the same answer."""

    @mutation("Takes a learned distribution of delivery days into use: promises reckon with it.")
    async def take_transit(
        self, info: Info, key: str, service: str, zone: str, data: str, taken_by: str, reason: str
    ) -> TakenTransitAnswer:
        """`data` is that of the LearnedTransit which the person has seen: refused as OUTDATED where
        more was recorded since. TOO_FEW_PARCELS, UNKNOWN_LANE."""
        body = {
            "service": service,
            "zone": zone,
            "data": data,
            "taken_by": taken_by,
            "reason": reason,
        }

        def work(session: Session, token: Token) -> TakenTransit:
            row = take_transit(session, service, zone, data, taken_by, reason)
            return _taken(row, service, zone)

        return await write(info, LEAD, key, body, work)

    @mutation("Puts a learned distribution back: the Transit sheet stands again.")
    async def put_back_transit(
        self, info: Info, key: str, service: str, zone: str, put_back_by: str, reason: str
    ) -> TakenTransitAnswer:
        """NOT_IN_USE where nothing learned is in use."""
        body = {"service": service, "zone": zone, "put_back_by": put_back_by, "reason": reason}

        def work(session: Session, token: Token) -> TakenTransit:
            row = put_back_transit(session, service, zone, put_back_by, reason)
            return _taken(row, service, zone)

        return await write(info, LEAD, key, body, work)

    @mutation("Opens a blocked zone for some days; ask the plant health authority first.")
    async def open_zone(
        self,
        info: Info,
        key: str,
        zone: str,
        first_day: date,
        last_day: date,
        opened_by: str,
        reason: str,
    ) -> ZoneOpeningAnswer:
        """`opened_by` is the authorised person. Parcels leave and arrive from `first_day` to
        `last_day`, then the zone is blocked again by itself. UNKNOWN_ZONE, NOT_BLOCKED."""
        body = {
            "zone": zone,
            "first_day": first_day,
            "last_day": last_day,
            "opened_by": opened_by,
            "reason": reason,
        }

        def work(session: Session, token: Token) -> ZoneOpening:
            row = opening.open_zone(session, zone, first_day, last_day, opened_by, reason)
            made = OpenedFor(row.id or 0, row.first_day, row.last_day, row.opened_by, row.reason)
            return _opened(zone, made)

        return await write(info, LEAD, key, body, work)

    @mutation("Blocks an opened zone again before its last day.")
    async def shut_zone(
        self, info: Info, key: str, zone: str, shut_by: str, reason: str
    ) -> ZoneShutAnswer:
        """NOT_OPEN where nobody has opened it."""
        body = {"zone": zone, "shut_by": shut_by, "reason": reason}

        def work(session: Session, token: Token) -> ZoneShut:
            found = opening.shut_zone(session, zone, shut_by, reason)
            return mirror(ZoneShut, found, orders=list(found.orders))

        return await write(info, LEAD, key, body, work)

    @mutation("Takes a closure back, by its first day: a strike was called off.")
    async def reopen_days(
        self, info: Info, key: str, closed_at: ClosedAt, first_day: date, place: str = ""
    ) -> ReopenedAnswer:
        """From today on; days that have passed stay closed. NO_CLOSURE."""
        body = {"closed_at": closed_at, "first_day": first_day, "place": place}

        def work(session: Session, token: Token) -> ClosedDays:
            return mirror(ClosedDays, closing.reopen_days(session, closed_at, first_day, place))

        return await write(info, LEAD, key, body, work)


def _opened(zone: str, found: OpenedFor) -> ZoneOpening:
    return mirror(ZoneOpening, found, zone=zone, caution=ASK_FIRST)


def _learned(found: deliveries.TransitLearned) -> LearnedTransit:
    return mirror(
        LearnedTransit,
        found,
        in_use=None if found.in_use is None else mirror(TransitInUse, found.in_use),
        days=[mirror(LearnedDeliveryDay, day) for day in found.days],
    )


def _taken(row: TransitTaken, service: str, zone: str) -> TakenTransit:
    return TakenTransit(
        service=service,
        zone=zone,
        parcels=row.parcels,
        taken_by=row.taken_by,
        taken_at=row.taken_at,
        reason=row.reason,
        put_back=row.put_back_at is not None,
        days=[DeliveryShare(delivery_days=int(days), share=share) for days, share in row.shares],
    )
