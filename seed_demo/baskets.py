"""Which three baskets does the demo ask for? Some of what is free, so that there is an answer."""

from sqlmodel import Session, col, select

from nursery.crop import Crop
from nursery.promising.supply import supply
from nursery.stock import Grade, Pool
from seed_demo.plants import PLANTS, Plant
from seed_demo.sheets import product_code
from seed_demo.shop import Asked

_SOON, _LATER = slice(3, 12), slice(21, 40)
"""Days from today."""
_PACK = 6
"""Plugs of a product."""
_TENDER_C = -5
"""Plants that stand no more frost than this are the ones a cold spell holds."""


def baskets(session: Session) -> tuple[Asked, Asked, Asked]:
    """Three baskets: to the own country, tender ones far away, and one of which a crop still grows.

    The second is where the cold spell is, the third where carriers need longer.
    """
    soon, later = _free(session, _SOON), _free(session, _LATER)
    by_soon = sorted(PLANTS, key=lambda plant: -soon[plant.name])
    tender = [plant for plant in by_soon if plant.frost_c >= _TENDER_C]
    hardy = [plant for plant in PLANTS if plant.frost_c < _TENDER_C]
    # One product more than there are plugs of soon, of the crop of which that is the fewest.
    more = {plant.name: max(2, soon[plant.name] // _PACK + 1) for plant in hardy}
    growing = min(
        hardy,
        key=lambda plant: (
            later[plant.name] < more[plant.name] * _PACK,
            more[plant.name],
            -later[plant.name],
        ),
    )
    return (
        Asked(((_code(by_soon[0]), 1), (_code(by_soon[1]), 2)), "NL", "1075"),
        Asked(((_code(tender[0]), 1), (_code(tender[1]), 1)), "DE", "80331"),
        Asked(((_code(growing), more[growing.name]),), "BE", "4960"),
    )


def _code(plant: Plant) -> str:
    return product_code(plant, _PACK)


def _free(session: Session, days: slice) -> dict[str, int]:
    """How many plugs of each crop may still be promised on some day of these?"""
    query = select(Pool, Crop).join(Crop).where(col(Pool.grade) == Grade.A, ~col(Pool.bought_in))
    names = {pool.id: crop.name for pool, crop in session.exec(query) if pool.id is not None}
    held = supply(session, names)
    return dict.fromkeys((plant.name for plant in PLANTS), 0) | {
        names[pool]: int(one.available[days].max(initial=0)) for pool, one in held.items()
    }
