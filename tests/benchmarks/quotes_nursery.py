"""A nursery of 2,000 products with 200,000 open orders over 180 days, invented, made in seconds.

The small nursery of the tests gives the site, the carrier and the weather. Everything else goes in
as lists of values, one INSERT a table in one transaction (SQLAlchemy Core, no row objects): crops,
pools, products, one clear batch and three counted lots a crop, 200,000 orders with one promise of
one or two lines each, and the ship days. Plugs are so many that every promise can be kept.
"""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from typing import Any

import numpy as np
from sqlalchemy import insert
from sqlmodel import Session, SQLModel, select

from nursery.access import Role, make_token
from nursery.batch import Batch
from nursery.carrier import Zone
from nursery.crop import Crop
from nursery.database import Database, now
from nursery.order import CustomerOrder, Product, Promise, PromiseLine, ShipDay, State
from nursery.stock import Grade, Lot, Pool
from tests.shop import MONDAY, mild_nursery

PRODUCTS, ORDERS, DAYS = 2_000, 200_000, 180
FIRST = 1_000
"""Keys of the rows that are made here start here: the small nursery has its own below."""


def big_nursery(db: Database, products: int = PRODUCTS, orders: int = ORDERS) -> str:
    """Fills an empty, migrated database; the secret of a shop's token is returned."""
    with db.writing() as session:
        here = mild_nursery(session)
        here.packing_minutes_a_day = 4 * orders // 10 + 1_000
        here.horizon_days = DAYS
        batch = session.exec(select(Batch)).one()
        _stock(session, batch, products, orders)
        _orders(session, products, orders)
        return make_token(session, "the shop", Role.SHOP, now(session))


def code(product: int) -> str:
    """The code of the product with this number."""
    return f"P{product:04d}"


def _stock(session: Session, batch: Batch, products: int, orders: int) -> None:
    keys = range(FIRST, FIRST + products)
    crop = _plain(Crop(botanical_name="", plant_group="marsh"))
    crops = [{**crop, "id": key, "botanical_name": f"Plantula {key}"} for key in keys]
    _add(session, Crop, crops)
    _add(
        session, Pool, [{"id": key, "crop_id": key, "grade": Grade.A, "version": 0} for key in keys]
    )
    product = _plain(Product(code="", name="", crop_id=0, plugs=6, price_cents=1_450))
    _add(session, Product, [{**product, **_product(key)} for key in keys])
    _add(session, Batch, [{**_plain(batch), "id": k, "code": f"C{k}", "crop_id": k} for k in keys])
    plugs = 20 * max(1, orders // products)
    _add(
        session,
        Lot,
        [
            {
                "batch_id": key,
                "pool_id": key,
                "ready_on": MONDAY + timedelta(days=60 * third),
                "last_sale_on": MONDAY + timedelta(days=60 * third + 75),
                "plugs": plugs,
            }
            for key in keys
            for third in range(3)
        ],
    )


def _product(key: int) -> dict[str, Any]:
    return {
        "id": key,
        "code": code(key - FIRST),
        "name": f"Plantula {key}, 6 plugs",
        "crop_id": key,
        "heat_limit_c": (28.0, 30.0, 32.0)[key % 3],
        "frost_limit_c": (-3.0, -5.0)[key % 2],
        "max_days_in_box": (3, 4)[key % 2],
    }


def _orders(session: Session, products: int, orders: int) -> None:
    rng = np.random.default_rng(1)
    zone = session.exec(select(Zone).where(Zone.country == "NL")).one()
    days = [d for d in map(_day, range(1, DAYS)) if d.weekday() < 4]
    on = [days[i] for i in rng.integers(0, len(days), orders)]
    at = datetime(2027, 2, 1, tzinfo=UTC)
    keys = range(1, orders + 1)
    order = _plain(
        CustomerOrder(
            reference="", placed_at=at, country="NL", postcode="1011AB", zone_id=zone.id or 0
        )
    )
    _add(session, CustomerOrder, [{**order, "id": key, "reference": f"O-{key}"} for key in keys])
    promise = _plain(_promise(MONDAY))
    _add(
        session,
        Promise,
        [{**promise, "id": k, "order_id": k, **_days(d)} for k, d in zip(keys, on, strict=True)],
    )
    chosen = rng.integers(0, products, (orders, 2)).tolist()
    second = rng.random(orders).tolist()
    _add(
        session,
        PromiseLine,
        [
            {
                "promise_id": key,
                "product_id": FIRST + product,
                "pool_id": FIRST + product,
                "quantity": 1,
                "plugs": 6,
                "picked": 0,
            }
            for key, pair, more in zip(keys, chosen, second, strict=True)
            for product in sorted(set(pair[: 2 if more < 0.5 else 1]))
        ],
    )
    _add(session, ShipDay, [{"day": _day(i), "minutes": None, "version": 0} for i in range(DAYS)])


def _promise(day: date) -> Promise:
    return Promise(
        order_id=0,
        service_id=1,
        state=State.CONFIRMED,
        probability=0.99,
        minutes=5,
        **_days(day),
    )


def _days(day: date) -> dict[str, Any]:
    later = {"arrives_from": 1, "arrives_until": 2}
    stays = dict.fromkeys(("ship_on", "first_ship_on", "pack_on"), day)
    return {**stays, **{name: day + timedelta(days=n) for name, n in later.items()}}


def _day(i: int) -> date:
    return MONDAY + timedelta(days=i)


def _plain(row: SQLModel) -> dict[str, Any]:
    """A row's values, defaults included, without its key."""
    return row.model_dump(exclude={"id"})


def _add(session: Session, rows: type[SQLModel], values: list[dict[str, Any]]) -> None:
    session.flush()
    session.connection().execute(insert(rows), values)
