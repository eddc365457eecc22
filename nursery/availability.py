"""How many more plugs of a pool can be promised on each day, with every promise still kept?

A lot serves any day from its ready day to its last sale day, both included. Stock minus orders
oversells perishable lots, and so does the smallest slack of an interval around a day: plugs that
must expire unsold in a gap are counted as if they could be used. The exact answer takes off the
waste that no assignment can avoid before the day, L, and after it, R:

    extra(d) = S - D - L(d-1) - R(d+1)
    L(j) = max(L(j-1), max over i <= j of  L(i-1) + C(i,j) - D(i,j))

with S and D all plugs and all commitments, C(i,j) the plugs of lots wholly inside days i..j, and
D(i,j) the commitments in i..j. It equals a maximum flow from lots to days (see its tests).
"""

from __future__ import annotations

import heapq
from operator import add
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from nursery.errors import Fault

Days = NDArray[np.int64]
_MEND = "correct the lots of this pool"


class _Lots(NamedTuple):
    """The lots that serve at least one day of 0..days-1, cut to these days, and the commitments."""

    ready: Days
    last_sale: Days
    plugs: Days
    committed: Days


def extra(ready: ArrayLike, last_sale: ArrayLike, plugs: ArrayLike, committed: ArrayLike) -> Days:
    """How many more plugs may be promised on each day, so that every promise can still be kept?

    `ready`, `last_sale` (day indices, both included) and `plugs` have one value a lot; `committed`
    has the plugs promised on each day and sets the number of days. Returns an integer array
    [days]. Each value answers for its day alone: ask again after each promise. When the present
    commitments cannot all be kept, nothing more may be promised: all zero (see `deficit`).
    Lots outside the days count for nothing; they are cut to the days otherwise.
    Raises Fault for lots of unequal length, negative plugs, or a last sale before ready.
    """
    pool = _checked(ready, last_sale, plugs, committed)
    days = pool.committed.size
    if pool.plugs.size == 0:
        return np.zeros(days, dtype=np.int64)
    before = _waste(pool.ready, pool.last_sale, pool.plugs, pool.committed)
    flipped = _flip(pool)
    after = _waste(flipped.ready, flipped.last_sale, flipped.plugs, flipped.committed)[::-1]
    more = np.full(days, pool.plugs.sum() - pool.committed.sum(), dtype=np.int64)
    more[1:] -= before[:-1]
    more[:-1] -= after[1:]
    # A day that already goes without is served no better by asking more of it, so a pool that
    # cannot keep its promises has a negative value somewhere, and one that can has none.
    return more if days and more.min() >= 0 else np.zeros(days, dtype=np.int64)


def allot(ready: ArrayLike, last_sale: ArrayLike, plugs: ArrayLike, committed: ArrayLike) -> Days:
    """Which lot gives how many plugs to which day, so that as many as can be are served?

    Returns an integer array [lots, days]. Each day takes from the lots with the first last sale
    date; for lots that serve an unbroken run of days no other rule serves more (Glover 1967).
    Early days are served first, so what cannot be kept falls on later ones.
    """
    first, last, left, asked = _whole(ready, last_sale, plugs, committed)
    given = np.zeros((first.size, asked.size), dtype=np.int64)
    waiting = sorted(range(first.size), key=first.__getitem__, reverse=True)
    stock = left.tolist()
    open_lots: list[tuple[int, int]] = []
    for day, wanted in enumerate(asked.tolist()):
        while waiting and first[waiting[-1]] <= day:
            lot = waiting.pop()
            heapq.heappush(open_lots, (int(last[lot]), lot))
        while open_lots and wanted:
            gone, lot = open_lots[0]
            taken = min(wanted, stock[lot]) if gone >= day else 0
            given[lot, day] += taken
            stock[lot] -= taken
            wanted -= taken
            if not stock[lot] or gone < day:
                heapq.heappop(open_lots)
    return given


def deficit(ready: ArrayLike, last_sale: ArrayLike, plugs: ArrayLike, committed: ArrayLike) -> Days:
    """How many of the plugs committed on each day cannot be had?

    Returns an integer array [days], all zero when every promise can be kept. The sum is the least
    possible; it falls on the latest days that it can fall on.
    """
    given = allot(ready, last_sale, plugs, committed)
    missing: Days = _integers(committed) - given.sum(axis=0)
    return missing


def unkept(
    ready: ArrayLike,
    last_sale: ArrayLike,
    plugs: ArrayLike,
    ship_day: ArrayLike,
    quantity: ArrayLike,
    days: int,
) -> Days:
    """Which commitments lose how many plugs, if those that stand first in the list keep first?

    `ship_day` and `quantity` have one value a commitment, most important first. Returns the plugs
    that each goes without, an integer array [commitments]; the sum equals that of `deficit`,
    whatever the order. A commitment on a day outside 0..days-1 raises Fault.
    """
    when, wanted = _integers(ship_day), _integers(quantity)
    if when.size and (when.min() < 0 or when.max() >= days):
        raise Fault(
            "Commitment",
            f"ship day must be in 0..{days - 1}",
            when.tolist(),
            "correct the commitments",
        )
    missing = np.zeros(wanted.size, dtype=np.int64)
    kept = np.bincount(when, wanted, days).astype(np.int64)
    if not deficit(ready, last_sale, plugs, kept).any():
        return missing
    kept[:] = 0
    for i, (day, asked) in enumerate(zip(when.tolist(), wanted.tolist(), strict=True)):
        had = min(asked, int(extra(ready, last_sale, plugs, kept)[day]))
        kept[day] += had
        missing[i] = asked - had
    return missing


def _waste(ready: Days, last_sale: Days, plugs: Days, committed: Days) -> Days:
    """L of the module's formula for every day: plugs that must expire unused by its end.

    L grows only on last sale days and its maximum lies on ready days, so it is worked out on those
    and spread over the days between.
    """
    starts, row = np.unique(ready, return_inverse=True)
    ends, column = np.unique(last_sale, return_inverse=True)
    inside = np.zeros((ends.size, starts.size), dtype=np.int64)
    np.add.at(inside, (column, row), plugs)
    inside = inside.cumsum(axis=0)[:, ::-1].cumsum(axis=1)[:, ::-1]
    asked = np.concatenate(([0], committed.cumsum()))
    surplus = (inside - asked[ends + 1, None] + asked[None, starts]).tolist()
    earlier = np.searchsorted(ends, starts).tolist()  # ends before each start
    reached = np.searchsorted(starts, ends, side="right").tolist()  # starts up to each end
    wasted = [0]
    at_start: list[int] = []
    for column_surplus, many in zip(surplus, reached, strict=True):
        for a in range(len(at_start), many):
            at_start.append(wasted[earlier[a]])
        wasted.append(max(wasted[-1], max(map(add, at_start, column_surplus))))
    position = np.searchsorted(ends, np.arange(committed.size), side="right")
    spread: Days = np.asarray(wasted, dtype=np.int64)[position]
    return spread


def _flip(pool: _Lots) -> _Lots:
    """The same pool with time running backwards."""
    end = pool.committed.size - 1
    return _Lots(end - pool.last_sale, end - pool.ready, pool.plugs, pool.committed[::-1])


def _integers(values: ArrayLike) -> Days:
    return np.atleast_1d(np.asarray(values, dtype=np.int64))


def _whole(ready: ArrayLike, last_sale: ArrayLike, plugs: ArrayLike, committed: ArrayLike) -> _Lots:
    pool = _Lots(_integers(ready), _integers(last_sale), _integers(plugs), _integers(committed))
    if not pool.ready.size == pool.last_sale.size == pool.plugs.size:
        sizes = (pool.ready.size, pool.last_sale.size, pool.plugs.size)
        raise Fault("Pool", "ready, last sale and plugs need one value a lot", sizes, _MEND)
    if (pool.plugs < 0).any():
        raise Fault("Lot", "plugs must be >= 0", int(pool.plugs.min()), _MEND)
    if (pool.ready > pool.last_sale).any():
        lot = int(np.argmax(pool.ready > pool.last_sale))
        dates = (int(pool.ready[lot]), int(pool.last_sale[lot]))
        raise Fault(f"Lot {lot}", "the last sale day must not come before ready", dates, _MEND)
    if (pool.committed < 0).any():
        low = int(pool.committed.min())
        raise Fault("Pool", "plugs committed must be >= 0", low, "correct the commitments")
    return pool


def _checked(
    ready: ArrayLike, last_sale: ArrayLike, plugs: ArrayLike, committed: ArrayLike
) -> _Lots:
    pool = _whole(ready, last_sale, plugs, committed)
    end = pool.committed.size - 1
    serves = (pool.last_sale >= 0) & (pool.ready <= end) & (pool.plugs > 0)
    first = np.maximum(pool.ready[serves], 0)
    return _Lots(first, np.minimum(pool.last_sale[serves], end), pool.plugs[serves], pool.committed)
