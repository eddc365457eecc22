"""Which pool holds these lots, and from which does a product take its plugs?

A crop has a pool for each grade that it is sold in, and where some of its plugs are sold as bought
in (`crop.Protocol.sold_as_bought_in`) another beside each for those. What may be promised is exact
pool by pool, so that nothing bought in can fill a promise whose customer did not agree to it.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import TypeAlias

from sqlalchemy import ColumnElement
from sqlmodel import Session, col, select

from nursery.batch import Batch
from nursery.crop import Protocol
from nursery.stock import Grade, Pool

Kept: TypeAlias = tuple[int, Grade, bool]
"""A crop, a grade, and whether it is sold as bought in."""


def pool_of(session: Session, crop_id: int, grade: Grade, bought_in: bool = False) -> Pool:
    """Which pool holds the lots of this crop and grade? Made where there is none yet."""
    pool = find_pool(session, crop_id, grade, bought_in)
    if pool is None:
        pool = Pool(crop_id=crop_id, grade=grade, bought_in=bought_in)
        session.add(pool)
        session.flush()
    return pool


def find_pool(session: Session, crop_id: int, grade: Grade, bought_in: bool = False) -> Pool | None:
    """Which pool holds the lots of this crop and grade? None where there is none yet."""
    query = select(Pool).where(Pool.crop_id == crop_id, Pool.grade == grade)
    return session.exec(query.where(Pool.bought_in == bought_in)).first()


def pool_of_batch(session: Session, batch: Batch, grade: Grade) -> Pool | None:
    """Into which pool do plugs of this batch go? None where nothing is sold of its crop and grade.

    One for what is bought in is made beside the other where there is none yet.
    """
    own = find_pool(session, batch.crop_id, grade)
    if own is None or not batch.protocol.sold_as_bought_in:
        return own
    return pool_of(session, batch.crop_id, grade, bought_in=True)


def make_bought_in_pools(session: Session, crop_ids: Iterable[int]) -> None:
    """Beside which pools of these crops is one for plugs sold as bought in wanted? Made here."""
    for crop_id in sorted(set(crop_ids)):
        rows = session.exec(select(Protocol).where(Protocol.crop_id == crop_id))
        if any(protocol.sold_as_bought_in for protocol in rows):
            own = select(Pool).where(Pool.crop_id == crop_id, ~col(Pool.bought_in))
            for pool in session.exec(own).all():
                pool_of(session, crop_id, pool.grade, bought_in=True)


def pools_by_kind(session: Session, *where: ColumnElement[bool]) -> Mapping[Kept, int]:
    """Under which id is the pool of each crop, grade and kind?"""
    rows = session.exec(select(Pool).where(*where))
    return {(row.crop_id, row.grade, row.bought_in): row.id for row in rows if row.id is not None}
