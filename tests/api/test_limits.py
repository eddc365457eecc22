"""How much a document may ask for, and what is not told to strangers."""

import json
import logging

import pytest
from starlette.applications import Starlette

from api.app import create_app
from api.ids import cursor, global_id
from nursery.access import Role
from nursery.database import Database
from nursery.settings import Settings
from tests.api.asking import answered, ask, post
from tests.api.server import tokens


@pytest.fixture
def app(db: Database) -> Starlette:
    return create_app(db)


def first_error(app: Starlette, document: str) -> str:
    message: str = ask(app, document)["errors"][0]["message"]
    return message


def test_fifteen_aliases_are_answered_and_sixteen_are_not(app: Starlette) -> None:
    fifteen = " ".join(f"a{n}: __typename" for n in range(15))
    assert "errors" not in ask(app, f"{{ {fifteen} }}")
    message = first_error(app, f"{{ {fifteen} b: __typename }}")
    assert message == "The document has 16 aliases; at most 15 are allowed."


def test_a_document_of_too_many_words_is_not_read_to_its_end(app: Starlette) -> None:
    assert "token" in first_error(app, "{ " + "__typename " * 1_001 + "}")


def test_a_document_that_is_too_deep_is_refused(db: Database) -> None:
    app = create_app(db, settings=Settings(max_depth=4))
    document = "{ products { ... on ProductConnection { edges { node { code } } } } }"
    assert "errors" not in ask(app, document)
    deeper = document.replace("code", "crop { name }")
    assert first_error(app, deeper) == "The document has 5 levels; at most 4 are allowed."


def test_fragments_that_double_at_every_level_are_counted_and_not_written_out(
    app: Starlette,
) -> None:
    """Thirty levels of two spreads each would be 2**30 fields: walking them would never end."""
    fragments = " ".join(f"fragment F{n} on Query {{ ...F{n + 1} ...F{n + 1} }}" for n in range(30))
    document = f"{{ ...F0 }} {fragments} fragment F30 on Query {{ __typename }}"
    messages = [error["message"] for error in ask(app, document)["errors"]]
    assert f"The document has {2**30} fields; at most 400 are allowed." in messages


def test_a_fragment_that_spreads_itself_is_refused_like_any_wrong_document(app: Starlette) -> None:
    document = "{ ...A } fragment A on Query { ...B } fragment B on Query { ...A }"
    assert "Cannot spread fragment" in first_error(app, document)


def test_a_body_over_the_limit_is_turned_away_unread(app: Starlette) -> None:
    assert post(app, {"query": "{ __typename }", "x": "y" * 65_536}).status_code == 413
    assert post(app, {"query": "{ __typename }", "x": "y" * 60_000}).status_code == 200


def test_strangers_may_not_ask_for_the_schema_unless_settings_say_so(
    app: Starlette, db: Database
) -> None:
    document = "{ __schema { queryType { name } } }"
    assert "introspection has been disabled" in first_error(app, document)
    opened = create_app(db, settings=Settings(introspection=True))
    assert ask(opened, document)["data"] == {"__schema": {"queryType": {"name": "Query"}}}


def test_a_misspelt_field_gets_no_list_of_the_right_ones(app: Starlette) -> None:
    assert "Did you mean" not in first_error(app, "{ prodacts }")


def test_an_unexpected_error_is_masked_for_the_caller_and_whole_in_the_log(
    db: Database, caplog: pytest.LogCaptureFixture
) -> None:
    shop = tokens(db)[Role.SHOP]
    app = create_app(db)
    with db.writing() as session:
        session.connection().exec_driver_sql("ALTER TABLE product RENAME TO product_gone")
    with caplog.at_level(logging.ERROR):
        answer = ask(app, '{ product(code: "CP-6") { __typename } }', shop)
    (error,) = answer["errors"]
    assert answer["data"] is None
    assert error["path"] == ["product"]
    assert error["extensions"]["code"] == "UNEXPECTED"
    assert "product_gone" not in error["message"] and "sqlite" not in error["message"].lower()
    assert error["extensions"]["reference"] in caplog.text
    assert "no such table" in caplog.text


def test_a_mistake_in_a_document_is_told_and_not_logged(
    app: Starlette, caplog: pytest.LogCaptureFixture
) -> None:
    assert "Cannot query field 'nothing'" in first_error(app, "{ nothing }")
    assert caplog.text == ""


@pytest.mark.parametrize(
    ("document", "variables"),
    [
        ("query ($a: String!) { product(code: $a) { __typename } }", {"a": "CP\0-6"}),
        ("query ($a: String!) { product(code: $a) { __typename } }", {"a": "CP\ud800"}),
        ('{ product(code: "CP\\u0000-6") { __typename } }', {}),
        (
            "query ($a: [BasketLineInput!]!, $b: DestinationInput!)"
            " { shipOptions(basket: $a, destination: $b) { __typename } }",
            {
                "a": [{"code": "CP-6", "quantity": 1}, {"code": "\0", "quantity": 1}],
                "b": {"country": "NL", "postcode": "1011AB"},
            },
        ),
        ("query ($a: ID!) { promise(id: $a) { __typename } }", {"a": "\udfff"}),
    ],
)
def test_a_text_that_no_database_keeps_is_told_before_anything_is_asked(
    either_db: Database, document: str, variables: dict[str, object]
) -> None:
    app, shop = create_app(either_db), tokens(either_db)[Role.SHOP]
    headers = {"authorization": f"Bearer {shop}", "content-type": "application/json"}
    body = json.dumps({"query": document, "variables": variables})  # half pairs are escaped
    (error,) = post(app, headers=headers, content=body).json()["errors"]
    assert error["message"].startswith("A text must not hold ")
    assert error["extensions"]["code"] == "BAD_TEXT"


@pytest.mark.parametrize(
    "body",
    [
        {"query": "{ __typename }", "operationName": "\ud800"},
        {"query": '{ product(code: "\ud800") { __typename } }'},
        {"query": "{ \ud800 }"},
        {
            "query": "query ($a: Int!) { plan(version: $a) { __typename } }",
            "variables": {"\ud800": 1},
        },
    ],
)
def test_half_a_character_anywhere_in_a_request_is_a_mistake_of_the_document(
    app: Starlette, body: dict[str, object]
) -> None:
    headers = {"content-type": "application/json"}
    answer = post(app, headers=headers, content=json.dumps(body))
    assert answer.status_code in (200, 400) and answer.json()["errors"][0]["message"]


def test_a_cursor_of_another_making_is_refused_whatever_is_in_it(either_db: Database) -> None:
    app, shop = create_app(either_db), tokens(either_db)[Role.SHOP]
    for key in ("CP\0-6", "\0"):
        document = f'{{ products(after: "{cursor(key)}") {{ ... on Refusal {{ code }} }} }}'
        assert answered(app, document, shop) == {"code": "UNKNOWN_CURSOR"}
    for key in ("CP-6", "", "-1", str(2**31), "1" * 5000):  # promises are listed by their numbers
        document = f'{{ promises(after: "{cursor(key)}") {{ ... on Refusal {{ code }} }} }}'
        assert answered(app, document, shop) == {"code": "UNKNOWN_CURSOR"}


def test_an_id_that_no_row_can_have_is_told_alike_by_both_databases(either_db: Database) -> None:
    app, shop = create_app(either_db), tokens(either_db)[Role.SHOP]
    for key in (2**31, 10**30, "1" * 5000, "-1", "1_0", "1.0", " 1", "\u0661"):
        document = (
            f'{{ promise(id: "{global_id("Promise", key)}") {{ ... on Refusal {{ code }} }} }}'
        )
        assert answered(app, document, shop) == {"code": "UNKNOWN_ID"}, key


def test_rules_are_made_once_so_that_a_validated_document_is_found_again(app: Starlette) -> None:
    from strawberry.extensions.validation_cache import _get_validate_cache

    cache = _get_validate_cache(128)
    document = "{ thisDocumentIsOnlyAskedHere: __typename }"
    ask(app, document)
    before = cache.cache_info()  # type: ignore[attr-defined]
    ask(app, document)
    after = cache.cache_info()  # type: ignore[attr-defined]
    assert (after.hits, after.misses) == (before.hits + 1, before.misses)
