"""The lead's week sheet: what is to be done, batch by batch."""

from datetime import date
from typing import Annotated, TypeAlias

import strawberry
from sqlmodel import Session

from api.context import Info, read
from api.fields import field
from api.ids import global_id
from api.mirror import mirror
from api.refusals import Refusal
from nursery.access import Role, Token
from nursery.week.week_sheet import Task as TaskRecord
from nursery.week.week_sheet import TaskKind, week_sheet
from nursery.weeks import Week

LEAD = (Role.LEAD,)


@strawberry.type(description="One line of the week sheet.")
class Task:
    """`latest` is the last day in time; `stopped` says why it may not be done now.

    `key` names the line for doAsPlanned; it is the same until the line is done. `note` says which
    trays and how many propagules must be at hand.
    """

    key: str
    kind: TaskKind
    batch_code: str
    crop: str
    come_from: str
    go_to: str
    trays: int
    plugs: int
    minutes: int
    latest: date
    stopped: str
    note: str
    lot_id: strawberry.ID | None
    planned_start_id: strawberry.ID | None


@strawberry.type(description="The tasks of a week, in the order of their latest day.")
class WeekSheet:
    """From the accepted plan and from what stands on the benches."""

    week: Week
    plan_version: int | None
    minutes: int
    tasks: list[Task]


WeekSheetAnswer: TypeAlias = Annotated[WeekSheet | Refusal, strawberry.union("WeekSheetAnswer")]


def _task(found: TaskRecord) -> Task:
    planned = found.planned_start_id
    return mirror(
        Task,
        found,
        batch_code=found.batch,
        lot_id=None if found.lot_id is None else global_id("Lot", found.lot_id),
        planned_start_id=None if planned is None else global_id("PlannedStart", planned),
    )


@strawberry.type
class WeekQueries:
    """Roots about the week."""

    @field("What is to be done in a week, batch by batch.")
    async def week_sheet(self, info: Info, week: Week) -> WeekSheetAnswer:
        """For the lead. For this week, what is overdue is on it as well."""

        def work(session: Session, token: Token) -> WeekSheet:
            found = week_sheet(session, week)
            return WeekSheet(
                week=week,
                plan_version=found.plan_version,
                minutes=found.minutes,
                tasks=[_task(each) for each in found.tasks],
            )

        return await read(info, LEAD, work)
