"""Until when do the lots on the ready benches stand there, if demand comes as expected?"""

from collections.abc import Sequence
from datetime import date, timedelta

from sqlmodel import Session

from nursery.growing.air import Air
from nursery.planning.by_consent import split_crops
from nursery.planning.wanted import Kind, crop_books, kind_of
from nursery.stock import Lot
from nursery.weeks import Horizon


def gone_by(
    session: Session, horizon: Horizon, today: date, air: Air, lots: Sequence[Lot]
) -> dict[int, date]:
    """On which day is each lot's last plug expected to be gone, by lot id?

    Of a crop's lots the one with the first last sale day is sold first. What is wanted is what the
    propagation plan counts on (`planning.wanted`), by the week: a lot is there to the end of the
    last week in which some of it is left. Never later than the day after its last sale date.
    """
    books = crop_books(session, horizon, today, {}, air)
    split = split_crops(session)
    later: dict[Kind, int] = {}
    found: dict[int, date] = {}
    for lot in sorted(lots, key=lambda lot: (lot.last_sale_on, lot.id or 0), reverse=True):
        kind = kind_of(lot, split)
        under = later.get(kind, 0)
        standing = books.of(kind[0], horizon.weeks, kind[1]).standing
        weeks = [week for week, plugs in enumerate(standing) if plugs > under]
        ends = horizon.week(max(weeks, default=0)).sunday() + timedelta(days=1)
        found[lot.id or 0] = max(
            min(ends, lot.last_sale_on + timedelta(days=1)), today + timedelta(days=1)
        )
        later[kind] = under + lot.plugs
    return found
