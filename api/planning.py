"""What the lead asks of plans: makes them, follows them while they are solved, accepts them."""

from collections.abc import AsyncGenerator, Sequence
from contextlib import aclosing
from datetime import date
from typing import Annotated, Any, TypeAlias

import strawberry
from sqlmodel import Session

from api.context import Info, read, write
from api.fields import field, mutation, subscription
from api.jobs import Jobs, JobState, Report
from api.kept import kept
from api.listening import listen
from api.mirror import mirror
from api.plan import Plan, plan
from api.refusals import Code, Refusal, refuse, written
from nursery.access import Role, Token
from nursery.dispatching import dispatch
from nursery.errors import Fault
from nursery.plan_job import JobKind
from nursery.planned import PlanKind, newest_version
from nursery.planning import plan_relief, propagation
from nursery.weeks import Week

LEAD = (Role.LEAD,)
_MOST_SECONDS = 3600
_MOST_DEMANDS = 50

kept(strawberry.enum(JobState, description="How far a job is."))


@kept
@strawberry.type(description="An order that leaves, and how many days late.")
class Ship:
    """`part` is the product, where an order leaves in parts; else it is empty. `notes`: what in it
    is not as ordered."""

    reference: str
    ship_on: date
    service: str
    late_days: int
    part: str
    notes: list[str]


@kept
@strawberry.type(description="A promise that gets another day, and why, in words for a customer.")
class ReDated:
    """Tell the customer before the day that is missed."""

    reference: str
    from_day: date
    to_day: date
    reason: str


@kept
@strawberry.type(description="An order that gets other plants, in words for its customer.")
class OtherPlants:
    """As the customer agreed, or what was ordered again. `part`: only this product of it."""

    reference: str
    ship_on: date
    words: str
    part: str


@kept
@strawberry.type(description="An order for which there is no day, and what is in its way.")
class Unshipped:
    """It waits for the lead. `part`: only this product of it."""

    reference: str
    reason: str
    part: str


@kept
@strawberry.type(description="A dispatch: which order leaves when. Costs are text, in cents.")
class DispatchPlan:
    """`first_come_cost` is what filling days first come, first served would cost."""

    version: int
    accepted: bool
    first_day: date
    ships: list[Ship]
    moved: list[ReDated]
    changed: list[OtherPlants]
    unshipped: list[Unshipped]
    cost: str
    bound: str
    first_come_cost: str
    seconds: float


@kept
@strawberry.type(description="What would help for plugs that a plan leaves unmet or late.")
class PlanRelief:
    """`binding` is what stands in the way first, `told` what would help, as it was solved again.

    `promised` and `found` are gains in cost, as text; `met` plugs are then there in time.
    """

    crop: str
    week: Week
    plugs: int
    unmet: bool
    binding: str
    amount: int
    promised: str
    found: str
    met: int
    told: str


@kept
@strawberry.type(description="A plan that is being made or asked about. Costs are text: any size.")
class Job:
    """`version` is the plan's, once it is stored; `refusal` says why none was.

    A dispatch says in `dispatch` what it decides. What would help is in `reliefs`; meanwhile
    `stepsDone` of `steps` demands have been asked about.
    """

    id: strawberry.ID
    kind: JobKind
    state: JobState
    seconds: float
    cost: str | None
    bound: str | None
    version: int | None
    dispatch: DispatchPlan | None
    refusal: Refusal | None
    steps_done: int | None = None
    steps: int | None = None
    reliefs: list[PlanRelief] | None = None


@kept
@strawberry.type(description="A plan that is followed from now on.")
class AcceptedPlan:
    """Who said so."""

    kind: PlanKind
    version: int
    accepted_by: str


PlanAnswer: TypeAlias = Annotated[Plan | Refusal, strawberry.union("PlanAnswer")]
DispatchPlanAnswer: TypeAlias = Annotated[
    DispatchPlan | Refusal, strawberry.union("DispatchPlanAnswer")
]
JobAnswer: TypeAlias = Annotated[Job | Refusal, strawberry.union("JobAnswer")]
AcceptedPlanAnswer: TypeAlias = Annotated[
    AcceptedPlan | Refusal, strawberry.union("AcceptedPlanAnswer")
]


def job(report: Report) -> Job:
    """The API's form of a job's report."""
    made = report.made
    return Job(
        id=strawberry.ID(report.id),
        kind=JobKind(report.kind),
        state=report.state,
        seconds=report.seconds,
        cost=None if report.cost is None else str(report.cost),
        bound=None if report.bound is None else str(report.bound),
        steps_done=report.steps_done,
        steps=report.steps,
        version=made.version if made else None,
        dispatch=_dispatch_plan(made.dispatch) if made and made.dispatch else None,
        reliefs=None if made is None else _reliefs(made.reliefs),
        refusal=None if report.refusal is None else written(report.refusal),
    )


def _reliefs(found: Sequence[plan_relief.PlanRelief] | None) -> list[PlanRelief] | None:
    if found is None:
        return None
    return [
        mirror(PlanRelief, each, promised=str(each.promised), found=str(each.found))
        for each in found
    ]


def _dispatch_plan(found: dispatch.DispatchReport) -> DispatchPlan:
    return mirror(
        DispatchPlan,
        found,
        ships=[mirror(Ship, each, notes=list(each.notes)) for each in found.ships],
        moved=[mirror(ReDated, each) for each in found.moved],
        changed=[mirror(OtherPlants, each) for each in found.changed],
        unshipped=[mirror(Unshipped, each) for each in found.unshipped],
        cost=str(found.cost),
        bound=str(found.bound),
        first_come_cost=str(found.first_come_cost),
    )


def _unknown_job() -> Refusal:
    return refuse(Code.NOT_FOUND, "This server started no such job", "id", "plan again")


@strawberry.type
class PlanQueries:
    """Roots about plans."""

    @field("A propagation plan: what goes wrong first, then the starts.")
    async def plan(self, info: Info, version: int) -> PlanAnswer:
        """For the lead."""

        def work(session: Session, token: Token) -> Plan:
            return plan(propagation.stored_report(session, version))

        return await read(info, LEAD, work)


@strawberry.type
class PlanMutations:
    """What the lead does with plans. Sent again under the same `key`, each answers the same."""

    @mutation("Starts to make a propagation plan in a process of its own.")
    async def plan_propagation(
        self, info: Info, key: str, weeks: int = 26, seconds: float = 60.0
    ) -> JobAnswer:
        """Follow it by jobProgress; the plan is stored, not accepted."""
        given = {"weeks": weeks, "seconds": seconds}
        return await _start(info, key, JobKind.PROPAGATION, given)

    @mutation("Starts to make a dispatch in a process of its own.")
    async def plan_dispatch(
        self, info: Info, key: str, seconds: float = 10.0, accept: bool = False
    ) -> JobAnswer:
        """With `accept` it is carried out as soon as it is found."""
        return await _start(info, key, JobKind.DISPATCH, {"seconds": seconds, "accept": accept})

    @mutation("Starts to ask what stands in the way of unmet or late plugs, and what would help.")
    async def ask_what_would_help(
        self,
        info: Info,
        key: str,
        version: int | None = None,
        crop: str = "",
        week: Week | None = None,
        most: int = 3,
    ) -> JobAnswer:
        """Of the newest plan, if none is named; of the shortest demands, or of one crop and week.

        Follow it by jobProgress; `cancelJob` keeps what was found. Ten to twenty small solves each.
        """
        given = {
            "version": version,
            "crop": crop,
            "week": "" if week is None else str(week),
            "most": most,
        }
        return await _start(info, key, JobKind.RELIEF, given)

    @mutation("Ends a job now; it stores the best plan it has, unless told not to.")
    async def cancel_job(self, info: Info, id: strawberry.ID, keep_best: bool = True) -> JobAnswer:
        """A second one changes nothing."""
        jobs = info.context.desk.jobs

        def work(session: Session, token: Token) -> Job | Refusal:
            report = jobs.cancel(id, keep_best)
            return _unknown_job() if report is None else job(report)

        return await read(info, LEAD, work)

    @mutation("Follows this propagation plan from now on, if its data still hold.")
    async def accept_plan(
        self, info: Info, key: str, version: int, despite_changes: bool = False
    ) -> AcceptedPlanAnswer:
        """With `despiteChanges` also on data that changed, as long as it breaks no rule."""
        body = {"version": version, "despite_changes": despite_changes}

        def work(session: Session, token: Token) -> AcceptedPlan:
            row = propagation.accept_plan(session, version, token.name, despite_changes)
            return AcceptedPlan(
                kind=row.kind, version=version, accepted_by=row.accepted_by or token.name
            )

        return await write(info, LEAD, key, body, work)

    @mutation("Carries a dispatch out: promises are made, others get another day.")
    async def accept_dispatch(self, info: Info, key: str, version: int) -> DispatchPlanAnswer:
        """Refused where it no longer fits what was promised since."""

        def work(session: Session, token: Token) -> DispatchPlan:
            return _dispatch_plan(dispatch.accept(session, version, token.name))

        return await write(info, LEAD, key, {"version": version}, work)


async def _start(info: Info, key: str, kind: JobKind, given: dict[str, Any]) -> Job | Refusal:
    jobs = info.context.desk.jobs

    def work(session: Session, token: Token) -> Job:
        _refuse_wrong_size(given)
        arguments = {**given, "actor": token.name}
        if kind is JobKind.RELIEF:
            arguments["version"] = _refuse_wrong_question(session, given)
        return job(jobs.start(session, kind.value, arguments))

    return await write(info, LEAD, key, given, work)


def _refuse_wrong_size(given: dict[str, Any]) -> None:
    if not 0 < given.get("seconds", 1) <= _MOST_SECONDS:
        rule = f"must be above 0 and at most {_MOST_SECONDS}"
        raise Fault("Seconds of a plan", rule, given["seconds"], "give another time")
    if not 1 <= given.get("weeks", 1) <= 104:
        raise Fault("Weeks of a plan", "must be 1 to 104", given["weeks"], "give another number")
    if not 1 <= given.get("most", 1) <= _MOST_DEMANDS:
        rule = f"must be 1 to {_MOST_DEMANDS}"
        raise Fault("Demands asked about", rule, given["most"], "give another number")


def _refuse_wrong_question(session: Session, given: dict[str, Any]) -> int:
    """The plan that is asked about; refused at once where it, the crop or the week is not there."""
    version = given["version"] or newest_version(session, PlanKind.PROPAGATION)
    at = plan_relief.read_plan(session, version)
    week = Week.parse(given["week"]) if given["week"] else None
    plan_relief.asked_about(at, given["crop"], week, given["most"])
    return version


@strawberry.type
class JobNews:
    """Subscriptions about jobs."""

    @subscription("How far a job is, until it has ended.")
    async def job_progress(self, info: Info, id: strawberry.ID) -> AsyncGenerator[JobAnswer, None]:
        """For the lead. Says something whenever there is something new."""
        jobs, told = info.context.desk.jobs, list[Job]()

        def look(session: Session) -> list[Job] | Refusal:
            found = _job_now(jobs, id, session)
            if isinstance(found, Refusal) or found in told[-1:]:
                return found if isinstance(found, Refusal) else []
            told[:] = [found]
            return [found]

        async with aclosing(listen(info, LEAD, look)) as news:
            async for found in news:
                yield found
                if isinstance(found, Job) and found.state is not JobState.RUNNING:
                    return


def _job_now(jobs: Jobs, id: str, session: Session) -> Job | Refusal:
    report = jobs.report(session, id)
    return _unknown_job() if report is None else job(report)
