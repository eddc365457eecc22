"""The materials call-off at the command line."""

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
from nursery.week.materials import NOT_LISTED, CallOff, call_off


def materials(
    weeks: Annotated[int, typer.Option(help="How many weeks to look ahead.", min=1)] = 12,
    database: DatabaseOption = DATABASE,
    as_json: JsonOption = False,
) -> None:
    """List trays, substrate, labels, wrap and boxes: what is used, and what to order by when.

    Example: nursery materials --weeks 12

    From the accepted plan, the batches, the orders on the book and expected sales. What must be
    ordered first stands first.
    """
    with opened(database) as db, db.reading() as session:
        lines = call_off(session, weeks)
    if as_json:
        print_json(lines)
    else:
        show_call_off(lines, weeks)


def show_call_off(lines: list[CallOff], weeks: int) -> None:
    """The call-off as the lead phones it through: by order day, then what lasts."""
    show(
        f"Materials, {weeks} weeks",
        ("", "order by", "material", "order", "unit", "in stock", "used", "lasts until", "lead"),
        [
            (
                "[ ]" if line.order_by else "",
                _when(line),
                line.name,
                f"{line.order:g}" if line.order else "",
                line.unit,
                "not counted" if line.in_stock is None else f"{line.in_stock:g}",
                f"{line.total:g}",
                line.lasts_until or "nothing there",
                f"{line.lead_days} d",
            )
            for line in lines
            if line.total or line.order_by
        ],
    )
    for line in lines:
        if line.late:
            say(f"LATE: {line}")
    for line in lines:
        if line.assumed == NOT_LISTED:
            say(
                f"NOT LISTED: {line}. List it in sheet Materials, with amount 0 if none is ordered."
            )
    if any(line.assumed not in ("", NOT_LISTED) for line in lines):
        say(
            "Nobody has listed materials: amounts and lead times are assumed (common practice, no"
            " source). List yours with their stock in sheet Materials."
        )


def _when(line: CallOff) -> str:
    if line.order_by is not None:
        return f"{line.order_by:%a %d %b}"
    if line.assumed == NOT_LISTED:
        return "not listed"
    return "count it" if line.in_stock is None else "enough"
