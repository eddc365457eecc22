"""What became of parcels, at the command line: deliveries, and on which day they really arrive."""

import csv
from datetime import date
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
from nursery.commands.shop import parse_day
from nursery.errors import Fault
from nursery.shed.deliveries import BOOK_PARCELS, learned_transit, record_deliveries

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


def transit(database: DatabaseOption = DATABASE, as_json: JsonOption = False) -> None:
    """Show on which delivery day parcels arrive, by service and zone: book / yours / used.

    Example: nursery transit

    Nothing is used by itself: write the shares that you want into the Transit sheet and load it.
    """
    with opened(database) as db, db.reading() as session:
        found = learned_transit(session)
    if as_json:
        print_json(found)
        return
    if not found:
        say("No parcel has been handed over yet: the Transit sheet is all there is.")
        return
    show(
        f"Delivery days, the book weighing {BOOK_PARCELS} parcels",
        ("service", "zone", "day", "parcels", "book", "yours", "nine in ten", "used"),
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
            )
            for lane in found
            for line in lane.days
        ],
    )
    for lane in found:
        if lane.on_the_way:
            say(
                f"{lane.service} to {lane.zone}: {lane.on_the_way} handed over and not known to be"
                " delivered; they count for the days after those that have passed."
            )


def _from_file(path: Path) -> list[tuple[str, date]]:
    if not path.exists():
        raise Fault("Deliveries", "the file must exist", path, "check its name")
    with path.open(newline="", encoding="utf-8-sig") as lines:
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
