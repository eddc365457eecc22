"""What a shop needs for its tests: a nursery in mild weather, addresses and baskets."""

from datetime import date, timedelta

from sqlmodel import Session, select

from nursery.growing_area import Site
from nursery.promising.basket import Basket, BasketLine, Destination
from nursery.weather import MonthNormal
from tests.builders import crop_named, ready_lot, small_nursery

HERE = Destination("NL", "1011 AB")
THERE = Destination("DE", "50667")
MONDAY = date(2027, 3, 1)


def mild_nursery(session: Session, at: date = MONDAY, hour: int = 8, plugs: int = 100) -> Site:
    """The small nursery where no day is ever too hot or too cold, with one lot of Caltha."""
    site = small_nursery(session, at, hour)
    site.allowance = 0.0
    for month in session.exec(select(MonthNormal)):
        month.min_c, month.max_c, month.min_sd_c, month.max_sd_c = 8.0, 16.0, 0.5, 0.5
    if plugs:
        caltha = crop_named(session, "Caltha palustris")
        ready_lot(session, caltha, plugs, at, at + timedelta(days=120))
    session.flush()
    return site


def caltha(quantity: int) -> Basket:
    """So many times six plugs of Caltha."""
    return Basket((BasketLine("CP-6", quantity),))


def both(quantity: int = 1) -> Basket:
    """Caltha and Primula together."""
    return Basket((BasketLine("CP-6", quantity), BasketLine("PRG-6", quantity)))
