"""What becomes of parcels, at the command line: until the van has them, and when they arrive."""

import csv
from collections import Counter
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
from nursery.commands.shed import box_words
from nursery.commands.typed import parse_day
from nursery.commands.wraps import show_minded
from nursery.database import today
from nursery.errors import Fault
from nursery.shed.deliveries import (
    BOOK_PARCELS,
    TransitLearned,
    learned_transit,
    record_deliveries,
)
from nursery.shed.parcels import Parcel, Step, parcels_on
from nursery.shed.slips import SlipLine
from nursery.shed.transit_use import LEAST_PARCELS, put_back_transit, take_transit

_HEADINGS = ("order", "delivered")


def parcels(
    day: Annotated[str, typer.Argument(help="The ship day; else today.")] = "",
    database: DatabaseOption = DATABASE,
    as_json: JsonOption = False,
) -> None:
    """List the parcels of a ship day: what goes into each, and what is done next with it.

    Example: nursery parcels 2027-03-30

    `nursery picks` lists what is left to pick; a parcel stays here, whole, until it is gone.
    """
    with opened(database) as db, db.reading() as session:
        ship_day = parse_day(day) or today(session)
        found = parcels_on(session, ship_day)
    if as_json:
        print_json(found)
        return
    if not found:
        say(f"No parcel leaves on {ship_day:%a %Y-%m-%d}.")
        return
    show(
        f"Parcels of {ship_day:%a %d %b %Y}",
        ("order", "to", "by", "next", "box", "packs", "holds, and out of which batches"),
        [
            (
                one.slip.order_reference,
                f"{one.slip.country} {one.slip.postcode}",
                one.slip.service,
                _next(one),
                box_words(one.slip),
                ", ".join(one.slip.packs),
                "; ".join(_holds(line) for line in one.slip.lines),
            )
            for one in found
        ],
    )
    show_minded([one.slip for one in found])
    count = Counter(one.next for one in found)
    say(", ".join(f"{count[step]} {_TO[step]}" for step in Step) + ".")


_TO = {
    Step.PICK: "to pick",
    Step.PACK: "to pack",
    Step.PACK_AGAIN: "to pack again",
    Step.HAND_OVER: "for the van",
    Step.GONE: "gone",
}


def _next(parcel: Parcel) -> str:
    if parcel.next is Step.PACK_AGAIN:
        return f"to pack again by {parcel.repack_by}"
    if parcel.next is Step.PICK:
        lines = parcel.slip.lines
        return f"to pick, {sum(one.picked for one in lines)} of {sum(one.plugs for one in lines)}"
    return _TO[parcel.next] + (f", {parcel.tracking}" if parcel.tracking else "")


def _holds(line: SlipLine) -> str:
    batches = ", ".join(f"{plugs} of {code}" for code, plugs in line.batches)
    notes = f" ({', '.join(line.notes)})" if line.notes else ""
    return f"{line.quantity} x {line.product_code}{notes}: {batches or 'no plugs in the books'}"


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
    if (take or put_back) and not (service and zone):
        rule = "needs a service and a zone"
        raise Fault("nursery transit", rule, service or zone, "give --service and --zone")
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
        between = ";" if ";" in text.partition("\n")[0] else ","  # as some countries' programs do
        reader = csv.DictReader(lines, delimiter=between)
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
