"""What a shop does over HTTP: asks for ship days, reserves, confirms, changes its mind."""

from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from datetime import timedelta

import pytest
from sqlmodel import select

from nursery.access import Role
from nursery.database import Database
from nursery.growing_area import Site
from nursery.order import Promise, PromiseEvent
from tests.api.server import serving, tokens
from tests.api.shop import MONDAY, OPTIONS, PROMISE, Shop
from tests.builders import crop_named, ready_lot


@pytest.fixture
def shop(db: Database) -> Iterator[Shop]:
    secret = tokens(db)[Role.SHOP]
    with db.writing() as session:
        crop = crop_named(session, "Caltha palustris")
        ready_lot(session, crop, 60, MONDAY - timedelta(days=7), MONDAY + timedelta(days=40))
    with serving(db) as address:
        shop = Shop(address, secret)
        try:
            yield shop
        finally:
            shop.close()


def left(shop: Shop, quantity: int, day: str = "2027-03-03") -> bool:
    """May so many more marigolds be promised for this day?"""
    found = shop.ask(
        OPTIONS,
        basket=[{"code": "CP-6", "quantity": quantity}],
        to={"country": "NL", "postcode": "1011AB"},
        until="2027-03-12",
    )
    return day in {option["shipOn"] for option in found["options"]}


def test_a_basket_is_quoted_reserved_confirmed_and_cancelled(shop: Shop, db: Database) -> None:
    found = shop.ask(
        OPTIONS,
        basket=[{"code": "CP-6", "quantity": 2}, {"code": "GIFT", "quantity": 1, "isPlant": False}],
        to={"country": "NL", "postcode": "1011AB"},
        until="2027-03-12",
    )
    best = found["options"][0]
    assert best["arrivesUntil"] == min(option["arrivesUntil"] for option in found["options"])
    assert best["lines"] == [{"code": "CP-6", "quantity": 2}]
    assert sum(chance["share"] for chance in best["chances"]) == pytest.approx(1)
    closed = {day["day"]: [why["code"] for why in day["reasons"]] for day in found["closedDays"]}
    assert "origin_closed" in closed["2027-03-06"] and "origin_closed" in closed["2027-03-07"]

    reserved = shop.reserve("W-1", 2, best["shipOn"], service=best["service"])
    assert (reserved["state"], reserved["shipOn"]) == ("RESERVED", best["shipOn"])
    assert reserved["lines"] == [
        {
            "code": "CP-6",
            "quantity": 2,
            "plugs": 12,
            "picked": 0,
            "product": {
                "name": "Caltha palustris, 6 plugs",
                "crop": {"name": "Caltha palustris"},
            },
        }
    ]
    confirmed = shop.do("confirm", reserved["id"])
    assert (confirmed["state"], confirmed["firstShipOn"]) == ("CONFIRMED", best["shipOn"])
    # 57 of the 60 plugs may be promised (5 % are held back), 12 are: 7 boxes of 6 fit, 8 do not.
    assert left(shop, 7) and not left(shop, 8)
    cancelled = shop.do("cancel", reserved["id"], reason="changed their mind")
    assert cancelled["state"] == "CANCELLED"
    assert left(shop, 9)
    with db.reading() as session:
        kinds = [event.kind.value for event in session.exec(select(PromiseEvent))]
    assert kinds == ["reserved", "confirmed", "cancelled"]


def test_a_reservation_sent_again_is_the_same_reservation(shop: Shop, db: Database) -> None:
    first = shop.reserve("W-2", key="pay-2")
    assert first["__typename"] == "Promise"
    assert shop.reserve("W-2", key="pay-2") == first
    with db.reading() as session:
        assert len(session.exec(select(Promise)).all()) == 1


def test_a_key_used_again_for_something_else_is_refused(shop: Shop) -> None:
    assert shop.reserve("W-3", key="pay-3")["__typename"] == "Promise"
    again = shop.reserve("W-3", 2, key="pay-3")
    assert (again["__typename"], again["code"], again["field"]) == ("Refusal", "KEY_REUSED", "key")


def test_a_refusal_says_what_can_be_had_instead_and_says_it_again(shop: Shop) -> None:
    assert shop.reserve("W-4", 9)["__typename"] == "Promise"
    refused = shop.reserve("W-5", 1, key="pay-5")
    assert (refused["__typename"], refused["code"]) == ("Refusal", "NO_PLUGS")
    assert shop.reserve("W-5", 1, key="pay-5") == refused
    closed = shop.reserve("W-6", 1, day="2027-03-06")
    assert closed["code"] == "DAY_CLOSED"


def test_a_closed_day_is_refused_with_the_days_that_are_open(shop: Shop) -> None:
    refused = shop.reserve("W-7", 1, day="2027-03-06", key="pay-7")
    assert refused["code"] == "DAY_CLOSED"
    assert {"shipOn": "2027-03-03", "service": "Van"} in refused["options"]
    assert shop.reserve("W-7", 1, day="2027-03-06", key="pay-7") == refused


def test_a_product_nobody_sells_is_refused_by_name(shop: Shop) -> None:
    refused = shop.reserve("W-8", basket=[{"code": "CP-7", "quantity": 1}])
    assert refused["code"] == "UNKNOWN_PRODUCT"
    assert "CP-7" in refused["message"]


@pytest.mark.parametrize("database", ["db", "postgres_db"])
def test_a_reference_or_postcode_that_no_order_can_have_is_refused_on_both_databases(
    database: str, request: pytest.FixtureRequest
) -> None:
    """Empty, or longer than the rows hold: SQLite would have taken it, PostgreSQL would break."""
    nursery: Database = request.getfixturevalue(database)
    secret = tokens(nursery)[Role.SHOP]
    with nursery.writing() as session:
        crop = crop_named(session, "Caltha palustris")
        ready_lot(session, crop, 60, MONDAY, MONDAY + timedelta(days=30))
    with serving(nursery) as address:
        shop = Shop(address, secret)
        try:
            found = [shop.reserve(reference) for reference in ("", "  ", "x" * 61)]
            found.append(shop.reserve("R-1", to={"country": "NL", "postcode": "1" * 13}))
            good = shop.reserve("x" * 60)
        finally:
            shop.close()
    assert [(each["code"], each["field"]) for each in found] == [
        ("BAD_REFERENCE", "reference"),
        ("BAD_REFERENCE", "reference"),
        ("BAD_REFERENCE", "reference"),
        ("BAD_POSTCODE", "destination.postcode"),
    ]
    assert good["__typename"] == "Promise"


def test_an_id_that_was_never_given_out_is_refused_and_no_server_error(shop: Shop) -> None:
    for id in ("nonsense", "UHJvZHVjdDox", "UHJvbWlzZTp4"):  # garbage, Product:1, Promise:x
        assert shop.do("confirm", id)["code"] == "UNKNOWN_ID"
        found = shop.ask(f'{{ promise(id: "{id}") {{ ... on Refusal {{ code field }} }} }}')
        assert found == {"code": "UNKNOWN_ID", "field": "id"}


def test_a_reservation_that_ran_out_is_lapsed_and_may_still_be_confirmed(
    shop: Shop, db: Database
) -> None:
    id = shop.reserve("W-9")["id"]
    with db.writing() as session:
        site = session.get_one(Site, 1)
        site.clock_shift_seconds += 31 * 60
        session.add(site)
    state = shop.ask(f'{{ promise(id: "{id}") {{ ... on Promise {{ state }} }} }}')
    assert state == {"state": "LAPSED"}
    assert shop.do("confirm", id)["state"] == "CONFIRMED"


def test_a_promise_is_amended_in_one_step(shop: Shop) -> None:
    id = shop.do("confirm", shop.reserve("W-10", 2)["id"])["id"]
    document = f"""mutation ($id: ID!, $basket: [BasketLineInput!]) {{
      amend(key: "amend-10", id: $id, basket: $basket, shipOn: "2027-03-08")
      {{ __typename {PROMISE} }} }}"""
    amended = shop.ask(document, id=id, basket=[{"code": "CP-6", "quantity": 1}])
    assert (amended["state"], amended["shipOn"]) == ("CONFIRMED", "2027-03-08")
    assert [line["plugs"] for line in amended["lines"]] == [6]


def test_the_lists_are_read_page_by_page(shop: Shop) -> None:
    for n in range(3):
        assert shop.reserve(f"P-{n}")["__typename"] == "Promise"
    document = """query ($after: String) { promises(first: 2, after: $after) {
      ... on PromiseConnection { edges { cursor node { reference } }
        pageInfo { hasNextPage hasPreviousPage endCursor } }
      ... on Refusal { code field } } }"""
    first = shop.ask(document)
    assert [edge["node"]["reference"] for edge in first["edges"]] == ["P-0", "P-1"]
    assert first["pageInfo"]["hasNextPage"] and not first["pageInfo"]["hasPreviousPage"]
    assert shop.reserve("P-3")["__typename"] == "Promise"
    second = shop.ask(document, after=first["pageInfo"]["endCursor"])
    assert [edge["node"]["reference"] for edge in second["edges"]] == ["P-2", "P-3"]
    assert not second["pageInfo"]["hasNextPage"]
    assert shop.ask(document, after="x") == {"code": "UNKNOWN_CURSOR", "field": "after"}


def test_days_and_weeks_that_do_not_exist_are_told_before_anything_is_asked(shop: Shop) -> None:
    answer = shop.http.post(
        "/graphql",
        json={"query": '{ promises(shipOn: "2027-02-30") { __typename } }'},
        headers={"accept": "application/graphql-response+json"},
    )
    assert answer.status_code == 400
    assert "2027-02-30" in answer.text


def test_one_request_sent_by_an_impatient_shop_many_times_at_once_reserves_once(
    shop: Shop, db: Database
) -> None:
    with ThreadPoolExecutor(8) as crowd:
        answers = list(crowd.map(lambda n: shop.reserve("W-20", 2, key="pay-20"), range(8)))
    assert answers[0]["__typename"] == "Promise"
    assert all(answer == answers[0] for answer in answers)
    with db.reading() as session:
        assert len(session.exec(select(Promise)).all()) == 1


def test_twelve_shops_at_once_get_no_more_than_there_is(shop: Shop, db: Database) -> None:
    """57 of 60 plugs may be promised: nine boxes of six."""
    with ThreadPoolExecutor(12) as crowd:
        answers = list(crowd.map(lambda n: shop.reserve(f"W-3{n}"), range(12)))
    assert [answer["__typename"] for answer in answers].count("Promise") == 9
    assert {answer["code"] for answer in answers if "code" in answer} == {"NO_PLUGS"}
