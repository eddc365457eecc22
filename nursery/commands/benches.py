"""The bench map, and the week's sheets a person and day, at the command line."""

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
    solving,
    warn,
)
from nursery.commands.lead import show_week
from nursery.database import Database, today
from nursery.errors import Fault
from nursery.planning.bench_map import (
    BenchMap,
    DrawnBench,
    Limits,
    bench_map,
    drawn,
    plan_benches,
    set_apart,
    set_together,
)
from nursery.week.rota import PersonDay, Rota, is_kept, keep_rota, rota
from nursery.week.week_sheet import week_sheet
from nursery.weeks import Week

_SHOWN = 12


def benches(
    which: Annotated[str | None, typer.Argument(help="An ISO week; else this one.")] = None,
    seconds: Annotated[float, typer.Option(help="How long the map may be bettered.")] = 10.0,
    only_show: Annotated[
        bool, typer.Option("--only-show", help="Draw the kept map; plan and keep nothing.")
    ] = False,
    apart: Annotated[
        str | None,
        typer.Option(help="From now on crops of this plant group stand apart: GROUP, on different"
                     " benches, or GROUP:PLACES, with so many places between."),
    ] = None,
    together: Annotated[
        str | None, typer.Option(help="From now on crops of this plant group need not.")
    ] = None,
    database: DatabaseOption = DATABASE,
    as_json: JsonOption = False,
) -> None:  # fmt: skip
    """Draw the bench map: which places each batch takes, from when until when.

    Example: nursery benches 2027-W14

    Batches that stand on their places are not moved. What is planned keeps last time's places where
    nothing is won by others; the map is kept for the next time and for `nursery week --sheets`.
    """
    with opened(database) as db:
        _tell_apart(db, apart, together)
        with db.reading() as session:
            week = Week.parse(which) if which else Week.of(today(session))
            found = bench_map(session, week)
        if not only_show:
            with solving("Placing batches", seconds, 1, as_json) as (tell, stop):
                found = plan_benches(db, Limits(seconds, progress=tell, stop=stop), week)
    if as_json:
        print_json(found)
    else:
        show_benches(found)


def _tell_apart(db: Database, apart: str | None, together: str | None) -> None:
    if apart is None and together is None:
        return
    with db.writing() as session:
        if apart is not None:
            group, _, places = apart.partition(":")
            if places and not (places.isdecimal() and int(places) > 0):
                raise Fault("--apart", "places must be a whole number above 0", places, "mend it")
            set_apart(session, group, int(places) if places else None)
        if together is not None:
            set_together(session, together)


def show_benches(found: BenchMap) -> None:
    """The map as it hangs on the door: what does not fit first, then bench by bench."""
    say(
        f"Bench map {found.week}, plan {found.plan_version or 'none'}: {found.in_one_block} of"
        f" {found.stands} batches and stages of the next weeks stand in one block."
    )
    for short in found.short[:_SHOWN]:
        say(
            f"SHORT: {short.area} is {_places(short.places)} short from {short.first_day:%a %d %b}"
            f" until {short.until:%a %d %b}."
        )
    if len(found.short) > _SHOWN:
        say(f"... and {len(found.short) - _SHOWN} more times.")
    for what, places in found.without_place:
        say(
            f"NO PLACE: {_places(places)} missing for {what.batch or 'the new batch'} ({what.crop},"
            f" {what.stage}): leave it where it is until there is room."
        )
    say('A letter is a batch; "." free, "-" left and to be cleaned, "x" out of use.')
    for bench in drawn(found):
        _show_bench(bench)
    for note in found.notes:
        say(f"Note: {note}")


def _places(number: int) -> str:
    return "1 place" if number == 1 else f"{number} places"


def _show_bench(bench: DrawnBench) -> None:
    row = bench.row
    say()
    say(f"{row.bench} ({row.area}), {row.places} places")
    say(f"      {bench.ruler}")
    for day, line in bench.lines:
        say(f"  {day:%a} {line}")
    if bench.legend:
        show(
            "",
            ("", "batch", "crop", "stage", "places", "from", "leaves", "blocks"),
            [
                (
                    letter,
                    slot.what.batch or f"new, {slot.what.planned_week}",
                    slot.what.crop,
                    slot.what.stage,
                    slot.label.removeprefix(f"{slot.bench}, ").split()[1],
                    "stands there" if slot.fixed else f"{slot.enters_on:%a %d %b}",
                    f"{slot.leaves_on:%a %d %b}",
                    slot.blocks if slot.blocks > 1 else None,
                )
                for letter, slot in bench.legend
            ],
        )


def week(
    which: Annotated[str | None, typer.Argument(help="An ISO week; else this one.")] = None,
    sheets: Annotated[
        bool, typer.Option("--sheets", help="A sheet a person and day: the rota.")
    ] = False,
    person: Annotated[str | None, typer.Option(help="Only this person's sheets.")] = None,
    anew: Annotated[bool, typer.Option("--anew", help="Level the rota again and keep it.")] = False,
    seconds: Annotated[float, typer.Option(help="How long the rota may be bettered.")] = 10.0,
    database: DatabaseOption = DATABASE,
    as_json: JsonOption = False,
) -> None:
    """Print the week's tasks: start, move, harden off, set aside, discard, count; or the rota.

    Example: nursery week 2027-W14 --sheets

    With --sheets or --person the tasks are given out: which day, by whom, from which places to
    which, hours levelled over the people who are in. The rota is kept: what was handed out stays,
    and what comes since is given out beside it, until it is levelled --anew.
    """
    with opened(database) as db:
        sheet, found = None, None
        with db.reading() as session:
            wanted = Week.parse(which) if which else Week.of(today(session))
            if not (sheets or person or anew):
                sheet = week_sheet(session, wanted)
            elif not anew and is_kept(session, wanted):
                found = rota(session, wanted)
        if sheet is None and found is None:
            found = keep_rota(db, wanted, Limits(seconds, threads=1))
    if sheet is not None:
        print_json(sheet) if as_json else show_week(sheet)
    elif found is not None:
        days = found.sheets if person is None else found.of(person)
        if as_json:
            print_json(found if person is None else days)
        else:
            show_rota(found, days, everything=person is None)


def show_rota(found: Rota, days: tuple[PersonDay, ...], everything: bool = True) -> None:
    """The rota: what nobody can be given first, the hours, then the sheets to hand out."""
    if everything:
        say(found.told)
        _show_left(found)
        _show_hours(found)
    for day in days:
        show_day(day)
    if not days:
        say("Nothing is given out.")
    say()
    for caution in found.cautions:
        say(caution)


def _show_left(found: Rota) -> None:
    for work, why in found.undone:
        what = f"{work.what} {work.batch}".strip()
        say(f"NOT GIVEN OUT: {what}{f' ({work.crop})' if work.crop else ''}: {why}")
    for held in found.held:
        line = held.line
        say(f"STOPPED: {line.kind.value} {line.batch or 'new'} ({line.crop}): {held.why}")
    if found.hot:
        days = ", ".join(f"{day:%a %d %b}" for day in found.hot)
        say(f"HOT: {days}: no heavy moving is planned.")
    if found.forecast_until is None:
        warn("There is no fresh forecast: a person decides whether a day is too hot to carry.")


def _show_hours(found: Rota) -> None:
    show(
        f"Week {found.week}: minutes a person and day",
        ("person", "Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun", "in all", "of", "overtime"),
        [
            (row.person, *row.minutes, sum(row.minutes), sum(row.there), row.overtime or None)
            for row in found.hours
        ],
    )
    for row in found.hours:
        if row.overtime:
            more = f", {row.beyond} beyond what was agreed" if row.beyond else ""
            say(f"OVER: {row.person} has {row.overtime} minutes of overtime{more}.")
        for day, minutes in row.long_days:
            say(f"LONG DAY: {row.person}, {day:%a %d %b}: {minutes} minutes over.")


def show_day(day: PersonDay) -> None:
    """One person's sheet of one day, in order, with boxes to tick."""
    say()
    show(
        f"{day.person}, {day.day:%A %d %B %Y}: {day.minutes} of {day.there} minutes",
        (
            "",
            "line",
            "task",
            "batch",
            "crop",
            "from",
            "to",
            "trays",
            "plugs",
            "min",
            "with",
            "note",
        ),
        [
            (
                "[ ]",
                line.work.line or None,
                line.work.what + (f" ({line.work.part})" if line.work.part else ""),
                line.work.batch or ("new" if line.work.crop else None),
                line.work.crop or None,
                line.work.come_from,
                line.work.go_to or None,
                line.work.trays or None,
                line.work.plugs or None,
                line.work.minutes,
                ", ".join(line.others) or None,
                line.work.note or None,
            )
            for line in day.lines
        ],
    )
