"""The day book at the command line: what was done, line by line of the week sheet, and undo."""

from collections.abc import Callable
from datetime import date
from typing import Annotated, Any

import typer
from sqlmodel import Session, select

from nursery.batch import Batch
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
    warn,
)
from nursery.commands.typed import parse_day
from nursery.crop import Protocol
from nursery.database import today
from nursery.errors import Fault
from nursery.growing_area import Bench
from nursery.promising.supply import deficits
from nursery.shed.trace import batch_called
from nursery.shed.veto import correct_earliest_end
from nursery.stock import Grade, Lot, Veto, VetoKind
from nursery.week import day_book
from nursery.week.as_planned import Otherwise
from nursery.week.as_planned import done as line_done
from nursery.week.day_book import Booked, Said, day_lines
from nursery.week.day_undo import last_entry
from nursery.week.day_undo import undo as take_back
from nursery.weeks import Week

LineOption = Annotated[
    int | None, typer.Option("--minutes", help="How long it took.", max=MOST_NUMBER)
]
BatchArgument = Annotated[str, typer.Argument(help="The batch's code.")]
PlugsArgument = Annotated[int, typer.Argument(help="How many plugs.", max=MOST_NUMBER)]
BenchOption = Annotated[str | None, typer.Option("--bench", help="Where it stands now.")]
LotOption = Annotated[
    str | None, typer.Option("--lot", help="Ready day of the lot; else the growing plugs.")
]
ReasonOption = Annotated[str, typer.Option("--reason", help="Why; kept in the records.")]


def done(
    lines: Annotated[list[str], typer.Argument(help="Keys of lines of the week sheet.")],
    bench: BenchOption = None,
    trays: Annotated[
        int | None, typer.Option(help="Other trays than planned.", max=MOST_NUMBER)
    ] = None,
    plugs: Annotated[
        int | None, typer.Option(help="Other plugs than planned.", max=MOST_NUMBER)
    ] = None,
    potted_on: Annotated[
        bool | None,
        typer.Option("--potted-on/--discarded", help="For a line that leaves it open."),
    ] = None,
    week: Annotated[str | None, typer.Option(help="Of another week's sheet.")] = None,
    minutes: LineOption = None,
    by: ActorOption = "lead",
    database: DatabaseOption = DATABASE,
) -> None:
    """Say that lines of the week sheet were done, as planned or with what was different.

    Example: nursery done S12 M7.2 --by Mo

    Each line is kept at once: a line that cannot be done stops the rest. `nursery undo` takes the
    last one back.
    """
    if len(lines) > 1 and (trays, plugs, minutes) != (None, None, None):
        raise Fault("Lines", "numbers are of one line alone", len(lines), "do them one by one")
    with opened(database) as db:
        for key in lines:
            with db.writing() as session:
                otherwise = Otherwise(_bench(session, bench), trays, plugs, potted_on)
                which = Week.parse(week) if week else None
                _said(session, line_done(session, key, by, otherwise, minutes, which))


def start(
    crop: Annotated[str, typer.Argument(help="The crop, named as on a page.")],
    protocol: Annotated[str, typer.Argument(help="Which of its protocols.")],
    trays: Annotated[int, typer.Argument(help="How many trays.", max=MOST_NUMBER)],
    bench: BenchOption = None,
    code: Annotated[str | None, typer.Option(help="Its traceability code; else given.")] = None,
    lineage: Annotated[str, typer.Option(help="Where it comes from.")] = "",
    minutes: LineOption = None,
    by: ActorOption = "lead",
    database: DatabaseOption = DATABASE,
) -> None:
    """Start a batch that is not on the week sheet.

    Example: nursery start 'Caltha palustris' division 4 --bench 'Mist house 1'
    """

    def act(session: Session) -> Booked[Any]:
        row = _protocol(session, crop, protocol)
        place = _bench(session, bench)
        said = Said(minutes=minutes)
        return day_book.start(session, row, trays, by, place, code, lineage=lineage, said=said)

    _write(database, act)


def move(
    batch: BatchArgument,
    bench: BenchOption = None,
    trays: Annotated[
        int | None, typer.Option(help="How many trays it is now.", max=MOST_NUMBER)
    ] = None,
    minutes: LineOption = None,
    by: ActorOption = "lead",
    database: DatabaseOption = DATABASE,
) -> None:
    """Move a batch to the next stage of its protocol.

    Example: nursery move CAL-2704A --bench 'Long house 2'
    """

    def act(session: Session) -> Booked[Any]:
        row, place = batch_called(session, batch), _bench(session, bench)
        return day_book.move(session, row, by, place, trays, said=Said(minutes=minutes))

    _write(database, act)


def ready(
    batch: BatchArgument,
    plugs: PlugsArgument,
    bench: BenchOption = None,
    grade: Annotated[Grade, typer.Option(help="How good they are.")] = Grade.A,
    minutes: LineOption = None,
    by: ActorOption = "lead",
    database: DatabaseOption = DATABASE,
) -> None:
    """Set plugs of a batch aside as ready: a lot that may be sold from today.

    Example: nursery ready CAL-2704A 180 --bench 'Sales bench 1'
    """

    def act(session: Session) -> Booked[Any]:
        row, place = batch_called(session, batch), _bench(session, bench)
        said = Said(minutes=minutes)
        return day_book.set_ready(session, row, plugs, by, place, grade, said=said)

    _write(database, act)


def gap_up(
    batch: BatchArgument,
    donor: Annotated[str | None, typer.Option("--from", help="Batch that gives plugs.")] = None,
    plugs: Annotated[
        int | None, typer.Option(help="How many; else all that fit.", max=MOST_NUMBER)
    ] = None,
    minutes: LineOption = None,
    by: ActorOption = "lead",
    database: DatabaseOption = DATABASE,
) -> None:
    """Fill the gaps of a batch, from a batch of the same lineage or from its own last trays.

    Example: nursery gap-up CAL-2704A --from CAL-2704B
    """

    def act(session: Session) -> Booked[Any]:
        row = batch_called(session, batch)
        giver = batch_called(session, donor) if donor else None
        return day_book.set_gap_up(session, row, by, giver, plugs, Said(minutes=minutes))

    _write(database, act)


def pot_on(
    batch: BatchArgument,
    plugs: PlugsArgument,
    lot: LotOption = None,
    reason: ReasonOption = "",
    minutes: LineOption = None,
    by: ActorOption = "lead",
    database: DatabaseOption = DATABASE,
) -> None:
    """Say that plugs went into pots.

    Example: nursery pot-on CAL-2704A 40 --lot 2027-03-22
    """

    def act(session: Session, row: Batch, of: Lot | None) -> Booked[Any]:
        return day_book.pot_on(session, row, plugs, by, reason, of, Said(minutes=minutes))

    _of_batch(database, batch, lot, act)


def discard(
    batch: BatchArgument,
    plugs: PlugsArgument,
    lot: LotOption = None,
    reason: ReasonOption = "",
    minutes: LineOption = None,
    by: ActorOption = "lead",
    database: DatabaseOption = DATABASE,
) -> None:
    """Say that plugs were thrown away. Suspected quarantine pests: call the inspector first.

    Example: nursery discard CAL-2704A 12 --reason slugs
    """

    def act(session: Session, row: Batch, of: Lot | None) -> Booked[Any]:
        return day_book.discard(session, row, plugs, by, reason, of, Said(minutes=minutes))

    _of_batch(database, batch, lot, act)


def plant_out(
    batch: BatchArgument,
    plugs: PlugsArgument,
    where: Annotated[str, typer.Option(help="Which bed or mother block.")],
    lot: LotOption = None,
    minutes: LineOption = None,
    by: ActorOption = "lead",
    database: DatabaseOption = DATABASE,
) -> None:
    """Say that plugs were planted out into the nursery's own beds or mother blocks.

    Example: nursery plant-out CAL-2704A 40 --where 'stream bed'
    """

    def act(session: Session, row: Batch, of: Lot | None) -> Booked[Any]:
        return day_book.plant_out(session, row, plugs, by, where, of, Said(minutes=minutes))

    _of_batch(database, batch, lot, act)


def sell(
    batch: BatchArgument,
    plugs: PlugsArgument,
    lot: LotOption = None,
    reason: ReasonOption = "",
    by: ActorOption = "lead",
    database: DatabaseOption = DATABASE,
) -> None:
    """Say that plugs of a lot were sold at the gate.

    Example: nursery sell CAL-2704A 6 --lot 2027-03-22
    """

    def act(session: Session, row: Batch, of: Lot | None) -> Booked[Any]:
        return day_book.sell_at_gate(session, _needed(of, batch), plugs, by, reason)

    _of_batch(database, batch, lot, act)


def regrade(
    batch: BatchArgument,
    plugs: PlugsArgument,
    to: Annotated[Grade, typer.Option("--to", help="What they are now.")],
    lot: LotOption = None,
    reason: ReasonOption = "",
    by: ActorOption = "lead",
    database: DatabaseOption = DATABASE,
) -> None:
    """Say that plugs of a lot are of another grade.

    Example: nursery regrade CAL-2704A 20 --to B --lot 2027-03-22
    """

    def act(session: Session, row: Batch, of: Lot | None) -> Booked[Any]:
        return day_book.regrade(session, _needed(of, batch), plugs, to, by, reason)

    _of_batch(database, batch, lot, act)


def veto(
    batch: BatchArgument,
    kind: Annotated[VetoKind, typer.Option(help="Why it may not be sold or moved.")],
    reason: Annotated[str, typer.Option(help="As the label or the inspector says.")],
    set_by: Annotated[str, typer.Option("--set-by", help="The licensed person.")],
    until: Annotated[str, typer.Option(help="First day to look again; it never ends it.")] = "",
    lot: LotOption = None,
    by: ActorOption = "lead",
    database: DatabaseOption = DATABASE,
) -> None:
    """Set a veto: do not sell, do not move. Only a signature ever ends it.

    Example: nursery veto CAL-2704A --kind inspection --reason spots --set-by 'Inspector Li'
    """

    def act(session: Session, row: Batch, of: Lot | None) -> Booked[Any]:
        end = parse_day(until)
        return day_book.set_veto(session, row, kind, reason, set_by, by, end, of)

    _of_batch(database, batch, lot, act)


def veto_end(
    batch: BatchArgument,
    day: Annotated[str, typer.Argument(help="The earliest end that was meant.")],
    corrected_by: Annotated[str, typer.Option("--corrected-by", help="The licensed person.")],
    reason: Annotated[str, typer.Option(help="What was wrong; kept.")],
    kind: Annotated[VetoKind | None, typer.Option(help="Which of several vetoes.")] = None,
    database: DatabaseOption = DATABASE,
) -> None:
    """Correct the earliest end of a veto that was typed wrong. The veto itself holds on.

    Example: nursery veto-end CAL-2704A 2027-04-02 --corrected-by 'Inspector Li' --reason 'slip'

    The label or the inspector says the date: nothing else makes it earlier.
    """
    with opened(database) as db, db.writing() as session:
        held = _veto(session, batch_called(session, batch), kind)
        end = parse_day(day)
        if end is None:
            raise Fault("Veto", "needs the earliest end that was meant", day, "write 2027-04-02")
        found = correct_earliest_end(session, held, end, corrected_by, reason)
        say(
            f"The veto on {batch} ({found.kind.value}) may be looked at again from"
            f" {found.earliest_end}; it holds until an authorised person signs it off."
        )


def sign_off(
    batch: BatchArgument,
    signed_by: Annotated[str, typer.Option("--signed-by", help="The authorised person.")],
    note: Annotated[str, typer.Option(help="What was found.")],
    kind: Annotated[VetoKind | None, typer.Option(help="Which of several vetoes.")] = None,
    by: ActorOption = "lead",
    database: DatabaseOption = DATABASE,
) -> None:
    """Sign a batch's veto off, by an authorised person who has looked at it.

    Example: nursery sign-off CAL-2704A --signed-by 'Inspector Li' --note 'clear'
    """

    def act(session: Session) -> Booked[Any]:
        held = _veto(session, batch_called(session, batch), kind)
        return day_book.sign_off_veto(session, held, signed_by, note, by)

    _write(database, act)


def undo(
    entry: Annotated[
        int | None, typer.Argument(max=MOST_NUMBER, help="Entry of the day book; else the last.")
    ] = None,
    reason: Annotated[str, typer.Option("--reason", help="What was wrong.")] = "entered by mistake",
    by: ActorOption = "lead",
    database: DatabaseOption = DATABASE,
) -> None:
    """Take an entry of the day book back, by a new entry. Nothing is ever deleted.

    Example: nursery undo --by Mo --reason 'the other batch'
    """
    with opened(database) as db, db.writing() as session:
        wrong = entry if entry is not None else last_entry(session, by).id or 0
        back = take_back(session, wrong, by, reason)
        say(
            f"Entry {back.id} takes back entry {wrong} ({back.action.value} {back.batch.code}),"
            f" by {by}."
        )


def day(
    which: Annotated[str, typer.Argument(help="A day; else today.")] = "",
    until: Annotated[str, typer.Option(help="Last day, for more than one.")] = "",
    database: DatabaseOption = DATABASE,
    as_json: JsonOption = False,
) -> None:
    """Show the day book: what was done, by whom, and what was taken back.

    Example: nursery day 2027-03-22
    """
    with opened(database) as db, db.reading() as session:
        first: date = parse_day(which) or today(session)
        lines = day_lines(session, first, parse_day(until))
    if as_json:
        print_json(lines)
        return
    if not lines:
        say(f"Nothing is in the day book for {first:%a %d %b %Y}.")
        return
    show(
        f"Day book, {first:%a %d %b %Y}",
        ("entry", "line", "done", "batch", "crop", "plugs", "trays", "by", "min", "note", ""),
        [
            (
                line.entry_id,
                line.line,
                line.action.value,
                line.batch_code,
                line.crop,
                line.plugs or None,
                line.trays or None,
                line.actor,
                line.minutes,
                line.note,
                "taken back" if line.undone else f"undoes {line.undoes}" if line.undoes else "",
            )
            for line in lines
        ],
    )


def _of_batch(
    database: str,
    batch: str,
    lot: str | None,
    act: Callable[[Session, Batch, Lot | None], Booked[Any]],
) -> None:
    """Does this with the growing plugs of the batch, or with its lot of that ready day."""

    def work(session: Session) -> Booked[Any]:
        row = batch_called(session, batch)
        return act(session, row, _lot(session, row, lot))

    _write(database, work)


def _write(database: str, act: Callable[[Session], Booked[Any]]) -> None:
    with opened(database) as db, db.writing() as session:
        _said(session, act(session))


def _said(session: Session, booked: Booked[Any]) -> None:
    """What was written, how to take it back, and whose promises it touches."""
    entry = booked.entry
    number = (
        f"{entry.plugs} plugs" if entry.plugs else f"{entry.trays} trays" if entry.trays else ""
    )
    where = entry.batch.bench.name if entry.batch.bench is not None else "no bench"
    said = f"{entry.line} {entry.batch.code} {entry.action.value} {number}".split()
    say(f"{' '.join(said)} ({entry.batch.stage.kind.value}, {where}); entry {entry.id}.")
    for deficit in deficits(session):
        if deficit.plugs:
            warn(
                f"{deficit.plugs} plugs are missing for {len(deficit.promises)} promises: see"
                " `nursery warnings`, then `nursery dispatch`"
            )


def _bench(session: Session, name: str | None) -> Bench | None:
    if name is None:
        return None
    row = session.exec(select(Bench).where(Bench.name == name)).first()
    if row is None:
        known = ", ".join(session.exec(select(Bench.name).order_by(Bench.name)).all())
        raise Fault(f"Bench '{name}'", "must be in the Areas sheet", name, f"there are: {known}")
    return row


def _lot(session: Session, batch: Batch, ready_on: str | None) -> Lot | None:
    """The lot of this ready day; None for the growing plugs."""
    if ready_on is None:
        return None
    wanted = parse_day(ready_on)
    rows = session.exec(select(Lot).where(Lot.batch_id == batch.id)).all()
    mine = [lot for lot in rows if lot.ready_on == wanted and lot.plugs > 0]
    if not mine:
        known = ", ".join(sorted({f"{lot.ready_on}" for lot in rows if lot.plugs})) or "none"
        raise Fault(
            f"Batch '{batch.code}'", "must have a lot of that day", ready_on, f"there are: {known}"
        )
    return min(mine, key=lambda lot: lot.pool.grade)


def _needed(lot: Lot | None, batch: str) -> Lot:
    if lot is None:
        raise Fault(f"Batch '{batch}'", "needs one of its lots", None, "name it by --lot")
    return lot


def _protocol(session: Session, crop: str, protocol: str) -> Protocol:
    rows = [row for row in session.exec(select(Protocol)) if row.crop.name == crop]
    for row in rows:
        if row.name == protocol:
            return row
    known = ", ".join(sorted(row.name for row in rows)) or "no crop of that name"
    raise Fault(f"Protocol '{protocol}' of {crop}", "must exist", protocol, f"there are: {known}")


def _veto(session: Session, batch: Batch, kind: VetoKind | None) -> Veto:
    rows = [
        row
        for row in session.exec(select(Veto).where(Veto.batch_id == batch.id).order_by(Veto.set_at))  # type: ignore[arg-type]
        if row.signed_off_at is None and (kind is None or row.kind is kind)
    ]
    if len(rows) != 1:
        said = "; ".join(f"{row.kind.value}: {row.reason}" for row in rows) or "none"
        raise Fault(
            f"Batch '{batch.code}'", "must have one such veto", said, "name its kind by --kind"
        )
    return rows[0]
