"""Where does each parcel of a ship day stand on the packing table, and what goes into it?

The pick sheet has what is left to pick; a parcel stays here until the carrier has it, with its
whole slip: it is packed after it was picked.
"""

from dataclasses import dataclass
from datetime import date
from enum import StrEnum

from sqlalchemy import func
from sqlmodel import Session, col, select

from nursery.order import EventKind, PromiseEvent, State
from nursery.shed.packing import packings
from nursery.shed.pick_sheet import batches_of, lots_for
from nursery.shed.slips import Slip, slips_of
from nursery.shed.wanted import ON_THE_TABLE, Wanted, whole_on


class Step(StrEnum):
    """What is done next with a parcel?"""

    PICK = "pick"
    PACK = "pack"
    HAND_OVER = "hand over"
    PACK_AGAIN = "pack again"
    GONE = "gone"


_HERE = (*ON_THE_TABLE, State.HANDED_OVER, State.DELIVERED)
_OF_PACKING = (EventKind.PICKED, EventKind.PACKED, EventKind.NOT_COLLECTED)


@dataclass(frozen=True, slots=True)
class Parcel:
    """One parcel of a ship day: its slip, and what comes next.

    `checked_by` is the second person who checked it when it was packed, `tracking` what the
    carrier calls it; `repack_by` the last day on which one that was left behind is packed again.
    """

    slip: Slip
    next: Step
    checked_by: str = ""
    tracking: str = ""
    repack_by: date | None = None


def parcels_on(session: Session, ship_day: date) -> tuple[Parcel, ...]:
    """Which parcels leave, or have left, on this ship day? By order reference."""
    whole = whole_on(session, ship_day, ship_day, _HERE)
    wanted = [each for each in whole if each.promise.state is State.CONFIRMED]
    takes = lots_for(session, ship_day, {each.line.pool_id for each in wanted}) if wanted else {}
    promises = {each.promise.id or 0: each for each in whole}
    last = _last_events(session, list(promises))
    slips = slips_of(session, whole, packings(session, whole), batches_of(takes))
    return tuple(_parcel(slip, promises[slip.promise_id], last) for slip in slips)


def to_pack(session: Session, ship_day: date) -> tuple[Slip, ...]:
    """The slips of all parcels of a ship day that the carrier has not taken yet."""
    return tuple(one.slip for one in parcels_on(session, ship_day) if one.next is not Step.GONE)


def _parcel(slip: Slip, found: Wanted, last: dict[int, PromiseEvent]) -> Parcel:
    promise = found.promise
    event = last.get(promise.id or 0)
    packed = (
        event is not None
        and event.kind is EventKind.PACKED
        and promise.state is not State.CONFIRMED  # a pick was undone since
    )
    steps = {
        State.CONFIRMED: Step.PICK,
        State.PICKED: Step.HAND_OVER if packed else Step.PACK,
        State.NOT_COLLECTED: Step.PACK_AGAIN,
    }
    return Parcel(
        slip=slip,
        next=steps.get(promise.state, Step.GONE),
        checked_by=str(event.detail.get("checked_by", "")) if event and packed else "",
        tracking=promise.tracking,
        repack_by=promise.repack_by,
    )


def _last_events(session: Session, promises: list[int]) -> dict[int, PromiseEvent]:
    """The last of what packing wrote on each of these promises (ids)."""
    last = (
        select(func.max(PromiseEvent.id))
        .where(col(PromiseEvent.promise_id).in_(promises))
        .where(col(PromiseEvent.kind).in_(_OF_PACKING))
        .group_by(col(PromiseEvent.promise_id))
    )
    query = select(PromiseEvent).where(col(PromiseEvent.id).in_(last))
    return {event.promise_id: event for event in session.exec(query)}
