"""What became of parcels, at the command line: deliveries, and on which day they really arrive."""

import csv
from datetime import date
from io import StringIO
from pathlib import Path
from typing import Annotated

import typer

from nursery.commands.console import (
    DATABASE,
    ActorOption,
    DatabaseOption,
    JsonOption,
    opened,
    print_json,
    say,
    show,
)
from nursery.commands.typed import parse_day
from nursery.errors import Fault
from nursery.shed.deliveries import (
    BOOK_PARCELS,
    TransitLearned,
    learned_transit,
    record_deliveries,
)
from nursery.shed.transit_use import LEAST_PARCELS, put_back_transit, take_transit

_HEADINGS = ("order", "delivered")


def delivered(
    order: Annotated[str, typer.Argument(help="The order's reference.")] = "",
    day: Annotated[str, typer.Argument(help="The day it was delivered.")] = "",
    file: Annotated[
        Path | None, typer.Option(help="CSV of many, with the headings order,delivered.")
    ] = None,
    by: ActorOption = "lead",
    database: DatabaseOption = DATABASE,
) -> None:
    """Record on which day a parcel was delivered, or many from a file: all of them or none.

    Example: nursery delivered WEB-1001 2027-03-24
    """
    if (file is None) == (not order):
        raise Fault("Delivery", "needs an order and a day, or a file", order, "give one of them")
    rows = _from_file(file) if file is not None else [(order, _day(order, day))]
    with opened(database) as db, db.writing() as session:
        promises = record_deliveries(session, rows, by)
        late = sum(on > p.arrives_until for p, (_, on) in zip(promises, rows, strict=True))
        say(f"{len(rows)} delivered, {late} of them after the promised arrival.")


def transit(
    take: Annotated[
        str, typer.Option(metavar="MARK", help="Take what was shown with this mark into use.")
    ] = "",
    put_back: Annotated[
        bool, typer.Option("--put-back", help="Let the Transit sheet stand again.")
    ] = False,
    service: Annotated[str, typer.Option(help="Of this service ...")] = "",
    zone: Annotated[str, typer.Option(help="... to this zone.")] = "",
    by: Annotated[
        str, typer.Option("--by", envvar="NURSERY_PERSON", help="Who decides; kept.")
    ] = "",
    reason: Annotated[str, typer.Option(help="Why; kept.")] = "",
    database: DatabaseOption = DATABASE,
    as_json: JsonOption = False,
) -> None:
    """Show on which delivery day parcels arrive, by service and zone: book / yours / used.

    Example: nursery transit

    Promises reckon with the last column. That is the Transit sheet's until a person takes what was
    learned into use, by the mark under which it was shown:
    nursery transit --take 0f3a5d7c9b21 --service Van --zone 'Low land' --by Lea --reason 'a season'
    """
    if take and put_back:
        raise Fault("nursery transit", "either --take or --put-back", "both", "choose one of them")
    with opened(database) as db:
        if take or put_back:
            with db.writing() as session:
                if put_back:
                    put_back_transit(session, service, zone, by, reason)
                else:
                    take_transit(session, service, zone, take, by, reason)
        with db.reading() as session:
            found = learned_transit(session)
    if as_json:
        print_json(found)
        return
    if take or put_back:
        what = "the Transit sheet stands again" if put_back else "what was learned is in use"
        say(f"{service} to {zone}: {what}. Promises that were given keep what they said.")
    _show_transit(found)


def _show_transit(found: list[TransitLearned]) -> None:
    if not found:
        say("No parcel has been handed over yet: the Transit sheet is all there is.")
        return
    show(
        f"Delivery days, the book weighing {BOOK_PARCELS} parcels",
        ("service", "zone", "day", "parcels", "book", "yours", "nine in ten", "used", "promised"),
        [
            (
                line.service,
                line.zone,
                f"J+{line.delivery_days}",
                line.parcels,
                f"{line.book:.1%}",
                "" if line.yours is None else f"{line.yours:.1%}",
                "" if line.low is None else f"{line.low:.1%} to {line.high:.1%}",
                f"{line.used:.1%}",
                f"{line.promised:.1%}",
            )
            for lane in found
            for line in lane.days
        ],
    )
    for lane in found:
        use = lane.in_use
        stands = (
            "the Transit sheet stands"
            if use is None
            else f"promised by what {use.taken_by} took into use on {use.taken_at:%Y-%m-%d}, from"
            f" {use.parcels} parcels: {use.reason}"
        )
        few = (
            f"too few to take ({LEAST_PARCELS} are needed)"
            if lane.delivered < LEAST_PARCELS
            else f"mark {lane.data}"
        )
        say(f"{lane.service} to {lane.zone}: {lane.delivered} delivered, {few}; {stands}.")
        if lane.on_the_way:
            say(
                f"{lane.service} to {lane.zone}: {lane.on_the_way} handed over and not known to be"
                " delivered; they count for the days after those that have passed."
            )


def _from_file(path: Path) -> list[tuple[str, date]]:
    if not path.is_file():
        raise Fault("Deliveries", "the file must exist", str(path), "check its name")
    try:
        text = path.read_text(encoding="utf-8-sig")
    except UnicodeDecodeError:
        rule = "must be text (CSV, UTF-8)"
        raise Fault("Deliveries", rule, str(path), "save it as CSV") from None
    with StringIO(text, newline="") as lines:
        reader = csv.DictReader(lines)
        missing = [name for name in _HEADINGS if name not in (reader.fieldnames or ())]
        if missing:
            rule = f"needs the headings {', '.join(_HEADINGS)}"
            raise Fault(f"Deliveries of '{path.name}'", rule, reader.fieldnames, "add them")
        return [
            (row["order"] or "", _day(f"{path.name}, line {reader.line_num}", row["delivered"]))
            for row in reader
        ]


def _day(thing: str, text: str | None) -> date:
    try:
        day = parse_day((text or "").strip())
    except Fault as fault:
        raise Fault(
            f"{thing}: day", "must be a date such as 2027-03-22", text, "mend it"
        ) from fault
    if day is None:
        raise Fault(f"{thing}: day", "must be given", text, "write it such as 2027-03-22")
    return day
