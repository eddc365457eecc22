"""Two propagation plans side by side, as the API writes them."""

from typing import Annotated, TypeAlias

import strawberry
from sqlmodel import Session

from api.context import Info, read
from api.fields import field
from api.mirror import mirror
from api.plan import Hours, MotherUse, Peak
from api.refusals import Refusal
from nursery.access import Role, Token
from nursery.planning import compare as comparing
from nursery.planning.compare import ChangeKind
from nursery.planning.shocks import Effect, Shock
from nursery.weeks import Week

LEAD = (Role.LEAD,)


@strawberry.type(description="What one shock adds to what a plan comes to.")
class ShockEffect:
    """`told` says what was assumed. Cost is text: hundredths of a cent, any size."""

    shock: Shock
    told: str
    costs_more: str
    more_unmet: int
    more_late_plug_days: int
    more_overtime: int
    more_overflow: int


@strawberry.type(description="What a plan comes to. Cost is text: hundredths of a cent, any size.")
class PlanFigures:
    """Times in minutes, `overflow` in place-weeks; nobody is there for `beyond`."""

    version: int
    accepted_by: str | None
    first_week: Week
    weeks: int
    cost: str
    batches: int
    trays: int
    unmet_plugs: int
    late_plugs: int
    late_plug_days: int
    discarded_plugs: int
    overflow: int
    minutes: int
    overtime: int
    beyond: int
    busiest: Hours
    peaks: list[Peak]
    mothers: list[MotherUse]
    shocks: list[ShockEffect]


@strawberry.type(description="A start in which the second plan differs from the first.")
class StartChange:
    """No week and 0 trays where a plan has no such start."""

    kind: ChangeKind
    protocol: str
    was_week: Week | None
    week: Week | None
    was_trays: int
    trays: int


@strawberry.type(description="Two plans side by side, judged on the same data where they fit it.")
class PlanComparison:
    """`notes` are sentences for the lead."""

    a: PlanFigures
    b: PlanFigures
    changes: list[StartChange]
    same_data: bool
    notes: list[str]


PlanComparisonAnswer: TypeAlias = Annotated[
    PlanComparison | Refusal, strawberry.union("PlanComparisonAnswer")
]


def _effect(found: Effect) -> ShockEffect:
    return ShockEffect(
        shock=found.shock,
        told=found.told,
        costs_more=str(found.more.cost),
        more_unmet=found.more.unmet,
        more_late_plug_days=found.more.late_plug_days,
        more_overtime=found.more.overtime,
        more_overflow=found.more.overflow,
    )


def _figures(found: comparing.PlanFigures) -> PlanFigures:
    return mirror(
        PlanFigures,
        found,
        first_week=Week.parse(found.first_week),
        cost=str(found.cost),
        busiest=mirror(Hours, found.busiest, week=Week.parse(found.busiest.week)),
        peaks=[mirror(Peak, each, week=Week.parse(each.week)) for each in found.peaks],
        mothers=[
            mirror(MotherUse, each, fullest_week=Week.parse(each.fullest_week))
            for each in found.mothers
        ],
        shocks=[_effect(each) for each in found.shocks],
    )


def _week(text: str) -> Week | None:
    return Week.parse(text) if text else None


@strawberry.type
class CompareQueries:
    """Roots about two plans."""

    @field("Two propagation plans side by side: unmet, late, peaks, hours, shocks, changed starts.")
    async def compare_plans(self, info: Info, a: int, b: int) -> PlanComparisonAnswer:
        """For the lead. Nothing is solved again."""

        def work(session: Session, token: Token) -> PlanComparison:
            found = comparing.compare(session, a, b)
            return PlanComparison(
                a=_figures(found.a),
                b=_figures(found.b),
                changes=[
                    mirror(StartChange, each, was_week=_week(each.was_week), week=_week(each.week))
                    for each in found.changes
                ],
                same_data=found.same_data,
                notes=list(found.notes),
            )

        return await read(info, LEAD, work)
