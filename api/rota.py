"""The rota: who does what on which day of the week."""

from collections.abc import Sequence
from datetime import date, datetime
from typing import Annotated, TypeAlias

import strawberry
from sqlmodel import Session

from api.context import Info, read, read_now
from api.fields import field, mutation
from api.mirror import mirror
from api.refusals import Refusal, of_fault
from nursery.access import Role, Token
from nursery.errors import Fault
from nursery.planning.bench_map import Limits
from nursery.week import rota as rotas
from nursery.weeks import Week

LEAD = (Role.LEAD,)
_SECONDS = 5.0
"""How long a rota is levelled while the lead waits for it."""


@strawberry.type(description="One line of a person's sheet of one day.")
class RotaLine:
    """`line` names the line of the week sheet for doAsPlanned, "" for other work.

    `others` do it together with them; `part` says which part of a long task it is ("2 of 3").
    """

    line: str
    what: str
    part: str
    batch_code: str
    crop: str
    come_from: str
    go_to: str
    trays: int
    plugs: int
    minutes: int
    others: list[str]
    note: str


@strawberry.type(description="What one person does on one day, in this order.")
class PersonDay:
    """`there` are the minutes that they are in."""

    person: str
    day: date
    minutes: int
    there: int
    lines: list[RotaLine]


@strawberry.type(description="A person's minutes on the seven days of the week, Monday first.")
class PersonHours:
    """`beyond` is the part of the `overtime` that nobody agreed to."""

    person: str
    minutes: list[int]
    there: list[int]
    overtime: int
    beyond: int


@strawberry.type(description="Work that nobody is given, and why.")
class NotGivenOut:
    """A person decides."""

    what: str
    batch_code: str
    crop: str
    why: str


@strawberry.type(description="The rota of a week, levelled over the people who are in.")
class Rota:
    """`hot` are days forecast hot, as far as `forecast_until`; without one a person decides.

    `kept_at` is when it was levelled and kept; `since` tasks were given out beside it since.
    """

    week: Week
    plan_version: int | None
    days: list[PersonDay]
    hours: list[PersonHours]
    not_given_out: list[NotGivenOut]
    hot: list[date]
    forecast_until: date | None
    cautions: list[str]
    kept_at: datetime | None
    since: int


RotaAnswer: TypeAlias = Annotated[Rota | Refusal, strawberry.union("RotaAnswer")]


def _day(found: rotas.PersonDay) -> PersonDay:
    lines = [
        mirror(RotaLine, line.work, batch_code=line.work.batch, others=list(line.others))
        for line in found.lines
    ]
    return mirror(PersonDay, found, lines=lines)


def _left(found: rotas.Rota) -> list[NotGivenOut]:
    nobody = [
        NotGivenOut(what=work.what, batch_code=work.batch, crop=work.crop, why=why)
        for work, why in found.undone
    ]
    held = [
        NotGivenOut(
            what=each.line.kind.value,
            batch_code=each.line.batch,
            crop=each.line.crop,
            why=each.why,
        )
        for each in found.held
    ]
    return nobody + held


def _rota(found: rotas.Rota, week: Week, days: Sequence[rotas.PersonDay]) -> Rota:
    return Rota(
        week=week,
        plan_version=found.plan_version,
        days=[_day(each) for each in days],
        hours=[
            mirror(PersonHours, row, minutes=list(row.minutes), there=list(row.there))
            for row in found.hours
        ],
        not_given_out=_left(found),
        hot=list(found.hot),
        forecast_until=found.forecast_until,
        cautions=list(found.cautions),
        kept_at=found.kept_at,
        since=found.since,
    )


@strawberry.type
class RotaQueries:
    """Roots about who works when."""

    @field("Who does what on which day of a week: a sheet a person and day.")
    async def rota(self, info: Info, week: Week, person: str | None = None) -> RotaAnswer:
        """For the lead; the sheets of one `person`, where one is named.

        The kept rota, at once: what was handed out stays, and what came since is given out beside
        it. See `keepRota`.
        """

        def work(session: Session, token: Token) -> Rota:
            found = rotas.rota(session, week)
            return _rota(found, week, found.sheets if person is None else found.of(person))

        return await read(info, LEAD, work)


@strawberry.type
class RotaMutations:
    """Changes of who works when."""

    @mutation("Levels the rota of a week anew and keeps it: it is handed out from now on.")
    async def keep_rota(self, info: Info, week: Week) -> RotaAnswer:
        """It takes up to 5 seconds. Sent again it levels again."""
        context = info.context

        def work() -> Rota | Refusal:
            may = read_now(context, LEAD, lambda session, token: None)
            if isinstance(may, Refusal):
                return may
            try:
                found = rotas.keep_rota(context.desk.db, week, Limits(_SECONDS, threads=1))
            except Fault as fault:
                return of_fault(fault)
            return _rota(found, week, found.sheets)

        return await context.desk.in_thread(work)
