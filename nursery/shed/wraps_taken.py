"""In which wrap did each product of a parcel really travel?

Written when the parcel is packed, in the event itself: the wrap that the slip said then, or the
other one that the packer took. So claims are counted by what went out, not by what is listed.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from sqlmodel import Session, col, select

from nursery.errors import Fault, Refusal, Refused
from nursery.order import EventKind, Promise, PromiseEvent, Wrap
from nursery.shed.packing import packings
from nursery.shed.wanted import Wanted

NO_WRAP = "none"


def wrap_names(session: Session) -> tuple[str, ...]:
    """Which wraps may the packer take? By name, in the order of sheet and page."""
    return tuple(sorted(session.exec(select(Wrap.name)).all()))


def one_each(told: Iterable[tuple[str, str]]) -> dict[str, str]:
    """Which wrap did the packer take for each product (code)? Raises `Fault` for a code twice."""
    found: dict[str, str] = {}
    for code, name in told:
        if found.setdefault(code, name) != name:
            rule = "is packed in one wrap, as claims are counted by it"
            both = f"{found[code]} and {name}"
            raise Fault(f"Wraps: '{code}'", rule, both, "name the one that most went in")
    return found


def wraps_of(session: Session, promise: Promise, others: Mapping[str, str]) -> dict[str, str]:
    """In which wrap is each product (code) of this parcel now packed? "none" in none.

    `others` has the wraps that the packer took instead, by product code. Raises `Refused`
    ("unknown_product", "unknown_wrap") with what there is.
    """
    lines = sorted(promise.lines, key=lambda line: line.product.code)
    codes = [line.product.code for line in lines]
    names = wrap_names(session)
    for code, name in others.items():
        if code not in codes:
            message = f"there is no '{code}' in order {promise.order.reference}"
            raise Refused(
                Refusal("unknown_product", message, "wraps", f"it has {', '.join(codes)}")
            )
        if name not in names:
            message = f"there is no wrap '{name}'"
            listed = f"known: {', '.join(names)}" if names else "list it in sheet Wraps"
            raise Refused(Refusal("unknown_wrap", message, "wraps", listed))
    whole = [Wanted(line, promise, promise.order, line.product) for line in lines]
    said = packings(session, whole)[promise.id or 0].wraps
    return {one.product_code: one.wrap or NO_WRAP for one in said} | dict(others)


def wraps_recorded(session: Session) -> dict[int, frozenset[str]]:
    """In which wraps did each promise (id) go that was packed with them written down?"""
    rows = session.exec(
        select(PromiseEvent)
        .where(PromiseEvent.kind == EventKind.PACKED)
        .order_by(col(PromiseEvent.id))
    )
    found: dict[int, frozenset[str]] = {}
    for event in rows:
        wraps = event.detail.get("wraps")
        if isinstance(wraps, Mapping):
            found[event.promise_id] = frozenset(str(name) for name in wraps.values())
    return found
