"""What comes round in a week: walks, watering, hygiene; and what is watered before packing."""

from datetime import date
from typing import Annotated, TypeAlias

import strawberry
from sqlmodel import Session

from api.context import Info, read
from api.fields import field
from api.mirror import mirror
from api.refusals import Refusal
from api.shed import WateringList, watering_of
from nursery.access import Role, Token
from nursery.shed import watering
from nursery.week.week_sheet import week_sheet
from nursery.weeks import Week

LEAD = (Role.LEAD,)


@strawberry.type(description="One turn of recurring work on one day.")
class Round:
    """Minutes of each of its `persons`; `assumed` says why, where nobody listed it."""

    name: str
    place: str
    day: date
    minutes: int
    persons: int
    skill: str
    assumed: str


@strawberry.type(description="The rounds of a week, and the watering before each pack day of it.")
class Rounds:
    """`minutes` are those of all hands, without the watering before packing."""

    week: Week
    minutes: int
    rounds: list[Round]
    watering: list[WateringList]


RoundsAnswer: TypeAlias = Annotated[Rounds | Refusal, strawberry.union("RoundsAnswer")]


@strawberry.type
class RoundQueries:
    """Roots about work that comes round."""

    @field("Pest walks, counts, watering and hygiene of a week, day by day.")
    async def rounds(self, info: Info, week: Week) -> RoundsAnswer:
        """For the lead. Only pack days on which something is watered are in it."""

        def work(session: Session, token: Token) -> Rounds:
            sheet = week_sheet(session, week)
            lists = [watering.watering_list(session, day) for day in week.days()]
            return Rounds(
                week=week,
                minutes=sheet.round_minutes,
                rounds=[mirror(Round, each) for each in sheet.rounds],
                watering=[watering_of(each) for each in lists if each.stops or each.missing],
            )

        return await read(info, LEAD, work)
