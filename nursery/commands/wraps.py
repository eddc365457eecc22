"""Wraps, packs and care cards at the command line: what stays moist, what goes into the parcel."""

from collections.abc import Sequence
from datetime import timedelta
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
    write_file,
)
from nursery.commands.typed import parse_day
from nursery.database import now, today
from nursery.errors import Fault
from nursery.promising.packs import Pack, listed_packs
from nursery.shed.care import card_page, cards_of_day, care_card
from nursery.shed.packing import LineWrap, line_wraps, parcel_packs
from nursery.shed.parcel_packs import ParcelPacks
from nursery.shed.slips import Slip
from nursery.shed.wraps import KnownWrap, known_wraps, record_trial
from nursery.travelling import WrapTrial


def wraps(
    day: Annotated[str, typer.Argument(help="A ship day: its lines as well.")] = "",
    database: DatabaseOption = DATABASE,
    as_json: JsonOption = False,
) -> None:
    """Which wraps and packs are there, and with a ship day: which go into its parcels?

    Example: nursery wraps 2027-03-23

    A line travels in its product's wrap where that stays moist until the parcel is opened, else in
    the cheapest that does. Water is in grams a wrap.
    """
    with opened(database) as db, db.reading() as session:
        ship_day = parse_day(day)
        known, packs = known_wraps(session), listed_packs(session)
        lines = line_wraps(session, ship_day) if ship_day else []
        parcels = parcel_packs(session, ship_day) if ship_day else []
    if as_json:
        print_json({"wraps": known, "packs": packs, "lines": lines, "parcels": parcels})
        return
    _show_known(known, packs)
    if ship_day is not None:
        show_lines(lines, parcels)


def _show_known(known: list[KnownWrap], packs: tuple[Pack, ...]) -> None:
    show(
        "Wraps",
        ("wrap", "water", "least", "conductance", "from", "cents"),
        [
            (
                one.name,
                f"{one.water_g:.0f} g",
                f"{one.least_water_g:.0f} g",
                f"{one.used:.3f} g/(h kPa)",
                f"{one.trials} trials, mean {one.mean:.3f}" if one.mean is not None else "typed in",
                one.cost_cents,
            )
            for one in known
        ],
    )
    if packs:
        show(
            "Packs",
            ("pack", "against", "lasts", "covers", "trusted to", "weighs", "cents"),
            [
                (
                    one.name,
                    one.against.value,
                    f"{one.hours:g} h",
                    f"{one.covers_c:g} °C",
                    f"{one.outside_c:g} °C",
                    f"{one.weight_g} g",
                    one.cost_cents,
                )
                for one in packs
            ],
        )


def show_lines(lines: list[LineWrap], parcels: list[ParcelPacks]) -> None:
    """The wrap, water and packs of each line of a ship day."""
    by_order = {one.order_reference: one for one in parcels}
    show(
        "Lines",
        ("order", "product", "wrap", "water", "must last", "lasts in", "packs", "mind"),
        [
            (
                one.order_reference,
                one.product_code,
                one.wrap,
                f"{one.water_g:.0f} g",
                f"{one.hours} h",
                "" if one.chance is None else f"{one.chance:.0%} of years",
                by_order[one.order_reference].says if one.order_reference in by_order else "",
                one.says,
            )
            for one in lines
        ],
    )


def show_minded(slips: Sequence[Slip]) -> None:
    """What the packer must mind of wraps, boxes and packs: one line for all orders that share it.

    Nothing but that all is as listed, where nothing is changed.
    """
    said: dict[str, list[str]] = {}
    for slip in slips:
        for text in slip.minded:
            said.setdefault(text, []).append(slip.order_reference)
        for line in slip.lines:
            if line.wrap_says:
                poured = f"{line.wrap}, {line.wrap_water_g:.0f} g of water"
                told = f"{line.product_code} in {poured}: {line.wrap_says}"
                said.setdefault(told, []).append(slip.order_reference)
    for text, orders in said.items():
        say(f"MIND {', '.join(orders)}: {text}.")
    if not said and slips:
        say("Every wrap stays moist until its parcel is opened, as listed.")


def weigh(
    wrap: Annotated[str, typer.Argument(help="The wrap, as in Wraps.")],
    before: Annotated[float, typer.Option(help="Grams of the trial parcel at first.")],
    after: Annotated[float, typer.Option(help="Grams so many hours later.")],
    hours: Annotated[float, typer.Option(help="Hours between the two weighings.")],
    celsius: Annotated[float, typer.Option(help="Mean of the air it lay in, °C.")],
    humidity: Annotated[
        float | None, typer.Option(help="Mean relative humidity, per cent.")
    ] = None,
    night: Annotated[
        float | None, typer.Option(help="The night's minimum, °C, where nobody measured humidity.")
    ] = None,
    drink: Annotated[float, typer.Option(help="What the plants drink, grams an hour.")] = 0.0,
    by: ActorOption = "packer",
    database: DatabaseOption = DATABASE,
    as_json: JsonOption = False,
) -> None:
    """Two weighings of a trial parcel: how fast does its wrap dry? It is reckoned with from now on.

    Example: nursery weigh 'moss and paper' --before 412 --after 396.5 --hours 24 --celsius 15
    --humidity 60
    """
    if humidity is not None and not 1 < humidity < 100:
        raise Fault("Humidity", "is given in per cent, above 1 and below 100", humidity, "mend it")
    with opened(database) as db, db.writing() as session:
        trial = WrapTrial(
            wrap_id=0,
            weighed_at=now(session) - timedelta(hours=max(0.0, min(hours, 2000.0))),
            grams_before=before,
            grams_after=after,
            hours=hours,
            mean_c=celsius,
            humidity=None if humidity is None else humidity / 100,
            night_c=night,
            plants_take_g_per_h=drink,
            weighed_by=by,
        )
        found = record_trial(session, wrap, trial)
    if as_json:
        print_json(found)
        return
    trials = "1 trial" if found.trials == 1 else f"{found.trials} trials"
    say(
        f"{found.name} loses {found.mean:.3f} g/(h kPa) on average of {trials}; it is reckoned with"
        f" {found.used:.3f} (typed: {found.typed:.3f})."
    )


def card(
    which: Annotated[str, typer.Argument(help="A product's code, or a ship day for all cards.")],
    page: Annotated[Path | None, typer.Option(help="Write a page to print, an HTML file.")] = None,
    database: DatabaseOption = DATABASE,
    as_json: JsonOption = False,
) -> None:
    """The care card that goes into the parcel: of a product, or of every parcel of a ship day.

    Example: nursery card 2027-03-23 --page cards.html
    """
    with opened(database) as db, db.reading() as session:
        if which[:4].isdigit() and which.count("-") == 2:
            found = cards_of_day(session, parse_day(which) or today(session))
        else:
            found = [(care_card(session, which), 1)]
    if page is not None:
        write_file("Page", page, card_page(found))
    if as_json:
        print_json([{"copies": number, "card": one} for one, number in found])
        return
    if not found:
        say("Nothing is to be packed for that ship day: no cards.")
    for one, number in found:
        say(one.text + (f"\n({number} cards)" if number > 1 else ""))
        say()
