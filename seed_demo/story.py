"""What does the demo say to a person who has just run it?"""

from collections import Counter
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from rich.console import Console
from rich.table import Table

from nursery.dispatching.dispatch import DispatchReport
from nursery.planning.plan_report import PlanReport
from nursery.shed.pick_sheet import PickSheet
from seed_demo.build import DATABASE, TOKENS, WORKBOOK
from seed_demo.nursery_data import SITE_NAME, TODAY
from seed_demo.plants import PLANTS

_UNITS_PER_EURO = 10_000
_SHOWN = 6
_REFUSED = 5


def tell(
    plan: PlanReport,
    dispatch: DispatchReport,
    quotes: Sequence[dict[str, Any]],
    sheet: PickSheet,
    folder: Path | None,
    seconds: float,
) -> None:
    """Prints what each of the three people would see, and where to look next."""
    console = Console(highlight=False, soft_wrap=True)
    say = _Say(console)
    say(
        f"{SITE_NAME}: an invented nursery with {len(PLANTS)} crops, on {TODAY:%A %d %B %Y}."
        " All of it, the weather too, is made up from one seed."
    )
    _tell_lead(say, console, plan)
    _tell_dispatch(say, dispatch)
    for quote in quotes:
        _tell_quote(say, quote)
    _tell_packer(say, console, sheet)
    _tell_next(say, folder, sheet)
    say(f"\n{seconds:.0f} seconds.")


class _Say:
    """Prints one plain line; text in square brackets stays what it is."""

    def __init__(self, console: Console) -> None:
        self._console = console

    def __call__(self, line: str) -> None:
        self._console.print(line, markup=False)


def _tell_lead(say: _Say, console: Console, plan: PlanReport) -> None:
    cost, bound, by_hand = (
        each / _UNITS_PER_EURO for each in (plan.cost, plan.bound, plan.backward_cost)
    )
    say("\nTHE NURSERY LEAD has a plan")
    say(
        f"  {plan.weeks} weeks, {len(plan.starts)} batches to start, cost {cost:,.0f} EUR (no plan"
        f" can cost less than {bound:,.0f}); counting back from each week wanted: {by_hand:,.0f}."
    )
    table = _table("start this week", "trays", "plugs", "ready in")
    this_week = [batch for batch in plan.starts if batch.week == plan.first_week]
    for batch in this_week[:_SHOWN]:
        table.add_row(
            f"{batch.crop}, {batch.protocol}", str(batch.trays), str(batch.plugs), batch.ready_week
        )
    console.print(table)
    if len(this_week) > _SHOWN:
        say(f"  and {len(this_week) - _SHOWN} more")
    reasons = Counter[str]()
    for unmet in plan.unmet:
        reasons[f"{unmet.crop}: {unmet.reason}"] += unmet.plugs
    say(f"  {plan.unmet_plugs} plugs stay unmet, most of them for these reasons:")
    for reason, plugs in reasons.most_common(4):
        say(f"    {plugs:4d}  {reason}")


def _tell_dispatch(say: _Say, dispatch: DispatchReport) -> None:
    last = max((ship.ship_on for ship in dispatch.ships), default=dispatch.first_day)
    say(
        f"\n  Of {dispatch.orders} open orders {dispatch.dispatched} have a ship day now, the last"
        f" on {last:%d %B}; {dispatch.late} leave later than their first day."
    )
    for left in dispatch.unshipped[:3]:
        say(f"    {left.reference} has none: {left.reason}")


def _tell_quote(say: _Say, quote: dict[str, Any]) -> None:
    say(f"\nTHE WEB SHOP asks for {quote['basket']}")
    if quote["ship_on"] is None:
        say("  no ship day can be promised in this time")
    else:
        say(
            f"  leaves {quote['ship_on']} by {quote['service']}, arrives {quote['arrives_from']} to"
            f" {quote['arrives']}, kept with a chance of {quote['probability']:.1%}"
        )
    for refused in quote["refused"][:_REFUSED]:
        say(f"    not {refused['day']}: {refused['reason']}")
    if len(quote["refused"]) > _REFUSED:
        say(f"    and {len(quote['refused']) - _REFUSED} days more")


def _tell_packer(say: _Say, console: Console, sheet: PickSheet) -> None:
    say(
        f"\nTHE PACKER picks {sheet.plugs} plugs for {len(sheet.slips)} parcels that leave on"
        f" {sheet.ship_day:%A %d %B}"
    )
    table = _table("bench", "batch", "product", "plugs", "is", "grade", "last sale")
    for pick in sheet.picks[: 2 * _SHOWN]:
        table.add_row(
            pick.bench,
            pick.batch_code,
            pick.product_code,
            str(pick.plugs),
            pick.trays,
            pick.grade.value,
            pick.last_sale_on.isoformat(),
        )
    console.print(table)
    if len(sheet.picks) > 2 * _SHOWN:
        say(f"  and {len(sheet.picks) - 2 * _SHOWN} more stops of the walk")


def _tell_next(say: _Say, folder: Path | None, sheet: PickSheet) -> None:
    say("\nWHERE TO LOOK NEXT")
    if folder is None:
        say("  nursery demo --folder demo     the same, kept in the folder demo")
        return
    database = f"--database {folder / DATABASE}"
    code = f"{PLANTS[0].code}-6"
    for command, meaning in (
        (f"nursery plan {database}", "the lead: plan again, see every reason"),
        (f"nursery week {database}", "the lead: this week's tasks"),
        (f"nursery quote {code}:2 NL 1075 {database}", "the shop: ask for a ship day"),
        (f"nursery picks {sheet.ship_day} {database}", "the packer: the whole sheet"),
        (f"nursery serve {database}", f"the API; its tokens are in {folder / TOKENS}"),
    ):
        say(f"  {command}\n      {meaning}")
    say(f"  {folder / WORKBOOK} is the workbook that all this came from.")


def _table(*headings: str) -> Table:
    table = Table(box=None, pad_edge=True)
    for heading in headings:
        numeric = heading in ("trays", "plugs")
        table.add_column(heading, justify="right" if numeric else "left", no_wrap=True)
    return table
