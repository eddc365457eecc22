"""What the packer does at the command line: the pick sheet, picks, parcels, the counting round."""

from datetime import date
from typing import Annotated

import typer
from sqlmodel import Session, select

from nursery.batch import Batch
from nursery.commands.console import (
    DATABASE,
    ActorOption,
    DatabaseOption,
    JsonOption,
    opened,
    print_json,
    say,
    show,
    warn,
)
from nursery.commands.typed import given_day, parse_day
from nursery.commands.wraps import show_minded
from nursery.database import Database, today
from nursery.errors import Fault
from nursery.order import CustomerOrder, Promise, PromiseLine, State
from nursery.shed.boxes import PackedBox
from nursery.shed.counting import Place, count_round
from nursery.shed.handover import hand_over as hand_over_parcel
from nursery.shed.handover import not_collected as leave_parcel
from nursery.shed.handover import pack_parcel
from nursery.shed.pick_sheet import Part, Pick, PickSheet, pick_sheet, print_sheet
from nursery.shed.picking import record_found
from nursery.shed.slips import Slip
from nursery.shed.walks import Walk
from nursery.shed.watering import watering_list
from nursery.shed.wraps_taken import one_each
from nursery.stock import Lot
from nursery.week.day_book import count as record_count

AS_LISTED = ""


def picks(
    day: Annotated[str, typer.Argument(help="The ship day.")] = "",
    record: Annotated[
        bool, typer.Option("--record", help="Go through the picks: Enter is 'as listed'.")
    ] = False,
    by: ActorOption = "packer",
    database: DatabaseOption = DATABASE,
    as_json: JsonOption = False,
) -> None:
    """Print the pick sheet of a ship day, in walking order, then a slip per order.

    Example: nursery picks 2027-03-30

    With --record the picks are gone through one by one: Enter takes what is listed, a number
    says what was found there. Each pick is kept at once, so stopping half-way loses nothing.
    """
    with opened(database) as db:
        with db.writing() as session:
            ship_day = parse_day(day) or today(session)
            sheet = pick_sheet(session, ship_day)
            if not as_json and sheet.picks:
                sheet = print_sheet(session, ship_day, by)
        if as_json:
            print_json(sheet)
        else:
            show_sheet(sheet)
        if record:
            _record(db, sheet, by)


def show_sheet(sheet: PickSheet) -> None:
    """The sheet as a person reads it: the walk, the slips, what is missing."""
    if not sheet.picks:
        say(f"Nothing is to be picked for {sheet.ship_day:%a %Y-%m-%d}.")
    else:
        say(f"Pick sheet {sheet.ship_day:%a %d %b %Y}, print {sheet.number}, {sheet.plugs} plugs")
        for walk in sheet.walks:
            show_walk(walk, [pick for pick in sheet.picks if pick.walk == walk.number])
        show(
            "Slips",
            ("order", "to", "by", "minutes", "box", "weight", "packs", "holds"),
            [
                (
                    slip.order_reference,
                    f"{slip.country} {slip.postcode}",
                    slip.service,
                    slip.minutes,
                    box_words(slip),
                    f"{slip.weight_g / 1000:.1f} kg" if slip.weight_g else "",
                    ", ".join(slip.packs),
                    ", ".join(
                        f"{line.quantity} x {line.product_code}{_noted(line.notes)}"
                        for line in slip.lines
                    ),
                )
                for slip in sheet.slips
            ],
        )
        show_minded(sheet.slips)
        for slip in (each for each in sheet.slips if each.reship):
            plants = ", ".join(f"{line.plugs} plugs of {line.product_code}" for line in slip.lines)
            say(f"RESHIP {slip.order_reference}: {plants}; {slip.reship}.")
        say("A second person checks count, name, passport, moisture and the label of each box.")
    for line in sheet.missing:
        say(f"MISSING: {line.plugs} plugs of {line.product_code} for {line.order_reference}")
    for name, orders in (("OVERDUE", sheet.overdue), ("TO PACK AGAIN", sheet.to_repack)):
        if orders:
            say(f"{name}: {', '.join(orders)}; run `nursery dispatch` for a new day")


def _noted(notes: tuple[str, ...]) -> str:
    """What is other than ordered: the packer says it on the slip."""
    return f" ({', '.join(notes)})" if notes else ""


def box_words(slip: Slip) -> str:
    """Which boxes are taken, and what goes into each where there are several?"""
    if len(slip.boxes) < 2:
        return ", ".join(f"{box.name}{band_words(box)}" for box in slip.boxes)
    return "; ".join(
        f"{box.name}, {box.weight_g / 1000:.1f} kg{band_words(box)}: "
        + " + ".join(f"{many} x {code}" for code, many in box.holds)
        for box in slip.boxes
    )


def band_words(box: PackedBox) -> str:
    """Which band of postage is a box in? "" where there are none."""
    return f" (postage up to {box.up_to_g / 1000:g} kg)" if box.up_to_g else ""


def show_walk(walk: Walk, picks: list[Pick]) -> None:
    """One round with the trolley, stop by stop."""
    far = "" if walk.metres is None else f", {walk.metres:.0f} m"
    columns = ("bench", "batch and passport", "product", "plugs", "is", "grade", "wrap", "water",
               "changed from")  # fmt: skip
    show(
        f"Walk {walk.number}: {walk.trays:.1f} trays on the trolley{far}",
        ("", *columns, "last sale"),
        [_pick_row(pick) for pick in picks],
    )


def _pick_row(pick: Pick) -> tuple[object, ...]:
    return (
        f"[ ] {pick.stop}",
        pick.bench,
        pick.passport_code,
        f"{pick.product}{_noted(pick.notes)}",
        pick.plugs,
        pick.trays,
        pick.grade.value,
        pick.wrap,
        f"{pick.wrap_water_g:.0f} g",
        pick.changed_from,
        f"{pick.last_sale_on}",
    )


def _record(db: Database, sheet: PickSheet, by: str) -> None:
    for pick in sheet.picks:
        for part in pick.parts:
            asked = f"{pick.bench}, {pick.batch_code}: {part.plugs} for {part.order_reference}"
            answer = typer.prompt(f"{asked} [Enter = as listed]", default="", show_default=False)
            with db.writing() as session:
                say(f"  {_pick(session, pick, part, answer.strip(), by)}")


def _pick(session: Session, pick: Pick, part: Part, answer: str, by: str) -> str:
    lot = session.get_one(Lot, pick.lot_id)
    line = session.get_one(PromiseLine, part.promise_line_id)
    found = part.plugs if answer == AS_LISTED else whole(answer, "Plugs found")
    done = record_found(session, line, lot, part.plugs, found, by)
    if not done.missing:
        return f"picked {done.picked}" + ("; recount this place, please" if done.recount else "")
    if done.short is None:
        return f"picked {done.picked}; the books have no more here"
    return f"picked {done.picked}, short {done.missing}: {done.short.says}"


def pack(
    order: Annotated[str, typer.Argument(help="The order's reference.")],
    checked_by: Annotated[str, typer.Option("--checked-by", help="The second person.")] = "",
    wrap: Annotated[
        list[str] | None,
        typer.Option("--wrap", help="CODE=WRAP, where another wrap than the slip's was taken."),
    ] = None,
    by: ActorOption = "packer",
    database: DatabaseOption = DATABASE,
) -> None:
    """Say that a picked order is wrapped, boxed and labelled.

    Example: nursery pack WEB-1001 --checked-by Mo --wrap CAL-6=foil
    """
    taken: list[tuple[str, str]] = []
    for text in wrap or ():
        code, given, name = text.partition("=")
        if not given:
            raise Fault("Wrap", "is told as CODE=WRAP", text, "write it like CAL-6=foil")
        taken.append((code.strip(), name.strip()))
    with opened(database) as db, db.writing() as session:
        key = _promise(session, order)
        promise = pack_parcel(session, key, by, checked_by, one_each(taken))
        say(f"{order}: packed, {promise.state.value}.")


def hand_over(
    order: Annotated[str, typer.Argument(help="The order's reference.")],
    tracking: Annotated[str, typer.Argument(help="The carrier's reference.")],
    by: ActorOption = "packer",
    database: DatabaseOption = DATABASE,
) -> None:
    """Say that the carrier has taken a parcel, with its tracking reference.

    Example: nursery hand-over WEB-1001 3S1234567
    """
    with opened(database) as db, db.writing() as session:
        promise = hand_over_parcel(session, _promise(session, order), tracking, by)
        say(f"{order}: handed over, arrives {promise.arrives_from} to {promise.arrives_until}.")


def not_collected(
    order: Annotated[str, typer.Argument(help="The order's reference.")],
    repack_by: Annotated[str, typer.Option("--repack-by", help="Last day in this wrap.")],
    by: ActorOption = "packer",
    database: DatabaseOption = DATABASE,
) -> None:
    """Say that a packed parcel was left behind, and until when its wrap is good.

    Example: nursery not-collected WEB-1001 --repack-by 2027-03-31
    """
    day = given_day(repack_by)
    with opened(database) as db, db.writing() as session:
        leave_parcel(session, _promise(session, order), day, by)
        say(f"{order}: not collected; pack it again by {day}.")


def count(
    area: Annotated[str | None, typer.Option("--area", help="One growing area only.")] = None,
    only_list: Annotated[
        bool, typer.Option("--list", help="Print the round, count nothing.")
    ] = False,
    by: ActorOption = "counter",
    database: DatabaseOption = DATABASE,
    as_json: JsonOption = False,
) -> None:
    """Walk the benches and count: Enter is 'as expected', a number is what was found.

    Example: nursery count --area 'Frames' --by Mo
    """
    with opened(database) as db:
        with db.reading() as session:
            places = count_round(session, area)
        if as_json:
            print_json(places)
        elif only_list:
            show("Counting round", _ROUND, [_place_row(place) for place in places])
        else:
            _count_all(db, places, by)


def watering(
    day: Annotated[str, typer.Argument(help="The pack day; else the next one.")] = "",
    database: DatabaseOption = DATABASE,
    as_json: JsonOption = False,
) -> None:
    """List what is watered the evening before a pack day, in walking order.

    Example: nursery watering 2027-03-30
    """
    with opened(database) as db, db.reading() as session:
        found = watering_list(session, parse_day(day))
    if as_json:
        print_json(found)
    elif found.pack_on is None or not found.stops:
        say("Nothing is promised that is packed next: nothing need be watered for it.")
    else:
        show(
            f"Water on {found.water_on:%a %d %b} for packing on {found.pack_on:%a %d %b},"
            f" {found.plugs} plugs; let them drain",
            ("", "area", "bench", "batch", "crop", "plugs", "litres"),
            [
                ("[ ]", one.area, one.bench, one.batch_code, one.crop, one.plugs, one.litres)
                for one in found.stops
            ],
        )
        show(
            "By bench",
            ("area", "bench", "batches", "plugs", "litres"),
            [(one.area, one.bench, one.batches, one.plugs, one.litres) for one in found.benches],
        )
    if found.missing:
        warn(f"{found.missing} plugs that are promised for that day are in no lot.")


_ROUND = ("area", "bench", "batch", "crop", "grade", "expected", "counted last", "")


def _place_row(place: Place) -> tuple[object, ...]:
    last: date | None = place.last_counted.date() if place.last_counted else None
    kind = place.grade.value if place.grade else "growing"
    again = "count again" if place.recount else ""
    return (
        place.area,
        place.bench,
        place.batch_code,
        place.crop,
        kind,
        place.expected,
        last,
        again,
    )


def _count_all(db: Database, places: list[Place], by: str) -> None:
    for at, place in enumerate(places, 1):
        kind = f"grade {place.grade.value}" if place.grade else "growing"
        asked = f"{at}/{len(places)} {place.bench}, {place.batch_code}, {kind}: {place.expected}"
        answer = typer.prompt(
            f"{asked} [Enter = as expected, s = skip]", default="", show_default=False
        )
        if answer.strip().lower() == "s":
            continue
        with db.writing() as session:
            batch = session.get_one(Batch, place.batch_id)
            lot = session.get_one(Lot, place.lot_id) if place.lot_id else None
            plugs = whole(answer, "Plugs counted") if answer.strip() else None
            done = record_count(session, batch, by, plugs, lot=lot).result
        if done.recount:
            warn(f"  {done.difference:+d} plugs is far from the books: please count again.")


def whole(text: str, thing: str) -> int:
    """Which whole number was typed? Raises `Fault` for anything else."""
    if not text.strip().isdecimal():
        raise Fault(thing, "must be a whole number", text, "type it again")
    return int(text)


def _promise(session: Session, order: str) -> int:
    """Which parcel of the order is in the shed? Raises `Fault` where there is none."""
    query = select(Promise).join(CustomerOrder).where(CustomerOrder.reference == order)
    rows = [p for p in session.exec(query) if p.state not in (State.LAPSED, State.CANCELLED)]
    if not rows:
        raise Fault(f"Order '{order}'", "must have a promise", order, "see `nursery picks`")
    first = min(rows, key=lambda p: (p.state in (State.HANDED_OVER, State.DELIVERED), p.ship_on))
    assert first.id is not None
    return first.id
