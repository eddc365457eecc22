"""Where parcels go: blocked zones opened by hand, days closed by a strike or a holiday.

Example: nursery zones show
"""

from typing import Annotated

import typer

from nursery.carrier import ClosedAt
from nursery.commands.console import (
    DATABASE,
    DatabaseOption,
    JsonOption,
    opened,
    print_json,
    say,
    show,
)
from nursery.commands.typed import given_day, parse_day
from nursery.database import Database
from nursery.errors import Fault
from nursery.promising.borders import ASK_FIRST
from nursery.promising.closing import close_day, references_of, reopen_days, standing_closures
from nursery.promising.opening import open_zone, shut_zone, zones_standing

app = typer.Typer(
    help=__doc__,
    no_args_is_help=True,
)
ZoneArgument = Annotated[str, typer.Argument(help="The zone's name, as in Zones.")]
PersonOption = Annotated[
    str, typer.Option("--by", envvar="NURSERY_PERSON", help="The authorised person; kept.")
]
ReasonOption = Annotated[str, typer.Option("--reason", help="On what ground; shown in quotes.")]
WhereService = Annotated[str, typer.Option("--service", help="A carrier service.")]
WhereZone = Annotated[str, typer.Option("--zone", help="A zone.")]
WhereRegion = Annotated[str, typer.Option("--region", help="A holiday region, such as NL.")]
FirstDay = Annotated[str, typer.Argument(help="First day, such as 2027-04-05.")]


@app.command("show")
def show_zones(database: DatabaseOption = DATABASE, as_json: JsonOption = False) -> None:
    """Which zones are blocked, for which days were they opened, which days are closed?

    Example: nursery zones show
    """
    with opened(database) as db, db.reading() as session:
        zones, closures = zones_standing(session), standing_closures(session)
    if as_json:
        print_json({"zones": zones, "closures": closures})
        return
    show(
        "Zones",
        ("zone", "country", "blocked", "opened by hand"),
        [
            (one.zone, one.country, one.blocked, "; ".join(each.text for each in one.openings))
            for one in zones
        ],
    )
    if closures:
        show(
            "Closed days",
            ("where", "from", "until", "why"),
            [(one.where, one.first_day, one.last_day, one.reason) for one in closures],
        )
    if any(one.blocked for one in zones):
        say(f"{ASK_FIRST}.")


@app.command("open")
def open_blocked(
    zone: ZoneArgument,
    first: Annotated[str, typer.Option("--from", help="First day that a parcel may leave.")],
    until: Annotated[str, typer.Option("--until", help="Last day that it may arrive.")],
    reason: ReasonOption,
    by: PersonOption,
    database: DatabaseOption = DATABASE,
    as_json: JsonOption = False,
) -> None:
    """Open a blocked zone for some days, by an authorised person. Then it is blocked again.

    Example: nursery zones open Alps --from 2027-04-05 --until 2027-05-28 --by 'Lea Vos'
    --reason 'phytosanitary certificate 17/2027'
    """
    begins, ends = parse_day(first), parse_day(until)
    if begins is None or ends is None:
        raise Fault(f"Zone '{zone}'", "needs a first and a last day", first or until, "give both")
    with opened(database) as db, db.writing() as session:
        told = open_zone(session, zone, begins, ends, by, reason).model_dump()
    if as_json:
        print_json({**told, "caution": ASK_FIRST})
        return
    say(f"{zone} is open: parcels may leave and arrive from {begins} to {ends}, then no more.")
    say(f"CAUTION: {ASK_FIRST}.")


@app.command("shut")
def shut_opened(
    zone: ZoneArgument,
    reason: ReasonOption,
    by: PersonOption,
    database: DatabaseOption = DATABASE,
    as_json: JsonOption = False,
) -> None:
    """Block an opened zone again, before its last day.

    Example: nursery zones shut Alps --by 'Lea Vos' --reason 'the authority withdrew it'
    """
    with opened(database) as db, db.writing() as session:
        told = shut_zone(session, zone, by, reason)
    if as_json:
        print_json(told)
        return
    say(f"{zone} is blocked: {told.blocked}.")
    _say_touched(told.orders, "may not leave")


@app.command("close-days")
def close_days(
    day: FirstDay,
    reason: Annotated[str, typer.Option("--reason", help="Why; shown in quotes.")],
    until: Annotated[str, typer.Option("--until", help="Last day; else the first alone.")] = "",
    service: WhereService = "",
    zone: WhereZone = "",
    region: WhereRegion = "",
    database: DatabaseOption = DATABASE,
    as_json: JsonOption = False,
) -> None:
    """Close days: nothing is collected or delivered. Without a place: by the nursery itself.

    Example: nursery zones close-days 2027-04-05 --until 2027-04-07 --service Van --reason strike
    """
    first = given_day(day)
    at, key = _where(service, zone, region)
    with opened(database) as db:
        with db.writing() as session:
            found = close_day(session, at, first, parse_day(until) or first, reason, key)
            closure, touched = found.closure.model_dump(), found.promise_ids
        orders = _references(db, touched)
    if as_json:
        print_json({**closure, "orders": orders})
        return
    days = f"{closure['first_day']} to {closure['last_day']}"
    say(f"{key or 'The nursery'} is closed from {days}: {reason}.")
    _say_touched(orders, "are on their way then")


@app.command("reopen-days")
def reopen(
    day: FirstDay,
    service: WhereService = "",
    zone: WhereZone = "",
    region: WhereRegion = "",
    database: DatabaseOption = DATABASE,
    as_json: JsonOption = False,
) -> None:
    """Take a closure back, by its first day: a strike was called off. Days that passed stay closed.

    Example: nursery zones reopen-days 2027-04-05 --service Van
    """
    first = given_day(day)
    at, key = _where(service, zone, region)
    with opened(database) as db, db.writing() as session:
        told = reopen_days(session, at, first, key)
    if as_json:
        print_json(told)
    else:
        say(f"{told.where} is open from {told.first_day} to {told.last_day} again.")


def _where(service: str, zone: str, region: str) -> tuple[ClosedAt, str]:
    """Which one place is named? The nursery itself where none is."""
    given = [
        (at, key)
        for at, key in (
            (ClosedAt.SERVICE, service),
            (ClosedAt.ZONE, zone),
            (ClosedAt.REGION, region),
        )
        if key
    ]
    if len(given) > 1:
        named = ", ".join(key for _, key in given)
        raise Fault("Closure", "must be at one place", named, "close one after the other")
    return given[0] if given else (ClosedAt.ORIGIN, "")


def _references(db: Database, promise_ids: tuple[int, ...]) -> tuple[str, ...]:
    with db.reading() as session:
        return references_of(session, promise_ids)


def _say_touched(orders: tuple[str, ...], what: str) -> None:
    if not orders:
        say("No promise is touched.")
        return
    say(f"{len(orders)} promised orders {what}: {', '.join(orders)}.")
    say("`nursery dispatch` gives those that are not picked another day, and tells the customers.")
