"""Which plugs of fresh lots are kept for reships, so that nobody else is promised them?

A reship may not draw on the lot whose plants came dead, so its plugs are no commitment on the pool
as a whole: they are taken off the lots that were chosen for it, and off what the pool owes. Both
fall by the same number, on a day that the lot serves: what is left can be kept together with it.
Where a lot can no longer give them (counted down, vetoed, or the reship has another day), they are
a commitment on the pool again, and show as a deficit where nothing else can give them.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence, Set
from dataclasses import dataclass
from typing import TYPE_CHECKING, NamedTuple

from sqlmodel import Session, col, select

from nursery.availability import Days, deficit
from nursery.order import CustomerOrder, Promise, PromiseLine
from nursery.reship import Reship, ReshipLot

if TYPE_CHECKING:
    from nursery.promising.supply import PoolSupply


class Chosen(NamedTuple):
    """A lot (id) chosen for a line, and how many of its plugs."""

    lot_id: int
    plugs: int


@dataclass(frozen=True, slots=True)
class KeptPlugs:
    """Plugs of a lot that are kept for a line and still there; day indices, both included."""

    promise_id: int
    line_id: int
    lot_id: int
    ready: int
    last_sale: int
    plugs: int


def chosen_lots(session: Session, lines: Iterable[int] | None = None) -> dict[int, list[Chosen]]:
    """Which lots were chosen for which lines (ids)? First last sale date first, as chosen."""
    query = select(ReshipLot).order_by(col(ReshipLot.id))
    if lines is not None:
        query = query.where(col(ReshipLot.promise_line_id).in_(sorted(lines)))
    found: dict[int, list[Chosen]] = {}
    for row in session.exec(query):
        found.setdefault(row.promise_line_id, []).append(Chosen(row.lot_id, row.plugs))
    return found


def still_kept(
    chosen: Sequence[Chosen], wanted: int, left: Mapping[int, int]
) -> tuple[Chosen, ...]:
    """How much of what was chosen can still be given, of so many plugs wanted?

    `left` has the plugs that each lot can give on the line's day; a lot that is not in it, none.
    """
    found = []
    for each in chosen:
        plugs = min(each.plugs, wanted, left.get(each.lot_id, 0))
        if plugs > 0:
            found.append(Chosen(each.lot_id, plugs))
            wanted -= plugs
    return tuple(found)


def is_reship(session: Session, promise_id: int) -> bool:
    """Was this promise made for a claim?"""
    query = select(Reship.id).where(Reship.promise_id == promise_id)
    return session.exec(query).first() is not None


def choose_again(session: Session, pools: Mapping[int, PoolSupply], promise: Promise) -> bool:
    """Are there fresh lots for a reship on the day that it has now? They are kept from now on.

    The pools are without the promise's own plugs. True for a promise that any lot will do for.
    """
    barred = barred_lots(session, [line.id or 0 for line in promise.lines])
    free = dict(pools)
    for line in promise.lines:
        if not barred.get(line.id or 0):
            continue
        held = free[line.pool_id]
        days = held.index(promise.pack_on), held.index(promise.ship_on)
        wanted = line.plugs - line.picked
        lots = fresh_lots(held, barred[line.id or 0], *days, wanted)
        if sum(each.plugs for each in lots) < wanted:
            return False
        free[line.pool_id] = held.less(lots)  # lines of one pool share what is fresh
        old = select(ReshipLot).where(ReshipLot.promise_line_id == line.id)
        for row in session.exec(old).all():
            session.delete(row)
        session.flush()
        reship = select(Reship.id).where(Reship.promise_id == promise.id)
        key = session.exec(reship).one() or 0
        for lot_id, plugs in lots:
            row = ReshipLot(reship_id=key, promise_line_id=line.id or 0, lot_id=lot_id, plugs=plugs)
            session.add(row)
        session.flush()
    return True


def barred_lots(session: Session, lines: Iterable[int]) -> dict[int, frozenset[int]]:
    """Which lots give nothing to these lines (ids)? Lines of reships only."""
    rows = session.exec(
        select(PromiseLine.id, col(Reship.not_lots))
        .join(Reship, col(Reship.promise_id) == col(PromiseLine.promise_id))
        .where(col(PromiseLine.id).in_(sorted(set(lines))))
    )
    return {line or 0: frozenset(lots) for line, lots in rows}


def reship_words(session: Session, promises: Iterable[int]) -> dict[int, str]:
    """Which of these promises (ids) are reships: of which order, and why? In words."""
    rows = session.exec(
        select(Reship.promise_id, CustomerOrder.reference, Reship.reason)
        .join(Promise, col(Reship.first_promise_id) == col(Promise.id))
        .join(CustomerOrder, col(Promise.order_id) == col(CustomerOrder.id))
        .where(col(Reship.promise_id).in_(sorted(set(promises))))
    )
    return {key: f"reship of order {reference}: {reason}" for key, reference, reason in rows}


def fresh_lots(
    held: PoolSupply, barred: Set[int], pack: int, ship: int, wanted: int
) -> tuple[Chosen, ...]:
    """Which counted lots can give so many plugs to one more parcel, all promises still kept?

    Days are indices; the lots must be ready when it is packed and for sale when it leaves. May be
    fewer than wanted. Taking from one lot after another gives as many as can be given at all: what
    lots can spare together is a matroid.
    """
    plugs = held.plugs.copy()
    found: list[Chosen] = []
    for at in sorted(range(plugs.size), key=lambda i: (held.last_sale[i], held.ready[i])):
        serves = held.ready[at] <= max(0, pack) and held.last_sale[at] >= ship
        lot = held.lot_ids[at]
        if wanted <= 0 or not lot or lot in barred or not serves:
            continue
        taken = _spare(held, plugs, at, min(wanted, int(plugs[at])))
        if taken:
            plugs[at] -= taken
            wanted -= taken
            found.append(Chosen(lot, taken))
    return tuple(found)


def _spare(held: PoolSupply, plugs: Days, at: int, most: int) -> int:
    """How many of at most so many plugs can this lot spare? By halving."""
    low, high = 0, most
    while low < high:
        middle = (low + high + 1) // 2
        tried = plugs.copy()
        tried[at] -= middle
        if deficit(held.ready, held.last_sale, tried, held.committed).any():
            high = middle - 1
        else:
            low = middle
    return low
