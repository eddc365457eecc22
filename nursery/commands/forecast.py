"""Forecasts: load a file, fetch them, see how they stand, decide a day by hand.

Example: nursery forecast show
"""

import asyncio
from datetime import datetime, timedelta
from pathlib import Path
from typing import Annotated
from zoneinfo import ZoneInfo

import typer
from sqlmodel import Session, col, func, select

from nursery.commands.console import (
    DATABASE,
    MOST_NUMBER,
    DatabaseOption,
    JsonOption,
    opened,
    print_json,
    say,
    show,
    warn,
)
from nursery.commands.typed import given_day, parse_day
from nursery.database import now, site, today
from nursery.errors import Fault
from nursery.settings import read_settings
from nursery.weather import Forecast, ForecastPull, ForecastSource, Station
from nursery.weather_in.decisions import decide_days, standing_decisions, withdraw_decision
from nursery.weather_in.errors import advice, measured_errors
from nursery.weather_in.sheet import load_forecasts, unit_named

app = typer.Typer(
    help=__doc__,
    no_args_is_help=True,
)
ByOption = Annotated[
    str, typer.Option("--by", envvar="NURSERY_PERSON", help="Who decides; shown in quotes.")
]
DayArgument = Annotated[str, typer.Argument(help="First ship day, such as 2027-07-01.")]
UntilOption = Annotated[str, typer.Option("--until", help="Last ship day; else the first alone.")]
PlaceOption = Annotated[
    str, typer.Option("--to", help="Zone or holiday region; else ship days to everywhere.")
]
ReasonOption = Annotated[str, typer.Option("--reason", help="Why; kept and shown in quotes.")]


@app.command("load")
def load(
    file: Annotated[Path, typer.Argument(help="CSV: Station, Day, Minimum, Maximum.")],
    unit: Annotated[str, typer.Option(help="C or F, for rows without a Unit.")] = "C",
    issued: Annotated[str, typer.Option(help="When it was issued; else now.")] = "",
    database: DatabaseOption = DATABASE,
    as_json: JsonOption = False,
) -> None:
    """Record forecasts from a CSV file; `Issued at` and `Unit` may be columns of it.

    Example: nursery forecast load tomorrow.csv --unit F --issued '2027-07-01 06:00'
    """
    with opened(database) as db, db.writing() as session:
        written = load_forecasts(session, file, unit_named(unit), _moment(session, issued))
        told = [
            {
                "station": station,
                "days": len(rows),
                "first_day": min(row.day for row in rows),
                "last_day": max(row.day for row in rows),
            }
            for station, rows in sorted(written.items())
        ]
    if as_json:
        print_json(told)
    for one in () if as_json else told:
        say(f"{one['station']}: {one['days']} days from {one['first_day']} to {one['last_day']}.")


def _moment(session: Session, text: str) -> datetime | None:
    if not text:
        return None
    try:
        at = datetime.fromisoformat(text)
    except ValueError:
        rule = "must be a date and time such as 2027-07-01 06:00"
        raise Fault("Issued", rule, text, "write it so") from None
    return at if at.tzinfo is not None else at.replace(tzinfo=ZoneInfo(site(session).time_zone))


@app.command("pull")
def pull(database: DatabaseOption = DATABASE, as_json: JsonOption = False) -> None:
    """Fetch the forecast of every station that has an address in Forecast sources.

    Example: nursery forecast pull

    `nursery serve` does so by itself. What comes back wrong loses nothing; exit status 1 then.

    An answer such as {"run": "2027-07-01T05:00Z", "days": [{"date": "2027-07-01", "air": {"low":
    14, "high": 31}}]} has, in Forecast sources: Days at days, Day date, Lowest air.low, Highest
    air.high, Issued at run. Parallel lists, {"daily": {"on": ["2027-07-01"], "low": [14], "high":
    [31]}}, have: Days at daily, Day on, Lowest low, Highest high.
    """
    # httpx takes a while to import, which no other command needs.
    from nursery.weather_in.pulling import pull_forecasts

    settings = read_settings()
    with opened(database) as db:
        pulled = asyncio.run(pull_forecasts(db, key=settings.forecast_key))
    if as_json:
        print_json(pulled)
    elif not pulled:
        say("No station has an address: fill in the sheet Forecast sources (`nursery export`).")
    else:
        for one in pulled:
            if one.warning:
                warn(f"{one.warning}.")
            else:
                say(f"{one.station}: {one.days} days.")
    if any(one.warning for one in pulled):
        raise typer.Exit(1)


@app.command("show")
def show_forecasts(database: DatabaseOption = DATABASE, as_json: JsonOption = False) -> None:
    """How do the forecasts stand, and which days has a person decided?

    Example: nursery forecast show
    """
    with opened(database) as db, db.reading() as session:
        stations = _stations(session)
        decided = standing_decisions(session, today(session))
    if as_json:
        print_json({"stations": stations, "decisions": decided})
        return
    headings = ("station", "issued (UTC)", "reaches", "judged by", "source", "last warning")
    show("Forecasts", headings, [tuple(one.values()) for one in stations])
    if decided:
        show("Days decided by hand", ("id", "what"), [(one.id, one.text) for one in decided])


def _stations(session: Session) -> list[dict[str, object]]:
    oldest = now(session) - timedelta(hours=site(session).forecast_shelf_hours)
    newest: dict[int, datetime] = dict(
        session.exec(
            select(col(Forecast.station_id), func.max(col(Forecast.issued_at))).group_by(
                col(Forecast.station_id)
            )
        ).all()
    )
    sources = set(session.exec(select(ForecastSource.station_id)))
    warned = dict(session.exec(select(ForecastPull.station_id, ForecastPull.warning)).all())
    found: list[dict[str, object]] = []
    for station in session.exec(select(Station).order_by(col(Station.name))):
        issued = newest.get(station.id or 0)
        fresh = issued is not None and issued >= oldest
        reaches = select(func.max(col(Forecast.day))).where(Forecast.station_id == station.id)
        last = session.exec(reaches.where(col(Forecast.issued_at) >= oldest)).one()
        found.append(
            {
                "station": station.name,
                "issued_at": f"{issued:%Y-%m-%d %H:%M}" if issued else "never",
                "last_day": last,
                "judged_by": "forecast" if fresh else "climate (stale)" if issued else "climate",
                "has_source": station.id in sources,
                "warning": warned.get(station.id or 0, ""),
            }
        )
    return found


@app.command("errors")
def errors(database: DatabaseOption = DATABASE, as_json: JsonOption = False) -> None:
    """How far were the forecasts of the last year out, beside what the settings say?

    Example: nursery forecast errors

    Observed days come in by the Weather sheet. Nothing is changed: type better settings into Site.
    """
    with opened(database) as db, db.reading() as session:
        found = measured_errors(session)
    fitting = advice(found)
    if as_json:
        print_json({"errors": found, "advice": fitting})
        return
    show(
        "Forecasts of the last year (root mean square, °C)",
        ("days ahead", "days compared", "measured", "by the settings"),
        [(one.days_ahead, one.days, one.error_c, one.set_c) for one in found],
    )
    if fitting is None:
        say("Too few days were observed after they were forecast to say more.")
    else:
        say(
            f"These fit Forecast error {fitting.forecast_error_c:g} and Forecast drift"
            f" {fitting.forecast_drift_c:g} in the Site sheet."
        )


@app.command("open")
def open_days(
    day: DayArgument,
    reason: ReasonOption,
    by: ByOption,
    until: UntilOption = "",
    to: PlaceOption = "",
    database: DatabaseOption = DATABASE,
    as_json: JsonOption = False,
) -> None:
    """Open ship days by hand: no heat hold, no frost hold, whatever forecast and climate say.

    Example: nursery forecast open 2027-07-01 --to 'Low land' --by Lea --reason 'cooled van'
    """
    _decide(database, True, day, until, to, by, reason, as_json)


@app.command("close")
def close_days(
    day: DayArgument,
    reason: ReasonOption,
    by: ByOption,
    until: UntilOption = "",
    to: PlaceOption = "",
    database: DatabaseOption = DATABASE,
    as_json: JsonOption = False,
) -> None:
    """Close ship days by hand, whatever forecast and climate say; promises there get another day.

    Example: nursery forecast close 2027-07-01 --by Lea --reason 'storm, vans stand in the sun'
    """
    _decide(database, False, day, until, to, by, reason, as_json)


def _decide(
    database: str, opens: bool, day: str, until: str, to: str, by: str, reason: str, as_json: bool
) -> None:
    first = given_day(day)
    with opened(database) as db, db.writing() as session:
        row = decide_days(session, opens, first, parse_day(until) or first, by, reason, to)
        told = row.model_dump()
    if as_json:
        print_json(told)
        return
    said = "opened" if opens else "closed"
    say(f"Ship days {told['first_day']} to {told['last_day']} are {said}; decision {told['id']}.")
    if not opens:
        say("`nursery dispatch` gives promises on these days another.")


@app.command("withdraw")
def withdraw(
    id: Annotated[
        int, typer.Argument(max=MOST_NUMBER, help="Its number in `nursery forecast show`.")
    ],
    database: DatabaseOption = DATABASE,
    as_json: JsonOption = False,
) -> None:
    """Take a decision made by hand back: forecast and climate decide again.

    Example: nursery forecast withdraw 3
    """
    with opened(database) as db, db.writing() as session:
        told = withdraw_decision(session, id).model_dump()
    if as_json:
        print_json(told)
    else:
        say(f"Decision {id} is withdrawn.")
