"""What the nursery lead does at the command line: plan, dispatch, trace, the week sheet shown."""

from datetime import date
from typing import Annotated

import typer

from nursery.commands.console import (
    DATABASE,
    MOST_NUMBER,
    ActorOption,
    DatabaseOption,
    JsonOption,
    opened,
    print_json,
    say,
    show,
    solving,
)
from nursery.database import Database
from nursery.dispatching.dispatch import DispatchReport, plan_dispatch
from nursery.dispatching.dispatch_why import OrderWhy, why_order
from nursery.planned import PlanKind, newest_version
from nursery.planning.plan_report import PlanReport
from nursery.planning.propagation import Limits, accept_plan, plan_propagation, stored_report
from nursery.week.week_sheet import WeekSheet

_EURO = 10_000
"""A plan's cost unit is a hundredth of a cent."""
_SHOWN = 12


def plan(
    weeks: Annotated[
        int, typer.Option(help="How many weeks to plan, this one included.", max=MOST_NUMBER)
    ] = 26,
    minutes: Annotated[float, typer.Option(min=0.02, help="How long the solver may take.")] = 1.0,
    accept: Annotated[
        bool, typer.Option("--accept", help="Follow the newest plan (or --version) from now on.")
    ] = False,
    version: Annotated[
        int | None, typer.Option(help="A plan that was made before.", max=MOST_NUMBER)
    ] = None,
    despite_changes: Annotated[
        bool, typer.Option("--despite-changes", help="Accept although the books have changed.")
    ] = False,
    by: ActorOption = "lead",
    database: DatabaseOption = DATABASE,
    as_json: JsonOption = False,
) -> None:
    """Plan what to start in which week; keep it as a version; accept one; show one.

    Example: nursery plan --weeks 26 --minutes 1

    A bar shows cost, bound and gap. Ctrl-C keeps the best plan so far. `nursery plan --accept`
    makes the newest plan the one that counts: its starts of this week are then fixed.
    """
    with opened(database) as db:
        if accept:
            _accept(db, version, by, despite_changes)
            return
        report = (
            _stored(db, version)
            if version is not None
            else _solve(db, weeks, 60 * minutes, by, as_json)
        )
    if as_json:
        print_json(report)
    else:
        show_plan(report)


def _solve(db: Database, weeks: int, seconds: float, by: str, quiet: bool) -> PlanReport:
    with solving("Planning", seconds, _EURO, quiet) as (progress, stop):
        return plan_propagation(db, weeks, Limits(seconds, progress=progress, stop=stop), by)


def _stored(db: Database, version: int) -> PlanReport:
    with db.reading() as session:
        return stored_report(session, version, weigh=True)


def _accept(db: Database, version: int | None, by: str, despite_changes: bool) -> None:
    with db.writing() as session:
        wanted = version if version is not None else newest_version(session, PlanKind.PROPAGATION)
        row = accept_plan(session, wanted, by, despite_changes)
        say(f"Plan {row.version} is accepted by {row.accepted_by}. Next: nursery week")


def show_plan(report: PlanReport) -> None:
    """A plan as the lead reads it: what goes wrong first, then the starts, then the rest."""
    say(
        f"Plan {report.version}: {report.weeks} weeks from {report.first_week}, {report.status}"
        f" after {report.seconds:.1f} s"
    )
    say(
        f"Cost {_money(report.cost)}, proven bound {_money(report.bound)} (gap {report.gap:.1%});"
        f" counting back from each demand week would cost {_money(report.backward_cost)}."
    )
    _show_trouble(report)
    show(
        "Starts of the next weeks",
        ("week", "crop", "protocol", "trays", "safe plugs", "ready"),
        [
            (start.week, start.crop, start.protocol, start.trays, start.plugs, start.ready_week)
            for start in report.starts[:_SHOWN]
        ],
    )
    _more(len(report.starts), "starts")
    show(
        "Fullest weeks",
        ("area", "week", "places taken", "of", "share"),
        [
            (p.area, p.week, p.used, p.places or None, f"{p.share:.0%}" if p.share else None)
            for p in report.peaks
        ],
    )
    overtime = [hours for hours in report.hours if hours.overtime or hours.beyond]
    if overtime:
        say(f"Overtime in {len(overtime)} weeks, {report.overtime_minutes / 60:.0f} hours in all.")
    for seed in report.seeds:
        if seed.short_from:
            say(
                f"SEED: {seed.sown} seeds of {seed.crop} are sown, {seed.left} are left: order more"
                f" before {seed.short_from}."
            )
    _show_assumptions(report)
    for note in report.notes:
        say(f"Note: {note}")
    say("Every start: nursery plan --version N --json. To follow it: nursery plan --accept")


def _show_trouble(report: PlanReport) -> None:
    for over in report.overflow[:_SHOWN]:
        say(f"OVER: {over.area} is {over.places:g} places too small in {over.week}.")
    if report.unmet:
        show(
            f"Unmet: {report.unmet_plugs} plugs",
            ("week", "crop", "plugs", "why"),
            [(u.week, u.crop, u.plugs, u.reason) for u in report.unmet[:_SHOWN]],
        )
        _more(len(report.unmet), "unmet demands")
    else:
        say("Nothing is left unmet.")
    if report.late:
        say(f"Late: {report.late_plugs} plugs come after the week they are wanted in.")
    if report.discards:
        say(f"Discards: {report.discarded_plugs} plugs pass their last sale date.")


def _show_assumptions(report: PlanReport) -> None:
    if not report.assumptions:
        return
    show(
        "Assumptions that matter most (replace them by your own numbers first)",
        ("assumed", "value", "if 10 % worse, costs more"),
        [
            (
                weighed.assumption.name,
                f"{weighed.assumption.value} {weighed.assumption.unit}".strip(),
                _money(weighed.costs_more),
            )
            for weighed in report.assumptions
        ],
    )


def _more(number: int, what: str) -> None:
    if number > _SHOWN:
        say(f"... and {number - _SHOWN} more {what}.")


def _money(units: int) -> str:
    return f"{units / _EURO:,.0f}".replace(",", " ")


def show_week(sheet: WeekSheet) -> None:
    """The week sheet as people follow it: by latest day, with a box to tick."""
    if sheet.plan_version is None:
        say("No plan is accepted yet, so nothing is to be started: nursery plan, then --accept")
    show(
        f"Week {sheet.week}, plan {sheet.plan_version or 'none'}, {sheet.minutes / 60:.1f} hours",
        (
            "",
            "line",
            "latest",
            "task",
            "batch",
            "crop",
            "from",
            "to",
            "trays",
            "plugs",
            "min",
            "note",
        ),
        [
            (
                "[ ]",
                task.key,
                f"{task.latest:%a %d %b}",
                task.kind.value,
                task.batch or "new",
                task.crop,
                task.come_from,
                task.go_to,
                task.trays,
                task.plugs,
                task.minutes,
                task.note or None,
            )
            for task in sheet.tasks
            if not task.stopped
        ],
    )
    for task in sheet.tasks:
        if task.stopped:
            say(f"STOPPED: {task.kind.value} {task.batch} ({task.crop}): {task.stopped}")
    if sheet.rounds:
        assumed = sheet.rounds[0].assumed
        say(f"Rounds, {sheet.round_minutes / 60:.1f} hours" + (f" ({assumed})" if assumed else ""))
        show(
            "",
            ("", "day", "work", "where", "min"),
            [
                ("[ ]", f"{one.day:%a %d %b}", one.name, one.place, one.minutes * one.persons)
                for one in sheet.rounds
            ],
        )
    for advice in sheet.glut:
        say(f"GLUT: {advice}")
    say("Done as planned: nursery done LINE ...; taken back: nursery undo")
    say("Sprayed plants: no hand work until the label's re-entry interval has ended.")


def dispatch(
    seconds: Annotated[float, typer.Option(min=0.5, help="How long the solver may take.")] = 10.0,
    why: Annotated[
        str | None, typer.Option(help="Only say why this order is on its day; solve nothing.")
    ] = None,
    only_plan: Annotated[
        bool, typer.Option("--only-plan", help="Work it out, but promise and move nothing.")
    ] = False,
    by: ActorOption = "lead",
    database: DatabaseOption = DATABASE,
    as_json: JsonOption = False,
) -> None:
    """Give every open order its day, and move the promises that can no longer be kept.

    Example: nursery dispatch --seconds 10

    Orders get a promise; a promise that has to move keeps the first day it was given, and the
    shop is told why. A picked parcel never moves.
    """
    if why is not None:
        with opened(database) as db, db.reading() as session:
            found = why_order(session, why)
        if as_json:
            print_json(found)
        else:
            _show_why(found)
        return
    with opened(database) as db, solving("Dispatching", seconds, 100, as_json) as (tell, stop):
        limits = Limits(seconds, progress=tell, stop=stop)
        report = plan_dispatch(db, limits, by, accept_it=not only_plan)
    if as_json:
        print_json(report)
    else:
        show_dispatch(report)


def show_dispatch(report: DispatchReport) -> None:
    """The dispatch as the lead reads it: the orders without a day first."""
    done = "carried out" if report.accepted else "only planned"
    say(
        f"Dispatch {report.version} ({done}): {report.dispatched} of {report.orders} orders have a"
        f" day, {report.late} of them later than first promised or wished."
    )
    say(
        f"Cost {report.cost / 100:,.2f}, proven bound {report.bound / 100:,.2f}; first come, first"
        f" served would cost {report.first_come_cost / 100:,.2f}. {report.seconds:.1f} s."
    )
    if report.unshipped:
        show(
            "Without a day",
            ("order", "why"),
            [
                (" ".join((order.reference, order.part)).strip(), order.reason)
                for order in report.unshipped[:_SHOWN]
            ],
        )
        _more(len(report.unshipped), "orders without a day")
    if report.moved:
        show(
            "Moved",
            ("order", "from", "to", "what the customer is told"),
            [(m.reference, m.from_day, m.to_day, m.reason) for m in report.moved[:_SHOWN]],
        )
        _more(len(report.moved), "moved orders")
    if report.changed:
        show(
            "Other plants (told)",
            ("order", "leaves", "what the customer is told"),
            [
                (" ".join((c.reference, c.part)).strip(), c.ship_on, c.words)
                for c in report.changed[:_SHOWN]
            ],
        )
        _more(len(report.changed), "orders with other plants")
    others = [ship for ship in report.ships if ship.instead_of]
    if others:
        show(
            "Same day, other service (told)",
            ("order", "leaves", "by", "instead of"),
            [(s.reference, s.ship_on, s.service, s.instead_of) for s in others[:_SHOWN]],
        )
        _more(len(others), "orders by another service")
    days: dict[str, int] = {}
    for ship in sorted(report.ships, key=lambda ship: ship.ship_on):
        label = f"{ship.ship_on:%a %Y-%m-%d}"
        days[label] = days.get(label, 0) + 1
    show("Parcels a day", ("day", "parcels"), list(days.items())[:_SHOWN])


def _show_why(parcels: tuple[OrderWhy, ...]) -> None:
    """A parcel after the other: where it stands, how it came there, day by day."""
    for one in parcels:
        if one.ship_on is None:
            say(f"{one.reference} {one.state}.")
        else:
            first = f", first promised for {one.first_ship_on:%a %d %b}"
            first = "" if one.first_ship_on in (None, one.ship_on) else first
            say(
                f"{one.reference} ({one.state}) leaves {one.ship_on:%a %d %b %Y}"
                f" by {one.service}{first}."
            )
        for note in one.notes:
            say(f"  not as ordered: {note}")
        for move in one.moves:
            say(f"  changed {move}")
        if one.days:
            rows = [(_span(each.first, each.last), each.verdict, each.text) for each in one.days]
            show("Day by day", ("days", "", "why"), rows)


def _span(first: date, last: date) -> str:
    if first == last:
        return f"{first:%a %d %b}"
    return f"{first:%a %d %b} to {last:%a %d %b}"


def trace(
    batch: Annotated[str, typer.Argument(help="The batch's code.")],
    database: DatabaseOption = DATABASE,
    as_json: JsonOption = False,
) -> None:
    """Tell a batch's whole story: where it came from, what moved, which orders it went to.

    Example: nursery trace CAL-2704A
    """
    from nursery.shed.trace import trace as story

    with opened(database) as db, db.reading() as session:
        told = story(session, batch)
    if as_json:
        print_json(told)
    else:
        for line in told.lines():
            say(line)
