"""The day book: lines of the week sheet done as planned, other work on the benches, and undo."""

from collections.abc import Callable, Mapping
from datetime import date, datetime
from typing import Annotated, Any, TypeAlias

import strawberry
from sqlmodel import Session, col, select

from api.context import Info, read, write
from api.dispatch import Touched, touched
from api.fields import field, mutation
from api.growing import Batch, BatchAnswer, batch
from api.ids import global_id, key_of
from api.kept import kept
from api.mirror import mirror
from api.refusals import Code, Refusal, refuse
from api.rows import batch_row, bench_row, lot_row
from nursery.access import Role, Token
from nursery.batch import Batch as BatchRow
from nursery.database import today
from nursery.day_entry import DayAction
from nursery.promising.supply import deficits
from nursery.shed import ledger
from nursery.stock import Grade, Lot, Movement
from nursery.week import as_planned, day_book, day_undo
from nursery.week.day_book import Booked, DayLine, Said, entry_line
from nursery.weeks import Week

LEAD = (Role.LEAD,)
_MOST_LINES = 50


@kept
@strawberry.type(description="One entry of the day book: what was done, to which batch, by whom.")
class DayEntry:
    """`undone` says that a later entry took it back, `undoes` which entry this one takes back.

    `stage` is the batch's stage after it, `line` the week sheet's line that was done.
    """

    id: strawberry.ID
    done_on: date
    recorded_at: datetime
    action: DayAction
    batch_code: str
    crop: str
    stage: str
    plugs: int
    trays: int
    actor: str
    line: str
    minutes: int | None
    note: str
    undoes: strawberry.ID | None
    undone: bool


@kept
@strawberry.type(description="What was written into the day book.")
class DayDone:
    """`touched` are promises that can no longer all be kept: run the dispatch, tell customers."""

    entries: list[DayEntry]
    touched: list[Touched]


@strawberry.type(description="The day book of some days, in the order it was written.")
class DayBook:
    """Nothing in it is ever changed or deleted."""

    entries: list[DayEntry]


@strawberry.input(description="What was otherwise than the week sheet's line says.")
class OtherwiseInput:
    """What is left out was as planned; `potted_on` decides a line that leaves it open."""

    bench: str | None = None
    trays: int | None = None
    plugs: int | None = None
    potted_on: bool | None = None
    minutes: int | None = None

    def has_numbers(self) -> bool:
        """Does it say a number, which can only be one line's?"""
        return (self.trays, self.plugs, self.minutes) != (None, None, None)


DayDoneAnswer: TypeAlias = Annotated[DayDone | Refusal, strawberry.union("DayDoneAnswer")]
DayBookAnswer: TypeAlias = Annotated[DayBook | Refusal, strawberry.union("DayBookAnswer")]


def entry(found: DayLine) -> DayEntry:
    """The API's form of a line of the day book."""
    undoes = found.undoes
    return mirror(
        DayEntry,
        found,
        id=global_id("DayEntry", found.entry_id),
        undoes=None if undoes is None else global_id("DayEntry", undoes),
    )


def _done(session: Session, *booked: Booked[Any]) -> DayDone:
    return DayDone(
        entries=[entry(entry_line(session, each.entry)) for each in booked],
        touched=touched(tuple(deficits(session))),
    )


async def _of_batch(
    info: Info,
    key: str,
    body: Mapping[str, Any],
    batch_code: str,
    lot_id: str | None,
    act: Callable[[Session, str, BatchRow, Lot | None], Booked[Any]],
) -> DayDone | Refusal:
    """Does this with a batch's growing plugs, or with one lot of it, and says what was written."""

    def work(session: Session, token: Token) -> DayDone:
        row = batch_row(session, batch_code)
        lot = None if lot_id is None else lot_row(session, lot_id)
        return _done(session, act(session, token.name, row, lot))

    return await write(info, LEAD, key, body, work)


def _leaving(
    batch_code: str, plugs: int, lot_id: str | None, minutes: int | None, **words: str
) -> Mapping[str, Any]:
    """The arguments with which plugs of a batch leave the benches."""
    given = {"batch_code": batch_code, "plugs": plugs, "lot_id": lot_id, "minutes": minutes}
    return {**given, **words}


async def _of_lot(
    info: Info,
    key: str,
    body: Mapping[str, Any],
    lot_id: str,
    act: Callable[[Session, str, Lot], Booked[Any]],
) -> DayDone | Refusal:
    """The same with a lot that is named by itself."""

    def work(session: Session, token: Token) -> DayDone:
        return _done(session, act(session, token.name, lot_row(session, lot_id)))

    return await write(info, LEAD, key, body, work)


@strawberry.type
class DayBookQueries:
    """Roots about what was done."""

    @field("What was done on these days, and what was taken back.")
    async def day_book(
        self, info: Info, first_day: date | None = None, last_day: date | None = None
    ) -> DayBookAnswer:
        """For the lead; today, where no day is given."""

        def work(session: Session, token: Token) -> DayBook:
            first = first_day or today(session)
            lines = day_book.day_lines(session, first, last_day)
            return DayBook(entries=[entry(line) for line in lines])

        return await read(info, LEAD, work)


@strawberry.type
class DayBookMutations:
    """Work on the benches. Sent again under the same `key`, each gives the same answer."""

    @mutation("Says that lines of the week sheet were done, as planned but for what is said.")
    async def do_as_planned(
        self,
        info: Info,
        key: str,
        lines: list[str],
        otherwise: OtherwiseInput | None = None,
        week: Week | None = None,
    ) -> DayDoneAnswer:
        """All of the lines or none; of this week's sheet where no week is given.

        `trays`, `plugs` and `minutes` are of one line alone.
        """
        body = {"lines": lines, "otherwise": otherwise, "week": week}

        def work(session: Session, token: Token) -> DayDone:
            said = otherwise or OtherwiseInput()
            other = as_planned.Otherwise(
                bench_row(session, said.bench), said.trays, said.plugs, said.potted_on
            )
            booked = [
                as_planned.done(session, line, token.name, other, said.minutes, week)
                for line in lines
            ]
            return _done(session, *booked)

        if not 1 <= len(lines) <= _MOST_LINES:
            said_lines = f"1 to {_MOST_LINES} lines are done at once, got {len(lines)}"
            return refuse(Code.INVALID, said_lines, "lines", "name lines of the week sheet")
        if len(lines) > 1 and otherwise is not None and otherwise.has_numbers():
            return refuse(
                Code.INVALID,
                f"Trays, plugs and minutes are of one line, got {len(lines)} lines",
                "otherwise",
                "send that line by itself",
            )
        return await write(info, LEAD, key, body, work)

    @mutation("Takes an entry of the day book back, by a new entry.")
    async def undo(self, info: Info, key: str, id: strawberry.ID, reason: str) -> DayDoneAnswer:
        """What was built on it is taken back first. A veto ends by a signature alone."""

        def work(session: Session, token: Token) -> DayDone:
            number = key_of("DayEntry", id)
            back = day_undo.undo(session, number, token.name, reason)
            return _done(session, Booked(None, back))

        return await write(info, LEAD, key, {"id": id, "reason": reason}, work)

    @mutation("Fills a batch's gaps from a batch of its lineage, or from its own last trays.")
    async def gap_up(
        self,
        info: Info,
        key: str,
        batch_code: str,
        donor_code: str | None = None,
        plugs: int | None = None,
        minutes: int | None = None,
    ) -> DayDoneAnswer:
        """`trays` of the entry come free."""
        body = {
            "batch_code": batch_code,
            "donor_code": donor_code,
            "plugs": plugs,
            "minutes": minutes,
        }

        def work(session: Session, token: Token) -> DayDone:
            row = batch_row(session, batch_code)
            donor = None if donor_code is None else batch_row(session, donor_code)
            said = Said(minutes=minutes)
            return _done(session, day_book.set_gap_up(session, row, token.name, donor, plugs, said))

        return await write(info, LEAD, key, body, work)

    @mutation("Says that plugs went into pots: of the growing plugs, or of one lot.")
    async def pot_on(
        self,
        info: Info,
        key: str,
        batch_code: str,
        plugs: int,
        reason: str = "",
        lot_id: strawberry.ID | None = None,
        minutes: int | None = None,
    ) -> DayDoneAnswer:
        """They are no longer for sale as plugs."""
        body = _leaving(batch_code, plugs, lot_id, minutes, reason=reason)

        def act(session: Session, who: str, row: BatchRow, lot: Lot | None) -> Booked[Any]:
            return day_book.pot_on(session, row, plugs, who, reason, lot, Said(minutes=minutes))

        return await _of_batch(info, key, body, batch_code, lot_id, act)

    @mutation("Says that plugs were planted out into the nursery's own beds or mother blocks.")
    async def plant_out(
        self,
        info: Info,
        key: str,
        batch_code: str,
        plugs: int,
        where: str,
        lot_id: strawberry.ID | None = None,
        minutes: int | None = None,
    ) -> DayDoneAnswer:
        """Of the growing plugs, or of one lot."""
        body = _leaving(batch_code, plugs, lot_id, minutes, where=where)

        def act(session: Session, who: str, row: BatchRow, lot: Lot | None) -> Booked[Any]:
            return day_book.plant_out(session, row, plugs, who, where, lot, Said(minutes=minutes))

        return await _of_batch(info, key, body, batch_code, lot_id, act)

    @mutation("Says that plugs of a lot were sold at the gate.")
    async def sell_at_gate(
        self, info: Info, key: str, lot_id: strawberry.ID, plugs: int, reason: str = ""
    ) -> DayDoneAnswer:
        """`touched` tells where they were promised to somebody."""
        body = {"lot_id": lot_id, "plugs": plugs, "reason": reason}

        def act(session: Session, who: str, lot: Lot) -> Booked[Any]:
            return day_book.sell_at_gate(session, lot, plugs, who, reason)

        return await _of_lot(info, key, body, lot_id, act)

    @mutation("Says that plugs of a lot are of another grade.")
    async def regrade(
        self,
        info: Info,
        key: str,
        lot_id: strawberry.ID,
        plugs: int,
        grade: Grade,
        reason: str = "",
    ) -> DayDoneAnswer:
        """They keep their ready day and last sale date."""
        body = {"lot_id": lot_id, "plugs": plugs, "grade": grade, "reason": reason}

        def act(session: Session, who: str, lot: Lot) -> Booked[Any]:
            return day_book.regrade(session, lot, plugs, grade, who, reason)

        return await _of_lot(info, key, body, lot_id, act)

    @mutation("Holds a lot of ready plugs cold: its last sale date moves by these days.")
    async def hold_cold(
        self,
        info: Info,
        key: str,
        lot_id: strawberry.ID,
        days: int,
        store_c: float,
        reason: str = "",
        bench: str | None = None,
    ) -> DayDoneAnswer:
        """`store_c` is the temperature of the store, °C; with `bench` its batch stands there."""
        body = {
            "lot_id": lot_id,
            "days": days,
            "store_c": store_c,
            "reason": reason,
            "bench": bench,
        }

        def act(session: Session, who: str, lot: Lot) -> Booked[Any]:
            place = bench_row(session, bench)
            return day_book.hold_cold(session, lot, days, store_c, who, reason, place)

        return await _of_lot(info, key, body, lot_id, act)

    @mutation("Corrects one row of a batch's ledger by a new row; the old one stays.")
    async def correct_movement(
        self, info: Info, key: str, batch_code: str, sequence: int, reason: str
    ) -> BatchAnswer:
        """For rows that no entry of the day book wrote; picks are undone in the shed."""
        body = {"batch_code": batch_code, "sequence": sequence, "reason": reason}

        def work(session: Session, token: Token) -> Batch | Refusal:
            row = batch_row(session, batch_code)
            wrong = session.exec(
                select(Movement).where(
                    Movement.batch_id == row.id, col(Movement.sequence) == sequence
                )
            ).first()
            if wrong is None:
                said = f"The ledger of batch '{row.code}' has no row {sequence}"
                return refuse(Code.NOT_FOUND, said, "sequence", "see the rows by trace")
            ledger.correct(session, wrong, token.name, reason)
            return batch(session, row)

        return await write(info, LEAD, key, body, work)
