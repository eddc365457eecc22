"""A propagation plan, as the API writes it: what goes wrong first, then the starts."""

from datetime import date

import strawberry

from api.mirror import mirror
from nursery.planning.plan_report import PlanReport
from nursery.weeks import Week


@strawberry.type(description="Trays of a protocol to start in a week, and the plugs they give.")
class PlannedBatch:
    """Plugs are safe ones."""

    week: Week
    monday: date
    crop: str
    protocol: str
    trays: int
    extra_weeks: int
    plugs: int
    ready_week: Week


@strawberry.type(description="Demand left without plugs, and the first thing that binds.")
class Unmet:
    """The reason is a sentence for the lead."""

    crop: str
    week: Week
    plugs: int
    reason: str


@strawberry.type(description="Tray places beyond what the benches of a kind of area have.")
class Overflow:
    """In places."""

    area: str
    week: Week
    places: float


@strawberry.type(description="Plugs that become ready after the week in which they are wanted.")
class LatePlugs:
    """In plugs."""

    crop: str
    wanted_week: Week
    ready_week: Week
    plugs: int


@strawberry.type(description="Plugs whose life ends unsold.")
class PlannedDiscard:
    """Ready in a week, or standing ready with a last sale week."""

    crop: str
    week: Week
    plugs: int
    stands_ready: bool


@strawberry.type(description="The fullest week of a kind of growing area.")
class Peak:
    """No `share` where its places are not known."""

    area: str
    week: Week
    used: float
    places: int
    share: float | None


@strawberry.type(description="Work of a week, in minutes.")
class Hours:
    """`overtime` is part of `minutes`; nobody is there for `beyond`."""

    week: Week
    minutes: int
    regular: int
    overtime: int
    beyond: int


@strawberry.type(description="Propagules taken of a mother block's quota.")
class MotherUse:
    """`fullest_week` takes the largest share of its quota; the reserve is in no quota."""

    block: str
    reserve: int
    taken: int
    quota: int
    fullest_week: Week
    taken_then: int
    quota_then: int


@strawberry.type(description="A propagation plan. Costs are text: hundredths of a cent, any size.")
class Plan:
    """`gap` is (cost - bound) / cost; `backward_cost` is the rule of thumb's."""

    version: int
    first_week: Week
    weeks: int
    cost: str
    bound: str
    gap: float
    backward_cost: str
    seconds: float
    status: str
    accepted_by: str | None
    unmet: list[Unmet]
    overflow: list[Overflow]
    late: list[LatePlugs]
    discards: list[PlannedDiscard]
    starts: list[PlannedBatch]
    peaks: list[Peak]
    hours: list[Hours]
    mothers: list[MotherUse]
    changed_starts: list[str]
    notes: list[str]


def plan(report: PlanReport) -> Plan:
    """The API's form of a plan."""
    return mirror(
        Plan,
        report,
        first_week=Week.parse(report.first_week),
        cost=str(report.cost),
        bound=str(report.bound),
        backward_cost=str(report.backward_cost),
        unmet=[mirror(Unmet, each, week=Week.parse(each.week)) for each in report.unmet],
        overflow=[mirror(Overflow, each, week=Week.parse(each.week)) for each in report.overflow],
        late=[
            mirror(
                LatePlugs,
                each,
                wanted_week=Week.parse(each.wanted_week),
                ready_week=Week.parse(each.ready_week),
            )
            for each in report.late
        ],
        discards=[
            mirror(PlannedDiscard, each, week=Week.parse(each.week)) for each in report.discards
        ],
        starts=[
            mirror(
                PlannedBatch,
                each,
                week=Week.parse(each.week),
                ready_week=Week.parse(each.ready_week),
            )
            for each in report.starts
        ],
        peaks=[mirror(Peak, each, week=Week.parse(each.week)) for each in report.peaks],
        hours=[mirror(Hours, each, week=Week.parse(each.week)) for each in report.hours],
        mothers=[
            mirror(MotherUse, each, fullest_week=Week.parse(each.fullest_week))
            for each in report.mothers
        ],
        changed_starts=list(report.changed_starts),
        notes=list(report.notes),
    )
