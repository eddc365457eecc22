"""What the nursery's own records say, at the command line: book / yours / used."""

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
from nursery.errors import Fault
from nursery.growing.fits import BOOK_BATCHES, LEVEL
from nursery.growing.learning import Learned, learned, use, use_book
from nursery.records import Quantity


def learn(
    use_them: Annotated[
        bool, typer.Option("--use", help="Reckon with these values from now on.")
    ] = False,
    book: Annotated[bool, typer.Option("--book", help="Go back to the book's values.")] = False,
    crop: Annotated[str | None, typer.Option(help="Only this crop, as in Crops.")] = None,
    quantity: Annotated[
        Quantity | None, typer.Option(help="Only this quantity (survival goes with its rho).")
    ] = None,
    by: ActorOption = "lead",
    database: DatabaseOption = DATABASE,
    as_json: JsonOption = False,
) -> None:
    """Show what your own batches say of survival, dwell, flush and minutes, beside the book.

    Example: nursery learn --crop "Caltha palustris"

    Nothing changes until you say --use: then plans and promises reckon with the column "used", and
    it is kept who said so and when. The book's values stay, and --book goes back to them.
    """
    if use_them and book:
        raise Fault("nursery learn", "either --use or --book", "both", "choose one of them")
    with opened(database) as db:
        with db.reading() as session:
            values = _asked(learned(session), crop, quantity)
        if use_them or book:
            with db.writing() as session:
                rows = (use if use_them else use_book)(session, values, by)
            with db.reading() as session:
                values = _asked(learned(session), crop, quantity)
            if not as_json:
                what = "learned values are used" if use_them else "values of the book stand again"
                say(f"{len(rows)} {what}, by {by}. Next: nursery plan")
    if as_json:
        print_json(values)
    else:
        show_learned(values)


def _asked(
    values: tuple[Learned, ...], crop: str | None, quantity: Quantity | None
) -> list[Learned]:
    crops = sorted({value.crop for value in values})
    if crop is not None and crop not in crops:
        there = ", ".join(crops) or "none yet"
        raise Fault("Crop", "must have records to learn from", crop, f"there are: {there}")
    wanted = {quantity}
    if quantity in (Quantity.SURVIVAL, Quantity.OVERDISPERSION):
        wanted = {Quantity.SURVIVAL, Quantity.OVERDISPERSION}
    return [
        value
        for value in values
        if (crop is None or value.crop == crop) and (quantity is None or value.quantity in wanted)
    ]


def show_learned(values: list[Learned]) -> None:
    """Book, yours and used side by side; what stands in the plan last."""
    if not values:
        say(
            "No records yet: they come by themselves as batches are started, moved, counted and set"
            " aside as ready. Those of earlier seasons can be loaded from a workbook."
        )
        return
    show(
        "Learned from your own batches",
        ("crop", "stage", "what", "book", "yours", f"{LEVEL:.0%} sure", "used", "batches", "plan"),
        [
            (
                f"{value.crop} / {value.protocol}",
                value.stage,
                _what(value),
                _number(value, value.book),
                _number(value, value.yours),
                _interval(value),
                _number(value, value.used),
                value.batches,
                f"{_number(value, value.planned)} {'learned' if value.in_use else 'book'}",
            )
            for value in values
        ],
    )
    for note in sorted({f"{v.crop}, {v.stage}: {v.note}" for v in values if v.note}):
        say(f"Note: {note}.")
    say(
        f"Used = book and yours together, the book weighing {BOOK_BATCHES:g} batches. The last"
        " column is what plans reckon with: nursery learn --use, or --book, changes it."
    )


def _what(value: Learned) -> str:
    if value.week is not None:
        return f"flush, week {value.week + 1}"
    return "rho" if value.quantity is Quantity.OVERDISPERSION else value.quantity.value


def _number(value: Learned, found: float | None) -> str:
    if found is None:
        return ""
    if value.quantity is Quantity.DWELL:
        return f"{found:+.1f} d"
    if value.quantity is Quantity.MINUTES:
        return f"{found:.1f} min"
    return f"{found:.3f}" if value.quantity is Quantity.OVERDISPERSION else f"{found:.1%}"


def _interval(value: Learned) -> str:
    if value.low is None or value.high is None:
        return "too few"
    return f"{_number(value, value.low)} to {_number(value, value.high)}"
