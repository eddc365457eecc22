"""Which boxes promised parcels take, and what the carrier asks for them, at the command line."""

from collections import Counter
from datetime import timedelta
from typing import Annotated

import typer

from nursery.commands.console import (
    DATABASE,
    DatabaseOption,
    JsonOption,
    opened,
    print_json,
    say,
    show,
)
from nursery.database import today
from nursery.shed.boxes import PackedBox
from nursery.shed.packing import packings
from nursery.shed.wanted import whole_on


def boxes(
    days: Annotated[int, typer.Option(min=1, max=366, help="Ship days ahead, today's too.")] = 7,
    database: DatabaseOption = DATABASE,
    as_json: JsonOption = False,
) -> None:
    """List the boxes of promised parcels: what they weigh, and the postage.

    Example: nursery boxes --days 14

    Boxes and bands are in the sheets Boxes and Postage; weights in Products.
    """
    with opened(database) as db, db.reading() as session:
        first = today(session)
        wanted = whole_on(session, first, first + timedelta(days=days - 1))
        leaves = {each.promise.id: each.promise.ship_on for each in wanted}
        by = {each.promise.id: each.promise.service.name for each in wanted}
        found = list(packings(session, wanted).values())
    if as_json:
        print_json(found)
        return
    if not found:
        say("No promised parcel is to be packed for these ship days.")
        return
    show(
        "Boxes of promised parcels",
        ("leaves", "order", "by", "boxes", "g", "postage, cents"),
        [
            (
                f"{leaves[one.promise_id]:%a %d %b}",
                one.order_reference,
                by[one.promise_id],
                " + ".join(_box(box) for box in one.boxes) or "none listed that holds it",
                one.weight_g,
                one.postage_cents,
            )
            for one in found
        ],
    )
    many = Counter(box.name for one in found for box in one.boxes)
    said = ", ".join(f"{number} {name}" for name, number in sorted(many.items())) or "no box"
    postage = sum(one.postage_cents for one in found)
    say(f"{said} for {len(found)} parcels; postage {postage / 100:.2f} in all.")


def _box(box: PackedBox) -> str:
    return f"{box.name} (up to {box.up_to_g / 1000:g} kg)" if box.up_to_g else box.name
