"""Plant passports: the words and letters that the law asks for, and nothing made up.

Checked against Regulation (EU) 2016/2031, Annex VII part A (words upper right, flag upper left,
letters A to D), and the form of Great Britain (other words, no flag, B without the country's
code); both as the project's notes give them, read as excerpts, not against a printed label.
"""

from datetime import date, timedelta

import pytest
from sqlmodel import Session, select

from nursery.batch import Batch
from nursery.database import Database, site
from nursery.errors import Fault
from nursery.shed.passport import CAUTION, passport
from tests.builders import crop_named, ready_lot, small_nursery

MONDAY = date(2027, 3, 1)


@pytest.fixture
def shed(db: Database) -> Database:
    with db.writing() as session:
        small_nursery(session, MONDAY)
        crop = crop_named(session, "Primula rosea")
        ready_lot(session, crop, 50, MONDAY, MONDAY + timedelta(days=9), "PR-27-10")
    return db


def the_batch(session: Session) -> Batch:
    return session.exec(select(Batch)).one()


def test_a_passport_in_the_union_has_flag_words_and_the_four_letters(shed: Database) -> None:
    with shed.reading() as session:
        text = passport(session, the_batch(session)).text(40)
    assert text.splitlines() == [
        "[Union flag]              Plant Passport",
        "A Primula rosea 'Gigas'",
        "B NL-123456789",
        "C PR-27-10",
        "D NL",
    ]


def test_a_passport_of_great_britain_has_no_flag_and_no_country_code_before_the_number(
    shed: Database,
) -> None:
    with shed.writing() as session:
        home = site(session)
        home.country, home.passport_registration = "GB", "GB-12345"
        the_batch(session).origin_country = "GB"
        lines = passport(session, the_batch(session)).text().splitlines()
    assert lines[0].strip() == "UK Plant Passport"
    assert lines[2:] == ["B 12345", "C PR-27-10", "D GB"]


@pytest.mark.parametrize(
    ("number", "rule"),
    [
        ("", "needs the nursery's registration number"),
        ("123456789", "two letters, a hyphen"),
        ("US-123456789", "two letters, a hyphen"),
    ],
)
def test_without_a_registration_that_fits_there_is_no_passport(
    shed: Database, number: str, rule: str
) -> None:
    with shed.writing() as session, pytest.raises(Fault, match=rule):
        site(session).passport_registration = number
        passport(session, the_batch(session))


def test_a_batch_of_unknown_origin_gets_no_passport(shed: Database) -> None:
    with shed.writing() as session, pytest.raises(Fault, match="needs the country of origin"):
        batch = the_batch(session)
        batch.origin_country = ""
        passport(session, batch)


def test_where_no_form_is_known_the_authority_is_asked(shed: Database) -> None:
    with shed.writing() as session, pytest.raises(Fault, match="ask your plant health authority"):
        site(session).country = "US"
        passport(session, the_batch(session))


def test_the_caution_leaves_the_last_word_to_the_authority() -> None:
    assert "your plant health authority decides" in CAUTION
