"""The bench map: which places each batch takes in a week, and what does not fit."""

from datetime import date
from typing import Annotated, TypeAlias

import strawberry
from sqlmodel import Session

from api.context import Info, read
from api.fields import field
from api.mirror import mirror
from api.refusals import Refusal
from nursery.access import Role, Token
from nursery.planning import bench_map
from nursery.weeks import Week

LEAD = (Role.LEAD,)


@strawberry.type(description="Places of a bench, side by side, for one batch in one stage.")
class BenchSlot:
    """Free again, to be cleaned, from `leaves_on` on. No `batch_code` where only planned.

    `standing` says that it stands there now, `blocks` in how many blocks the batch stands.
    """

    batch_code: str
    planned_week: str
    crop: str
    stage: str
    trays: int
    first_place: int
    last_place: int
    enters_on: date
    leaves_on: date
    standing: bool
    blocks: int


@strawberry.type(description="A bench and who stands on it in the week.")
class BenchOnMap:
    """A place stands empty for `cleaning_days` after a batch has left."""

    area: str
    growing_area: str
    bench: str
    places: int
    cleaning_days: int
    out_from: date | None
    out_until: date | None
    slots: list[BenchSlot]


@strawberry.type(description="Tray places that are missing in a kind of area, over some days.")
class ShortPlaces:
    """From `first_day` until before `until`."""

    area: str
    first_day: date
    until: date
    places: int


@strawberry.type(description="A batch with fewer places than it needs in the week.")
class WithoutPlace:
    """So many `places` are missing: leave it where it is until there is room."""

    batch_code: str
    crop: str
    stage: str
    places: int


@strawberry.type(description="The benches in one week, by the kept map.")
class BenchMap:
    """Of all `stands` of the next weeks, `in_one_block` stand in one block each."""

    week: Week
    plan_version: int | None
    benches: list[BenchOnMap]
    short: list[ShortPlaces]
    without_place: list[WithoutPlace]
    stands: int
    in_one_block: int
    notes: list[str]


BenchMapAnswer: TypeAlias = Annotated[BenchMap | Refusal, strawberry.union("BenchMapAnswer")]


def slot_of(found: bench_map.Slot) -> BenchSlot:
    """The API's form of a slot."""
    what = found.what
    return mirror(
        BenchSlot,
        found,
        batch_code=what.batch,
        planned_week=what.planned_week,
        crop=what.crop,
        stage=what.stage,
        trays=what.trays,
        standing=found.fixed,
    )


def map_of(found: bench_map.BenchMap, week: Week) -> BenchMap:
    """The API's form of a bench map."""
    return BenchMap(
        week=week,
        plan_version=found.plan_version,
        benches=[
            mirror(
                BenchOnMap,
                row,
                slots=[slot_of(each) for each in found.slots if each.bench == row.bench],
            )
            for row in found.benches
        ],
        short=[mirror(ShortPlaces, each) for each in found.short],
        without_place=[
            WithoutPlace(batch_code=what.batch, crop=what.crop, stage=what.stage, places=places)
            for what, places in found.without_place
        ],
        stands=found.stands,
        in_one_block=found.in_one_block,
        notes=list(found.notes),
    )


@strawberry.type
class BenchQueries:
    """Roots about the benches."""

    @field("Which places each batch takes in a week, bench by bench.")
    async def bench_map(self, info: Info, week: Week) -> BenchMapAnswer:
        """For the lead. By the kept map; what came since takes the rooms that are left."""

        def work(session: Session, token: Token) -> BenchMap:
            return map_of(bench_map.bench_map(session, week), week)

        return await read(info, LEAD, work)
