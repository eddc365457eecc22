"""Which boxes the parcels of the pick sheet take."""

from datetime import date

import pytest
from sqlmodel import Session, select

from nursery.carrier import CarrierService, PostageBand, Zone
from nursery.database import Database, site
from nursery.order import Product
from nursery.shed.boxes import Boxes, room_of
from nursery.travelling import ParcelBox
from tests.builders import crop_named, product_of, small_nursery


@pytest.fixture
def shed(db: Database) -> Database:
    with db.writing() as session:
        small_nursery(session, date(2027, 3, 1))
    return db


def some_boxes(session: Session) -> Product:
    """A small and a large box; the product of six plugs, 400 g."""
    session.add(ParcelBox(name="small", room=12, weight_g=100, cost_cents=50))
    session.add(ParcelBox(name="large", room=30, weight_g=300, cost_cents=90))
    product = product_of(session, crop_named(session, "Caltha palustris"))
    product.weight_g = 400
    session.flush()
    return product


def test_a_parcel_takes_the_cheapest_box_that_holds_it(shed: Database) -> None:
    with shed.writing() as session:
        product = some_boxes(session)
        boxes = Boxes(session)
        found = {many: boxes.of([(product, many)]) for many in (1, 2, 3, 5, 7)}
    assert [(many, [box.name for box in took]) for many, took in found.items()] == [
        (1, ["small"]),
        (2, ["small"]),
        (3, ["large"]),
        (5, ["large"]),
        (7, ["large", "small"]),
    ]
    assert found[2][0].weight_g == 100 + 2 * 400
    assert sum(many for box in found[7] for _, many in box.holds) == 7


def test_larger_plugs_take_more_of_a_box(shed: Database) -> None:
    with shed.writing() as session:
        product = some_boxes(session)
        product.box_units = 13
        assert room_of(product) == 13
        (box,) = Boxes(session).of([(product, 1)])
    assert box.name == "large"


def test_no_packed_box_is_heavier_than_somebody_may_lift(shed: Database) -> None:
    with shed.writing() as session:
        product = some_boxes(session)
        site(session).lift_g = 1000
        took = Boxes(session).of([(product, 4)])
    assert [box.weight_g for box in took] == [900, 900]


def test_what_fits_into_no_box_is_left_to_a_person(shed: Database) -> None:
    with shed.writing() as session:
        product = some_boxes(session)
        product.box_units = 31
        assert Boxes(session).of([(product, 1)]) == ()


def test_a_nursery_without_boxes_is_told_of_none(shed: Database) -> None:
    with shed.reading() as session:
        product = product_of(session, crop_named(session, "Caltha palustris"))
        assert Boxes(session).of([(product, 1)]) == ()


def test_real_postage_decides_between_one_heavy_box_and_two_light_ones(shed: Database) -> None:
    """Five of 400 g in one large box weigh 2,300 g; two and three in small ones stay under 2 kg."""
    with shed.writing() as session:
        product = some_boxes(session)
        product.box_units = 4  # three fit into a small box, seven into a large one
        service = session.exec(select(CarrierService)).one()
        zone = session.exec(select(Zone).where(Zone.country == "NL")).one()
        way = (service.id or 0, zone.id or 0)
        for up_to, cents in ((2000, 300), (5000, 900)):
            session.add(
                PostageBand(service_id=way[0], zone_id=way[1], up_to_g=up_to, price_cents=cents)
            )
        session.flush()
        by_bands = Boxes(session).of([(product, 5)], way=way)
        elsewhere = (way[0], way[1] + 1)  # no bands there: the price in Services, 795 a box
        flat = Boxes(session).of([(product, 5)], way=elsewhere)
        heavy = Boxes(session).of([(product, 1)], way=way)
        product.weight_g = 6000
        too_heavy = Boxes(session).of([(product, 1)], way=way)
    # 2 * (50 + 300) = 700 against 90 + 900.
    assert [(box.name, box.postage_cents, box.up_to_g) for box in by_bands] == [
        ("small", 300, 2000), ("small", 300, 2000),
    ]  # fmt: skip
    assert [(box.name, box.postage_cents, box.up_to_g) for box in flat] == [("large", 795, 0)]
    assert [box.weight_g for box in heavy] == [500]
    assert too_heavy == ()
