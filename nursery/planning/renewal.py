"""When must young plants be ready that take a mother block's place, and how many?

Mother plants are kept 1 to 3 years (growers' magazines and fact sheets). A block's use ends on its
`use_until`, else `MOST_YEARS` after its `use_from`; as many young plants as the block has are
wanted `renewal_weeks` before that, so that they can grow in. A block that has a successor (a block
of the same crop that is used later and longer) is renewed already. Where the lead has typed
"mother renewal" demand of the crop within the weeks planned, hers counts and nothing is added.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta

from sqlmodel import Session, col, select

from nursery.demand import Demand, DemandKind
from nursery.mother_plant import MotherBlock
from nursery.weeks import Horizon, Week

MOST_YEARS = 3


@dataclass(frozen=True, slots=True)
class Renewal:
    """Young plants wanted for one mother block in a week of the horizon (by index)."""

    block: str
    crop_id: int
    week: int
    plants: int
    ends_on: date
    wanted_week: str

    def __str__(self) -> str:
        return (
            f"Mother block '{self.block}' is used until {self.ends_on}: {self.plants} young plants "
            f"are wanted in {self.wanted_week} to take its place"
        )


def renewals(session: Session, horizon: Horizon, today: date) -> list[Renewal]:
    """Which young plants do the mother blocks want within these weeks? In order of block."""
    typed = {
        row.crop_id
        for row in session.exec(
            select(Demand).where(Demand.kind == DemandKind.MOTHER_RENEWAL)
        ).all()
        if 0 <= horizon.index(Week.parse(row.week)) < horizon.weeks
    }
    blocks = session.exec(select(MotherBlock).order_by(col(MotherBlock.code))).all()
    found = []
    for block in blocks:
        ends = use_ends(block)
        if ends is None or ends < today or block.crop_id in typed or not block.renewal_weeks:
            continue
        if block.plants < 1 or any(_succeeds(other, block, ends) for other in blocks):
            continue
        week = max(0, horizon.index(ends - timedelta(weeks=block.renewal_weeks)))
        if week < horizon.weeks:
            wanted = str(horizon.week(week))
            found.append(Renewal(block.code, block.crop_id, week, block.plants, ends, wanted))
    return found


def use_ends(block: MotherBlock) -> date | None:
    """On which day is the block used for the last time? None where nothing says so."""
    if block.use_until is not None or block.use_from is None:
        return block.use_until
    return block.use_from + timedelta(weeks=52 * MOST_YEARS)


def _succeeds(other: MotherBlock, block: MotherBlock, ends: date) -> bool:
    if other.id == block.id or other.crop_id != block.crop_id or other.use_from is None:
        return False
    later = block.use_from is None or other.use_from > block.use_from
    last = use_ends(other)
    return later and last is not None and last > ends
