"""Too many plugs: what is to be done with those that nobody will take, and by when?

Of each lot that stands ready, some plugs may be left when its last sale date comes, after all that
is promised, on the book and expected. The dates here are what is usual, and a person decides:
- hold cold, where the crop may be and something is wanted just after the last sale date;
- discount from the site's `discount_days` before the last sale date on;
- pot on until the last sale date, as long as there is room for the pots: later they are overgrown;
- discard on the day after it. Diseased plants are not sold, potted on or composted: ask first.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta

from sqlalchemy.orm import joinedload
from sqlmodel import Session, col, select

from nursery.batch import Batch
from nursery.crop import Crop
from nursery.database import site
from nursery.growing.air import Air
from nursery.growing.cold import days_left, holds_by_lot
from nursery.planning.wanted import Books, Kind, Leftover, crop_books
from nursery.stock import Grade, Lot, Pool
from nursery.weeks import Horizon, Week

LOOK_AHEAD_WEEKS = 12
LEAST_PLUGS = 6
"""Fewer plugs than these left of a lot are nothing to write home about."""


@dataclass(frozen=True, slots=True)
class GlutAdvice:
    """Plugs of a lot that nothing takes, and the dates of what may be done with them.

    `hold_until` is the last sale date that holding cold would give, None where it does not help;
    `held_sells` how many of the plugs would then be wanted.
    """

    crop: str
    batch_code: str
    lot_id: int
    plugs: int
    last_sale_on: date
    discount_from: date
    pot_on_by: date
    discard_on: date
    hold_until: date | None
    held_sells: int

    def __str__(self) -> str:
        hold = (
            f"hold cold until {self.hold_until:%a %d %b} ({self.held_sells} are wanted by then), "
            if self.hold_until is not None
            else ""
        )
        return (
            f"{self.plugs} plugs of {self.batch_code} ({self.crop}) are more than anybody takes: "
            f"{hold}discount from {self.discount_from:%a %d %b}, pot on by "
            f"{self.pot_on_by:%a %d %b}, discard on {self.discard_on:%a %d %b}"
        )


def glut_advice(session: Session, today: date, air: Air | None = None) -> list[GlutAdvice]:
    """Which ready plugs are left over, and what may be done with them by when? Reads only.

    Ordered by last sale date. Looks `LOOK_AHEAD_WEEKS` ahead.
    """
    horizon = Horizon(Week.of(today), LOOK_AHEAD_WEEKS)
    books = crop_books(session, horizon, today, {}, air)
    left = [one for book in books.by_crop.values() for one in book.leftover]
    lots = _lots(session, left)
    kinds = {(one.crop_id, one.by_consent) for one in left}
    free = {kind: list(_unserved(books, kind)) for kind in kinds}
    held = holds_by_lot(session, [lot.id for lot in lots.values() if lot.id is not None])
    days = site(session).discount_days
    found = []
    for one in sorted(left, key=lambda one: (one.last_sale_on, one.batch_code)):
        lot = lots.get((one.batch_code, one.last_sale_on))
        if lot is not None and one.plugs >= LEAST_PLUGS:
            longest = timedelta(days=days_left(lot, held.get(lot.id or 0, [])))
            first = max(today, one.last_sale_on - timedelta(days=days))
            mine = free[one.crop_id, one.by_consent]
            found.append(_advice(one, lot, first, longest, horizon, mine))
    return found


def _advice(
    one: Leftover,
    lot: Lot,
    discount_from: date,
    longest: timedelta,
    horizon: Horizon,
    free: list[int],
) -> GlutAdvice:
    until = one.last_sale_on + longest
    sells = _take(free, horizon.index(one.last_sale_on), horizon.index(until), one.plugs)
    return GlutAdvice(
        crop=lot.batch.crop.name,
        batch_code=one.batch_code,
        lot_id=lot.id or 0,
        plugs=one.plugs,
        last_sale_on=one.last_sale_on,
        discount_from=discount_from,
        pot_on_by=one.last_sale_on,
        discard_on=one.last_sale_on + timedelta(days=1),
        hold_until=until if sells else None,
        held_sells=sells,
    )


def _unserved(books: Books, kind: Kind) -> Sequence[int]:
    """Plugs wanted in each week that neither ready lots nor growing batches of the week give."""
    book = books.by_crop[kind]
    return [max(0, want - made) for want, made in zip(book.demand, book.ready, strict=True)]


def _take(free: list[int], after: int, until: int, plugs: int) -> int:
    """How many of the plugs are wanted after one week and until another? They are then taken."""
    taken = 0
    for week in range(max(0, after + 1), min(until + 1, len(free))):
        part = min(free[week], plugs - taken)
        free[week] -= part
        taken += part
    return taken


def _lots(session: Session, left: Sequence[Leftover]) -> Mapping[tuple[str, date], Lot]:
    crops = {one.crop_id for one in left}
    query = (
        select(Lot, Batch.code)
        .join(Batch, col(Lot.batch_id) == col(Batch.id))
        .join(Pool, col(Lot.pool_id) == col(Pool.id))
        .join(Crop, col(Pool.crop_id) == col(Crop.id))
        .where(Pool.grade == Grade.A, col(Lot.plugs) > 0, col(Crop.id).in_(sorted(crops)))
        .options(
            joinedload(Lot.batch).joinedload(Batch.crop),  # type: ignore[arg-type]
            joinedload(Lot.pool).joinedload(Pool.crop),  # type: ignore[arg-type]
        )
    )
    return {(code, lot.last_sale_on): lot for lot, code in session.exec(query).all()}
