"""Where is a parcel after its picks: packed, with the carrier, waiting, delivered?

A promise goes picked -> handed over -> delivered; a parcel that the van did not fetch is "not
collected" until it is packed again or goes with a later van. Every step is an event, from which
the shop is told. A step from another state is refused.
"""

from collections.abc import Mapping
from datetime import date

from sqlmodel import Session, col, select

from nursery.database import today
from nursery.errors import Fault, Refusal, Refused
from nursery.order import EventKind, Promise, PromiseEvent, State
from nursery.promising.borders import ASK_FIRST, read_borders
from nursery.promising.promise_rows import tell
from nursery.shed.wraps_taken import wraps_of


def pack_parcel(
    session: Session,
    promise_id: int,
    actor: str,
    checked_by: str = "",
    wraps: Mapping[str, str] | None = None,
) -> Promise:
    """Is this parcel packed? Once more, too, where it was not collected.

    A second person checks count, name, passport, moisture and label: `checked_by`, who must not
    be the packer. `wraps` has, by product code, each wrap that was taken instead of the slip's.
    Raises `Refused` ("wrong_state") unless it is picked whole or not collected, and
    "unknown_product" or "unknown_wrap".
    """
    promise = locked(session, promise_id)
    _step(promise, "packed", State.PICKED, State.NOT_COLLECTED)
    if checked_by and checked_by == actor:
        raise Fault("Parcel check", "must be made by a second person", checked_by, "ask one")
    again = promise.state is State.NOT_COLLECTED
    taken = wraps_of(session, promise, wraps or {})
    promise.state, promise.repack_by = State.PICKED, None
    said = {"checked_by": checked_by, "again": again, "wraps": taken}
    return _told(session, promise, EventKind.PACKED, actor, **said)


def hand_over(session: Session, promise_id: int, tracking: str, actor: str) -> Promise:
    """Which tracking reference did the carrier give for it?

    Raises `Refused` ("wrong_state") unless it is picked, or was not collected and is still
    good to go; "repack_first" for one whose time to be packed again has passed; "zone_blocked".
    """
    promise = locked(session, promise_id)
    _step(promise, "handed over", State.PICKED, State.NOT_COLLECTED)
    if not tracking.strip():
        raise Fault("Tracking reference", "must not be blank", tracking, "read it off the label")
    day = today(session)
    if promise.repack_by is not None and day > promise.repack_by:
        message = f"it had to be packed again by {promise.repack_by}"
        raise Refused(Refusal("repack_first", message, "promise", "pack it again, then hand over"))
    _may_go(session, promise, day)
    promise.state, promise.tracking, promise.repack_by = State.HANDED_OVER, tracking.strip(), None
    return _told(
        session,
        promise,
        EventKind.HANDED_OVER,
        actor,
        tracking=promise.tracking,
        on=day.isoformat(),
        days_late=max(0, (day - promise.ship_on).days),
    )


def _may_go(session: Session, promise: Promise, day: date) -> None:
    """Refuses a parcel to a zone that is blocked, whatever was open when it was promised."""
    zone = promise.order.zone
    if zone.blocked:
        border = read_borders(session, [zone.id or 0], day)[zone.id or 0]
        said = border.against(day, max(day, promise.arrives_until))
        if said:
            raise Refused(Refusal("zone_blocked", said, "promise", f"keep it here. {ASK_FIRST}"))


def not_collected(
    session: Session, promise_id: int, repack_by: date, actor: str, reason: str = ""
) -> Promise:
    """What becomes of a packed parcel that the van left behind? It waits, till `repack_by`.

    Raises `Refused` ("wrong_state") unless it is picked, `Fault` for a day that has passed.
    """
    promise = locked(session, promise_id)
    _step(promise, "left behind", State.PICKED)
    if repack_by < today(session):
        raise Fault("Repack-by day", "must not have passed", repack_by, "give today or later")
    promise.state, promise.repack_by = State.NOT_COLLECTED, repack_by
    left = {"repack_by": repack_by.isoformat(), "reason": reason}
    return _told(session, promise, EventKind.NOT_COLLECTED, actor, **left)


def delivered(session: Session, promise_id: int, on: date, actor: str) -> Promise:
    """On which day did the customer get it, and was that inside the promised arrival?

    Raises `Refused` ("wrong_state") unless it is handed over, `Fault` for a day to come or
    before it left: it may have left before its ship day.
    """
    promise = locked(session, promise_id)
    _step(promise, "delivered", State.HANDED_OVER)
    left = min(promise.ship_on, _left_on(session, promise))
    if on > today(session) or on < left:
        rule = f"must lie between {left}, when it left, and today"
        raise Fault("Day of delivery", rule, on, "correct the day")
    promise.state = State.DELIVERED
    kept = on <= promise.arrives_until
    return _told(session, promise, EventKind.DELIVERED, actor, on=on.isoformat(), kept=kept)


def _left_on(session: Session, promise: Promise) -> date:
    """On which day was it handed over last?"""
    query = select(PromiseEvent).where(
        PromiseEvent.promise_id == promise.id, PromiseEvent.kind == EventKind.HANDED_OVER
    )
    event = session.exec(query.order_by(col(PromiseEvent.id).desc())).first()
    return date.fromisoformat(str(event.detail["on"])) if event is not None else promise.ship_on


def locked(session: Session, promise_id: int) -> Promise:
    """Which promise is this, read under its own lock? Raises `Refused` ("unknown_promise")."""
    query = select(Promise).where(col(Promise.id) == promise_id).with_for_update()
    promise = session.exec(query, execution_options={"populate_existing": True}).first()
    if promise is None:
        message = f"there is no promise {promise_id}"
        raise Refused(Refusal("unknown_promise", message, "promise", "look it up by its order"))
    return promise


def _told(
    session: Session, promise: Promise, kind: EventKind, actor: str, **detail: object
) -> Promise:
    if not actor.strip():
        raise Fault("Promise", "what happens to it needs an actor", actor, "say who did it")
    tell(session, promise, kind, actor, **detail)
    return promise


def _step(promise: Promise, step: str, *states: State) -> None:
    if promise.state in states:
        return
    wanted = " or ".join(states)
    message = f"promise {promise.id} is {promise.state}, only {wanted} can be {step}"
    raise Refused(Refusal("wrong_state", message, "promise", "look up where it stands"))
