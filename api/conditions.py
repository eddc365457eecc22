"""What the lead tells of the world outside: forecasts, closed days; and a clock for tests."""

from datetime import date, datetime
from typing import Annotated, TypeAlias

import strawberry
from sqlmodel import Session

from api.context import Info, write
from api.fields import mutation
from api.ids import global_id
from api.kept import kept
from api.refusals import Code, Refusal, refuse
from nursery.access import Role, Token
from nursery.carrier import ClosedAt
from nursery.database import now, site
from nursery.growing.forecasting import ForecastDay, record_forecast
from nursery.promising.closing import close_day

LEAD = (Role.LEAD,)
_LONGEST_SHIFT = 10 * 366 * 86_400


@strawberry.input(description="What is forecast for a day, in °C.")
class ForecastDayInput:
    """Lowest and highest of the day."""

    day: date
    min_c: float
    max_c: float


@kept
@strawberry.type(description="A forecast as it was recorded.")
class RecordedForecast:
    """After the site's shelf hours it is no forecast any more."""

    station: str
    issued_at: datetime
    first_day: date
    last_day: date
    days: int


@kept
@strawberry.type(description="Days that are closed, and the promises whose way they cross.")
class Closed:
    """These promises keep their day until the lead gives them another."""

    closed_at: ClosedAt
    key: str
    first_day: date
    last_day: date
    reason: str
    promise_ids: list[strawberry.ID]


@kept
@strawberry.type(description="The database's clock after it was shifted.")
class TestClock:
    """For a shop's developer only."""

    now: datetime
    shift_seconds: int


ForecastAnswer: TypeAlias = Annotated[
    RecordedForecast | Refusal, strawberry.union("ForecastAnswer")
]
ClosedAnswer: TypeAlias = Annotated[Closed | Refusal, strawberry.union("ClosedAnswer")]
TestClockAnswer: TypeAlias = Annotated[TestClock | Refusal, strawberry.union("TestClockAnswer")]


@strawberry.type
class ConditionMutations:
    """What comes from outside. Sent again under the same `key`, each gives the same answer."""

    @mutation("Records a forecast for a station's days.")
    async def record_forecast(
        self, info: Info, key: str, station: str, issued_at: datetime, days: list[ForecastDayInput]
    ) -> ForecastAnswer:
        """A stale or implausible one is refused: then a person decides."""
        body = {"station": station, "issued_at": issued_at, "days": days}

        def work(session: Session, token: Token) -> RecordedForecast:
            given = [ForecastDay(each.day, each.min_c, each.max_c) for each in days]
            rows = record_forecast(session, station, issued_at, given)
            return RecordedForecast(
                station=station,
                issued_at=issued_at,
                first_day=rows[0].day,
                last_day=rows[-1].day,
                days=len(rows),
            )

        return await write(info, LEAD, key, body, work)

    @mutation("Closes days: nothing is collected or delivered, with a reason.")
    async def close_day(
        self,
        info: Info,
        key: str,
        closed_at: ClosedAt,
        first_day: date,
        reason: str,
        last_day: date | None = None,
        place: str = "",
    ) -> ClosedAnswer:
        """`place` is the service's, the zone's or the holiday region's name."""
        last = last_day or first_day
        body = {
            "closed_at": closed_at,
            "first_day": first_day,
            "last_day": last,
            "reason": reason,
            "place": place,
        }

        def work(session: Session, token: Token) -> Closed:
            found = close_day(session, closed_at, first_day, last, reason, place)
            return Closed(
                closed_at=closed_at,
                key=place,
                first_day=first_day,
                last_day=last,
                reason=reason,
                promise_ids=[global_id("Promise", id) for id in found.promise_ids],
            )

        return await write(info, LEAD, key, body, work)

    @mutation("Shifts the database's clock forward, to try lapsing. Off unless settings allow it.")
    async def advance_test_clock(self, info: Info, key: str, seconds: int) -> TestClockAnswer:
        """Never where real orders come in."""
        settings = info.context.desk.settings

        def work(session: Session, token: Token) -> TestClock | Refusal:
            if not settings.test_clock:
                return refuse(
                    Code.OFF,
                    "The test clock is off",
                    next="start the server with NURSERY_TEST_CLOCK=1, on a database for tests",
                )
            here = site(session)
            shift = here.clock_shift_seconds + seconds
            if seconds < 1 or shift > _LONGEST_SHIFT:
                return refuse(
                    Code.INVALID, f"The clock goes forward only, got {seconds}", "seconds"
                )
            here.clock_shift_seconds = shift
            session.add(here)
            session.flush()
            return TestClock(now=now(session), shift_seconds=shift)

        return await write(info, (Role.SHOP, Role.LEAD), key, {"seconds": seconds}, work)
