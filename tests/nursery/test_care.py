"""Care cards: the usual sentences by the plant, those of the nursery, the page, and how many."""

from html.parser import HTMLParser

import pytest
from sqlmodel import Session

from nursery.crop import Method
from nursery.database import Database
from nursery.errors import Refused
from nursery.order import Product
from nursery.promising.promise import confirm, reserve
from nursery.promising.quote import quote
from nursery.shed.care import card_page, cards_of_day, care_card
from nursery.travelling import CareCard
from tests.builders import crop_named, product_of
from tests.shop import HERE, caltha, mild_nursery

CALTHA = "Caltha palustris"


def _product(session: Session) -> Product:
    mild_nursery(session)
    return product_of(session, crop_named(session, CALTHA))


def test_a_card_says_how_to_unwrap_plant_shade_and_what_eats_the_plants(db: Database) -> None:
    with db.writing() as session:
        _product(session)
        found = care_card(session, "cp-6")
    assert [heading for heading, _ in found.sentences] == [
        "Unwrap", "Pot or plant", "Shade", "Pests",
    ]  # fmt: skip
    assert found.within_days == 2 and found.usual == ("Unwrap", "Pot or plant", "Shade", "Pests")
    assert "within 2 days" in found.text and "never dries out" in found.text
    assert "slugs" in found.text and max(len(line) for line in found.text.splitlines()) <= 72


def test_soft_plants_are_planted_at_once_and_sturdy_ones_may_wait(db: Database) -> None:
    with db.writing() as session:
        product = _product(session)
        product.max_days_in_box = 8
        assert care_card(session, "CP-6").within_days == 4
        product.crop.protocols[0].method = Method.TISSUE_CULTURE
        session.flush()
        found = care_card(session, "CP-6")
    assert found.within_days == 1 and "today, at the depth" in found.text


def test_what_the_nursery_wrote_stands_in_place_of_the_usual_sentence(db: Database) -> None:
    with db.writing() as session:
        product = _product(session)
        session.add(
            CareCard(
                product_id=product.id or 0,
                within_days=5,
                plant="in wet soil",
                pests="none <here>",
                more="hardy",
            )
        )
        session.flush()
        found = care_card(session, "CP-6")
        with pytest.raises(Refused, match="No product has the code 'XX'"):
            care_card(session, "XX")
    assert dict(found.sentences)["Pests"] == "none <here>" and found.sentences[-1][0] == "Also"
    assert "within 5 days, in wet soil" in found.text and "Pests" not in found.usual


class _Page(HTMLParser):
    def __init__(self, page: str) -> None:
        super().__init__()
        self.articles, self.open, self.words = 0, 0, ""
        self.feed(page)
        self.close()

    def handle_starttag(self, tag: str, attrs: object) -> None:
        self.articles += tag == "article"
        self.open += tag != "meta"

    def handle_endtag(self, tag: str) -> None:
        self.open -= 1

    def handle_data(self, data: str) -> None:
        self.words += data


def test_the_page_has_a_card_for_every_parcel_of_the_day_and_nothing_runs_in_it(
    db: Database,
) -> None:
    with db.writing() as session:
        product = _product(session)
        session.add(CareCard(product_id=product.id or 0, pests="<script>x</script>"))
        session.flush()
        for order in ("O-1", "O-2"):
            best = quote(session, caltha(1), HERE).options[0]
            made = reserve(session, order, caltha(1), HERE, best.ship_on, best.service, "shop")
            confirm(session, made.id or 0, "shop")
        cards = cards_of_day(session, best.ship_on)
    assert [(card.code, number) for card, number in cards] == [("CP-6", 2)]
    page = card_page(cards)
    read = _Page(page)
    assert (read.articles, read.open) == (2, 0)
    assert "<script" not in page and "<script>x</script>" in read.words
