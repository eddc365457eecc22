"""The lead looks at the ship days ahead: what is open to where, how full, what must move."""

from datetime import date
from typing import Annotated, TypeAlias

import strawberry
from sqlmodel import Session

from api.context import Info, read
from api.fields import field
from api.mirror import mirror
from api.refusals import Refusal
from nursery.access import Role, Token
from nursery.dispatching import days_ahead as ahead


@strawberry.type(description="What keeps plants at home on a day.")
class Shut:
    """`plants` says which, "all" where it concerns every crop; `crops` are their names."""

    reason: str
    text: str
    crops: list[str]
    plants: str


@strawberry.type(description="A day to one zone.")
class ZoneDay:
    """Open to every crop where nothing is `shut`; else to some of them, or to none."""

    zone: str
    open_to_some: bool
    shut: list[Shut]


@strawberry.type(description="A promised order that cannot leave on its day as things stand.")
class MustMove:
    """The next dispatch gives it another day, and its customer is told."""

    reference: str
    ship_on: date
    reason: str
    text: str


@strawberry.type(description="A ship day ahead.")
class DayAhead:
    """`minutes_taken` of the packing `minutes` there are; promised parcels and their plugs."""

    day: date
    minutes_taken: int
    minutes: int
    parcels: int
    plugs: int
    zones: list[ZoneDay]
    must_move: list[MustMove]


@strawberry.type(description="The ship days ahead, from today.")
class DaysAhead:
    """Read off the books as they stand; nothing is solved."""

    days: list[DayAhead]


DaysAheadAnswer: TypeAlias = Annotated[DaysAhead | Refusal, strawberry.union("DaysAheadAnswer")]


@strawberry.type
class DaysAheadQueries:
    """Roots about the days ahead."""

    @field("What is open to where on the next ship days, how full are they, what must move?")
    async def days_ahead(self, info: Info, days: int = ahead.DAYS) -> DaysAheadAnswer:
        """For the lead. Refused unless `days` is 1 to 120."""

        def work(session: Session, token: Token) -> DaysAhead:
            return DaysAhead(days=[_day(each) for each in ahead.days_ahead(session, days)])

        return await read(info, (Role.LEAD,), work)


def _day(found: ahead.DayAhead) -> DayAhead:
    zones = [
        mirror(
            ZoneDay,
            zone,
            shut=[mirror(Shut, one, crops=list(one.crops)) for one in zone.shut],
        )
        for zone in found.zones
    ]
    moves = [mirror(MustMove, one) for one in found.must_move]
    return mirror(DayAhead, found, zones=zones, must_move=moves)
