"""Shade layers on and off, and frost nights: what the lead asks and keeps."""

from datetime import date
from typing import Annotated, TypeAlias

import strawberry
from sqlmodel import Session

from api.context import Info, read, write
from api.fields import field, mutation
from api.kept import kept
from api.mirror import mirror
from api.refusals import Refusal
from nursery.access import Role, Token
from nursery.database import today
from nursery.growing import frost, shade_calendar
from nursery.growing.shade_picture import shade_picture

LEAD = (Role.LEAD,)


@strawberry.type(description="A week of a shade calendar.")
class ShadeWeek:
    """`chance`: share of years in which its felt maximum stays under the limit all week."""

    week: str
    monday: date
    layers: int
    needed: int
    chance: float
    enough: bool


@strawberry.type(description="Layers that are put on or taken off by a Monday.")
class LayerChange:
    """`minutes` are those of each of `persons`."""

    what: str
    by: date
    before: int
    layers: int
    minutes: int
    persons: int


@strawberry.type(description="The shade calendar of one growing area, for a year of weeks.")
class ShadeCalendar:
    """Only a `kept` one gives tasks. `too_hot`: even all layers do not suffice."""

    area: str
    limit_c: float
    limit_of: str
    stated: float
    most_layers: int
    layers_before: int
    weeks: list[ShadeWeek]
    changes: list[LayerChange]
    too_hot: list[ShadeWeek]
    cost_cents: int
    source: str
    assumed: str
    kept: bool


@strawberry.type(description="Shade calendars, by area, and a picture of them (SVG).")
class ShadeCalendars:
    """For the lead."""

    calendars: list[ShadeCalendar]
    picture: str
    caution: str


@strawberry.type(description="A batch, or a part of it, that goes indoors for a frost night.")
class FrostMove:
    """No place is free for it where `go_to` is empty; `on` names the places of the bench."""

    batch: str
    crop: str
    trays: int
    places: int
    come_from: str
    go_to: str
    on: str


@strawberry.type(description="A night in which a frame feels frost, and what is done before it.")
class FrostNight:
    """The night that ends on the morning of `day`; before dark on `latest` it is in time."""

    area: str
    day: date
    felt_c: float
    covered_c: float
    bring_in: bool
    trays: int
    moves: list[FrostMove]
    minutes: int
    persons: int
    latest: date
    title: str
    what_to_do: str
    caution: str


@strawberry.type(description="Frost nights ahead, and the places kept indoors.")
class FrostNights:
    """No `forecast_until`: there is no fresh forecast, and a person decides."""

    nights: list[FrostNight]
    forecast_until: date | None
    free_places: int
    reserve_places: int


@kept
@strawberry.type(description="A shade calendar that was kept.")
class KeptShade:
    """Its changes are tasks from now on, and plans reckon with its layers."""

    area: str
    changes: int


ShadeAnswer: TypeAlias = Annotated[ShadeCalendars | Refusal, strawberry.union("ShadeAnswer")]
FrostAnswer: TypeAlias = Annotated[FrostNights | Refusal, strawberry.union("FrostAnswer")]
KeptShadeAnswer: TypeAlias = Annotated[KeptShade | Refusal, strawberry.union("KeptShadeAnswer")]


def _calendar(found: shade_calendar.ShadeCalendar) -> ShadeCalendar:
    return mirror(
        ShadeCalendar,
        found,
        weeks=[mirror(ShadeWeek, each) for each in found.weeks],
        changes=[mirror(LayerChange, each) for each in found.changes],
        too_hot=[mirror(ShadeWeek, each) for each in found.too_hot],
    )


@strawberry.type
class ShadeQueries:
    """Roots about shade and frost."""

    @field("Shade layers on and off, area by area, so that crops stay under their limits.")
    async def shade_calendars(self, info: Info, area: str | None = None) -> ShadeAnswer:
        """For the lead."""

        def work(session: Session, token: Token) -> ShadeCalendars:
            found = shade_calendar.shade_calendars(session, area)
            return ShadeCalendars(
                calendars=[_calendar(each) for each in found],
                picture=shade_picture(found),
                caution=shade_calendar.CAUTION,
            )

        return await read(info, LEAD, work)

    @field("Which frames are covered or brought in before which night, and where trays go.")
    async def frost_nights(self, info: Info) -> FrostAnswer:
        """For the lead and the packer."""

        def work(session: Session, token: Token) -> FrostNights:
            day = today(session)
            outside = frost.frost_outlook(session, day)
            return FrostNights(
                nights=[
                    mirror(FrostNight, each, moves=[mirror(FrostMove, one) for one in each.moves])
                    for each in frost.frost_nights(session, day)
                ],
                forecast_until=outside.forecast_until,
                free_places=outside.free,
                reserve_places=outside.reserve,
            )

        return await read(info, (Role.PACKER, Role.LEAD), work)


@strawberry.type
class ShadeMutations:
    """What the lead keeps. Sent again under the same `key`, the same answer."""

    @mutation("Keeps an area's shade calendar: its changes become tasks.")
    async def keep_shade_calendar(self, info: Info, key: str, area: str) -> KeptShadeAnswer:
        """What was kept for later weeks goes."""

        def work(session: Session, token: Token) -> KeptShade:
            (found,) = shade_calendar.shade_calendars(session, area)
            number = shade_calendar.keep_calendar(session, found, token.name)
            return KeptShade(area=found.area, changes=number)

        return await write(info, LEAD, key, {"area": area}, work)
