"""What did the packer pick, and what was not there? Recorded as it happened.

A pick moves the ledger and closes its part of the commitment in one transaction, so no plug
counts twice. More than the books had is recorded as found, and a recount is asked for. A short
counts the lot down and says at once where else the plugs can come from, and whose promises are
touched. The sheet itself is in `shed.pick_sheet`, what follows the picks in `shed.handover`.
"""

from dataclasses import dataclass
from datetime import datetime

from sqlmodel import Session, col, select

from nursery.batch import Batch, Count
from nursery.database import now, today
from nursery.errors import Fault, Refusal, Refused
from nursery.order import EventKind, Promise, PromiseLine, State
from nursery.promising.kept_plugs import barred_lots
from nursery.promising.promise_rows import tell
from nursery.promising.supply import Deficit, deficits
from nursery.shed.handover import delivered, hand_over, locked, not_collected, pack_parcel
from nursery.shed.ledger import held, in_a_count, lock_batches, move, record_count, reverse
from nursery.shed.pick_sheet import PickSheet, lots_for, pick_sheet, print_sheet
from nursery.shed.veto import why_not
from nursery.stock import Lot, Moved, Movement

__all__ = [
    "FEWER",
    "Found",
    "PickSheet",
    "Picked",
    "Short",
    "Take",
    "delivered",
    "hand_over",
    "not_collected",
    "pack_parcel",
    "pick_sheet",
    "print_sheet",
    "record_found",
    "record_pick",
    "report_short",
    "undo_pick",
]


FEWER = "fewer than the sheet says"
"""What is written of a short where nobody says why."""


@dataclass(frozen=True, slots=True)
class Picked:
    """What did a pick move? `found` plugs were not in the books: then `recount` the place."""

    movement: Movement
    found: int
    recount: bool
    state: State


@dataclass(frozen=True, slots=True)
class Take:
    """Where else can plugs be taken from?"""

    lot_id: int
    batch_code: str
    bench: str
    plugs: int


@dataclass(frozen=True, slots=True)
class Short:
    """What can be done where a pick found too few?

    `takes` cover the line from what is left in its pool, `missing` plugs cannot be had for its
    ship day; `touched` are the promises that can no longer all be kept.
    """

    count: Count
    takes: tuple[Take, ...]
    missing: int
    touched: tuple[Deficit, ...]

    @property
    def says(self) -> str:
        """From where does the rest come, and how many promises does it touch? For the packer."""
        where = ", ".join(f"{one.plugs} from {one.batch_code} ({one.bench})" for one in self.takes)
        rest = f"take {where}" if where else "no other lot has any"
        return rest + (f"; promises touched: {len(self.touched)}" if self.touched else "")


def record_pick(
    session: Session,
    promise_line: PromiseLine,
    lot: Lot,
    plugs: int,
    actor: str,
    happened_at: datetime | None = None,
) -> Picked:
    """What does picking these plugs of a lot for a line change? The last one makes it picked.

    `happened_at` is for picks written down first and typed in later. Raises `Refused`:
    "wrong_state", "too_many_picked" (put the rest back), "wrong_pool", "not_for_sale" (a veto,
    quarantine), "not_ready", "past_last_sale", "claimed_lot" (whose plants a reship is for),
    "not_agreed" (bought in, or another plant, and its customer took their consent to that back).
    """
    line, promise = _line(session, promise_line, lot.batch)
    _refuse_wrong(session, line, promise, lot, plugs)
    more = max(0, plugs - held(session, lot.batch, lot))
    if happened_at is not None and in_a_count(session, lot.batch, lot, happened_at):
        more = 0
    if more:
        why = f"{plugs} picked, the books had {plugs - more}"
        move(session, lot.batch, Moved.FOUND, more, actor, why, happened_at, lot)
    why = f"order {promise.order.reference}"
    row = move(session, lot.batch, Moved.PICKED, -plugs, actor, why, happened_at, lot, line)
    line.picked += plugs
    session.add(line)
    session.flush()
    if _is_whole(session, promise):
        promise.state = State.PICKED
        tell(session, promise, EventKind.PICKED, actor)
    return Picked(row, more, more > 0, promise.state)


@dataclass(frozen=True, slots=True)
class Found:
    """What came of one part of a stop? `short` is None where all was there, or where the books
    have no more in that lot; `recount` the place where the books had less than was picked."""

    order_reference: str
    picked: int
    missing: int
    short: Short | None
    recount: bool


def record_found(
    session: Session,
    promise_line: PromiseLine,
    lot: Lot,
    listed: int,
    found: int,
    actor: str,
    reason: str = FEWER,
) -> Found:
    """What does it change that of `listed` plugs for a line `found` lay in the lot?

    What was found is picked; where that is fewer, the lot is counted down to nothing and the short
    is told. More than was listed stays on the bench. Raises as `record_pick` and `report_short`.
    """
    reference = promise_line.promise.order.reference
    picked = min(listed, found)
    recount = bool(picked) and record_pick(session, promise_line, lot, picked, actor).recount
    missing = listed - picked
    short = None
    if missing and lot.plugs:
        short = report_short(session, promise_line, lot, 0, actor, reason.strip() or FEWER)
    return Found(reference, picked, missing, short, recount)


def undo_pick(session: Session, movement: Movement, actor: str, reason: str) -> Movement:
    """Which row takes back a pick that was not one? The line wants its plugs again.

    Raises `Refused` ("wrong_state") once the parcel is handed over, or where it is no pick.
    """
    if movement.kind is not Moved.PICKED or movement.promise_line_id is None or movement.plugs > 0:
        raise Refused(
            Refusal("wrong_state", "this row is no pick for a promise", "movement", "name a pick")
        )
    row = session.get_one(PromiseLine, movement.promise_line_id)
    line, promise = _line(session, row, session.get_one(Batch, movement.batch_id))
    if promise.state not in (State.CONFIRMED, State.PICKED):
        message = f"promise {promise.id} is {promise.state}: its picks stand"
        raise Refused(Refusal("wrong_state", message, "promise", "record a correction instead"))
    back = reverse(session, movement, actor, reason)
    line.picked += movement.plugs
    session.add(line)
    if promise.state is State.PICKED:
        promise.state = State.CONFIRMED
        tell(session, promise, EventKind.AMENDED, actor, pick_undone=-movement.plugs)
    session.flush()
    return back


def report_short(
    session: Session,
    promise_line: PromiseLine,
    lot: Lot,
    found: int,
    actor: str,
    reason: str,
) -> Short:
    """What now, where the lot holds only `found` plugs and the line wants more?

    Counts the lot down to what was found, writes "short" on the promise, and answers with the
    lots that can give the rest and with the promises that are touched. Record what was found
    there as a pick. Raises `Refused` ("wrong_state", "wrong_pool", "not_short").
    """
    line, promise = _line(session, promise_line, lot.batch)
    if promise.state is not State.CONFIRMED:
        raise _wrong_state(promise)
    if lot.pool_id != line.pool_id:
        raise _refused("wrong_pool", "this lot is of another crop or grade than the line wants")
    books, wanted = held(session, lot.batch, lot), line.plugs - line.picked
    if found >= books:
        message = f"the books have {books} plugs there and {found} were found: that is not short"
        raise _refused("not_short", message, "record the pick, or a count")
    count = record_count(session, lot.batch, found, actor, now(session), lot)
    tell(
        session,
        promise,
        EventKind.SHORT,
        actor,
        product=line.product.code,
        wanted=wanted,
        found=found,
        batch=lot.batch.code,
        reason=reason,
    )
    given = lots_for(session, promise.ship_on, [line.pool_id]).get(line.id or 0, ())
    takes = tuple(
        Take(s.lot.id or 0, s.batch.code, s.bench.name if s.bench else "no bench", plugs)
        for s, plugs in given
    )
    missing = wanted - sum(take.plugs for take in takes)
    return Short(count, takes, missing, tuple(deficits(session, [line.pool_id])))


def _line(session: Session, line: PromiseLine, batch: Batch) -> tuple[PromiseLine, Promise]:
    """The line and its promise, read again under the locks of the lot's pools."""
    lock_batches(session, [batch])
    promise = locked(session, line.promise_id)
    query = select(PromiseLine).where(col(PromiseLine.id) == line.id)
    fresh = session.exec(query, execution_options={"populate_existing": True}).one()
    return fresh, promise


def _refuse_wrong(
    session: Session, line: PromiseLine, promise: Promise, lot: Lot, plugs: int
) -> None:
    if plugs < 1:
        raise Fault("Pick", "must be at least 1 plug", plugs, "report a short instead")
    if promise.state is not State.CONFIRMED:
        raise _wrong_state(promise)
    left = line.plugs - line.picked
    if plugs > left:
        message = f"the line wants {left} more plugs, {plugs} are too many"
        raise _refused("too_many_picked", message, "put the rest back")
    if not line.is_agreed:
        said = f"{line.product.code} of order {promise.order.reference}: {', '.join(line.notes)}"
        raise _refused("not_agreed", said, "plan the dispatch again, or cancel the promise")
    if lot.pool_id != line.pool_id:
        raise _refused("wrong_pool", "this lot is of another crop or grade than the line wants")
    if lot.id in barred_lots(session, [line.id or 0]).get(line.id or 0, ()):
        claimed = f"plants of batch '{lot.batch.code}' were claimed: the reship takes others"
        raise _refused("claimed_lot", claimed)
    held_back = why_not(session, lot)
    if held_back is not None:
        raise _refused("not_for_sale", held_back, "put the plugs back and take another lot")
    day = max(promise.ship_on, today(session))
    name = f"the lot of batch '{lot.batch.code}'"
    if lot.ready_on > day:
        raise _refused("not_ready", f"{name} is ready on {lot.ready_on}, not by {day}")
    if lot.last_sale_on < day:
        raise _refused("past_last_sale", f"{name} was for sale until {lot.last_sale_on} only")


def _refused(code: str, message: str, next: str = "take another lot") -> Refused:
    return Refused(Refusal(code, message, "plugs", next))


def _wrong_state(promise: Promise) -> Refused:
    message = f"promise {promise.id} is {promise.state}: only a confirmed one is picked"
    return Refused(Refusal("wrong_state", message, "promise", "look up where it stands"))


def _is_whole(session: Session, promise: Promise) -> bool:
    query = select(PromiseLine.id).where(
        PromiseLine.promise_id == promise.id, col(PromiseLine.picked) < col(PromiseLine.plugs)
    )
    return session.exec(query).first() is None
