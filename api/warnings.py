"""What must be looked at, what can be done about it, and by when."""

from datetime import date
from typing import Annotated, TypeAlias

import strawberry
from sqlmodel import Session

from api.context import Info, read
from api.fields import field
from api.mirror import mirror
from api.refusals import Refusal
from nursery.access import Role, Token
from nursery.week.warnings import Urgency, WarningKind
from nursery.week.warnings import warnings as all_warnings

LEAD = (Role.LEAD,)


@strawberry.type(description="One thing to look at, and what to do about it.")
class Warning:
    """`latest_day` is the last day on which that is in time."""

    kind: WarningKind
    thing: str
    text: str
    what_to_do: str
    latest_day: date
    urgency: Urgency


@strawberry.type(description="All warnings, the most urgent first.")
class Warnings:
    """None where nothing needs to be looked at."""

    warnings: list[Warning]


WarningsAnswer: TypeAlias = Annotated[Warnings | Refusal, strawberry.union("WarningsAnswer")]


@strawberry.type
class WarningQueries:
    """Roots about warnings."""

    @field("What must be looked at, with what to do and the last day for it.")
    async def warnings(self, info: Info) -> WarningsAnswer:
        """For the lead."""

        def work(session: Session, token: Token) -> Warnings:
            return Warnings(warnings=[mirror(Warning, each) for each in all_warnings(session)])

        return await read(info, LEAD, work)
