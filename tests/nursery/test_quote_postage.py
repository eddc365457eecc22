"""The price that a quote states: the postage of the boxes its basket takes, and its packs."""

from datetime import timedelta

import pytest
from sqlmodel import Session, select

from nursery.carrier import CarrierService, PostageBand, Zone
from nursery.database import Database, now
from nursery.growing_area import Site
from nursery.order import Product
from nursery.promising.promise import confirm, reserve
from nursery.promising.quote import quote
from nursery.shed.packing import packings
from nursery.shed.wanted import wanted_on
from nursery.travelling import Against, ParcelBox, TravelPack
from nursery.weather import Forecast
from tests.shop import HERE, MONDAY, THERE, caltha, mild_nursery


def _by_weight(session: Session) -> Product:
    """Three bundles of 400 g fit into a small box, seven into a large one; up to 2 kg cost 3.00."""
    mild_nursery(session)
    product = session.exec(select(Product).where(Product.code == "CP-6")).one()
    product.box_units, product.weight_g = 4, 400
    session.add(ParcelBox(name="small", room=12, weight_g=100, cost_cents=50))
    session.add(ParcelBox(name="large", room=28, weight_g=300, cost_cents=90))
    service = session.exec(select(CarrierService)).one().id or 0
    zone = session.exec(select(Zone).where(Zone.country == "NL")).one().id or 0
    for up_to, cents in ((2000, 300), (5000, 900)):
        session.add(PostageBand(service_id=service, zone_id=zone, up_to_g=up_to, price_cents=cents))
    session.flush()
    return product


@pytest.mark.parametrize(
    ("bundles", "cents"),
    [(1, 300), (3, 300), (5, 600), (8, 600), (9, 900)],
    ids=[
        "a light box",
        "a full small box",
        "two small boxes",
        "two large boxes",
        "three small boxes",
    ],
)
def test_the_price_is_the_postage_of_the_boxes_that_the_basket_takes(
    db: Database, bundles: int, cents: int
) -> None:
    """Worked by hand: a box of up to 2 kg costs 3.00, so does a small one with three (1.3 kg), and
    a large one with four (1.9 kg). Eight go into two large ones, 180 + 600 cents, against three
    small ones, 150 + 900; nine into three small ones, 150 + 900, against 180 + 900 + 300.
    """
    with db.writing() as session:
        _by_weight(session)
        best = quote(session, caltha(bundles), HERE).options[0]
        there = quote(session, caltha(bundles), THERE).options[0]
        promise = reserve(session, "O-1", caltha(bundles), HERE, best.ship_on, "Van", "shop")
        confirm(session, promise.id or 0, "shop")
        (packing,) = packings(session, wanted_on(session, best.ship_on, best.ship_on)).values()
    assert best.price_cents == cents == packing.postage_cents
    assert there.price_cents == 795  # no bands there: the price in Services


def test_what_goes_into_no_box_is_stated_at_the_price_of_the_service(db: Database) -> None:
    with db.writing() as session:
        _by_weight(session).weight_g = 6000
        assert quote(session, caltha(1), HERE).options[0].price_cents == 795


def test_a_kept_price_follows_the_boxes_the_bands_and_the_weights(db: Database) -> None:
    """Each change is committed by a writer; the next quote of the same process states the new."""
    with db.writing() as session:
        _by_weight(session)

    def price() -> int:
        with db.reading() as session:
            return quote(session, caltha(5), HERE).options[0].price_cents

    assert price() == 600 == price()
    with db.writing() as session:
        session.exec(select(ParcelBox).where(ParcelBox.name == "large")).one().weight_g = 0
    assert price() == 300  # all five in a large box weigh 2 kg to the gram
    with db.writing() as session:
        session.exec(select(PostageBand).where(PostageBand.up_to_g == 2000)).one().price_cents = 250
    assert price() == 250
    with db.writing() as session:
        session.exec(select(Product).where(Product.code == "CP-6")).one().weight_g = 401
    assert price() == 500  # five grams too many for one box: two small ones


def test_every_box_of_a_basket_is_paid_with_its_pack(db: Database) -> None:
    """Two small boxes, a heat pack of 2.40 in each."""
    with db.writing() as session:
        _by_weight(session)
        session.add(
            TravelPack(name="heat pack", against=Against.FROST, hours=96, covers_c=5,
                       outside_c=-10, cost_cents=240, weight_g=120)
        )  # fmt: skip
        station = session.get_one(Site, 1).station_id or 0
        for ahead in range(8):
            session.add(
                Forecast(station_id=station, day=MONDAY + timedelta(days=ahead), min_c=-4.0,
                         max_c=8.0, issued_at=now(session) - timedelta(hours=1))
            )  # fmt: skip
        session.flush()
        day = MONDAY + timedelta(days=1)
        (option,) = quote(session, caltha(5), HERE, day, day).options
    assert option.packs and option.price_cents == 2 * (300 + 240)
