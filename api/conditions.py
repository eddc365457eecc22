"""What the lead tells of the world outside: forecasts, closed days; and a clock for tests."""

from datetime import date, datetime
from typing import Annotated, TypeAlias

import strawberry
from sqlmodel import Session

from api.context import Info, write
from api.fields import mutation
from api.ids import global_id, key_of
from api.kept import kept
from api.refusals import Code, Refusal, refuse
from nursery.access import Role, Token
from nursery.carrier import ClosedAt
from nursery.database import now, site
from nursery.growing.forecasting import record_forecast
from nursery.promising.closing import close_day
from nursery.weather import Degrees, HoldDecision
from nursery.weather_in.answer import ForecastDay
from nursery.weather_in.decisions import decide_days, withdraw_decision
from nursery.weather_in.units import celsius

LEAD = (Role.LEAD,)
_LONGEST_SHIFT = 10 * 366 * 86_400


kept(strawberry.enum(Degrees, name="Degrees", description="Unit of a temperature."))


@strawberry.input(description="What is forecast for a day.")
class ForecastDayInput:
    """Lowest and highest of the day, in °C unless the forecast declares another unit."""

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
@strawberry.type(description="Ship days that a person opened or closed, whatever the weather says.")
class HoldDecided:
    """It stands until it is withdrawn; of several for a day the latest counts."""

    id: strawberry.ID
    place: str
    first_day: date
    last_day: date
    opens: bool
    decided_by: str
    reason: str
    withdrawn: bool


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
HoldAnswer: TypeAlias = Annotated[HoldDecided | Refusal, strawberry.union("HoldAnswer")]
TestClockAnswer: TypeAlias = Annotated[TestClock | Refusal, strawberry.union("TestClockAnswer")]


@strawberry.type
class ConditionMutations:
    """What comes from outside. Sent again under the same `key`, each gives the same answer."""

    @mutation("Records a forecast for a station's days.")
    async def record_forecast(
        self,
        info: Info,
        key: str,
        station: str,
        issued_at: datetime,
        days: list[ForecastDayInput],
        unit: Degrees = Degrees.CELSIUS,
    ) -> ForecastAnswer:
        """A stale or implausible one is refused: then a person decides."""
        body = {"station": station, "issued_at": issued_at, "days": days}
        if unit is not Degrees.CELSIUS:  # keys that were sent before there was a unit still answer
            body["unit"] = unit.value

        def work(session: Session, token: Token) -> RecordedForecast:
            given = [
                ForecastDay(each.day, celsius(each.min_c, unit), celsius(each.max_c, unit))
                for each in days
            ]
            rows = record_forecast(session, station, issued_at, given, unit)
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

    @mutation("Opens or closes ship days by hand, whatever forecast and climate say.")
    async def decide_ship_days(
        self,
        info: Info,
        key: str,
        opens: bool,
        first_day: date,
        decided_by: str,
        reason: str,
        last_day: date | None = None,
        place: str = "",
    ) -> HoldAnswer:
        """`place` is a zone's or a holiday region's name, "" everywhere. Name and reason are kept
        and shown in quotes."""
        last = last_day or first_day
        body = {
            "opens": opens,
            "first_day": first_day,
            "last_day": last,
            "decided_by": decided_by,
            "reason": reason,
            "place": place,
        }

        def work(session: Session, token: Token) -> HoldDecided:
            row = decide_days(session, opens, first_day, last, decided_by, reason, place)
            return _decided(row)

        return await write(info, LEAD, key, body, work)

    @mutation("Withdraws a decision made by hand: forecast and climate decide again.")
    async def withdraw_decision(self, info: Info, key: str, id: strawberry.ID) -> HoldAnswer:
        """`id` is that of a HoldDecided."""

        def work(session: Session, token: Token) -> HoldDecided:
            return _decided(withdraw_decision(session, key_of("HoldDecision", id)))

        return await write(info, LEAD, key, {"id": id}, work)

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


def _decided(row: HoldDecision) -> HoldDecided:
    return HoldDecided(
        id=global_id("HoldDecision", row.id or 0),
        place=row.place,
        first_day=row.first_day,
        last_day=row.last_day,
        opens=row.opens,
        decided_by=row.decided_by,
        reason=row.reason,
        withdrawn=row.withdrawn_at is not None,
    )
