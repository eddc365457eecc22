"""GraphQL over HTTP. Source: the GraphQL over HTTP specification (draft), from memory.

The codes beside the checks are those of the public audit suite for that specification.
"""

import pytest
from starlette.applications import Starlette

from api.app import create_app
from nursery.database import Database
from nursery.settings import Settings
from tests.api.asking import post
from tests.api.server import tokens

MODERN = "application/graphql-response+json"
LEGACY = "application/json"


@pytest.fixture
def app(db: Database) -> Starlette:
    tokens(db)
    return create_app(db)


def test_the_answer_has_the_media_type_that_was_asked_for(app: Starlette) -> None:
    """22EB, 4655, 47DE, 80D8, 82A3."""
    for accept, expected in (
        (MODERN, MODERN),
        (LEGACY, LEGACY),
        ("*/*", LEGACY),
        (f"{LEGACY};q=0.5, {MODERN}", MODERN),
        (f"{MODERN};q=0.1, {LEGACY};q=0.9", LEGACY),
    ):
        answer = post(app, {"query": "{ __typename }"}, {"accept": accept})
        assert answer.status_code == 200
        assert answer.headers["content-type"] == f"{expected}; charset=utf-8"
        assert answer.json() == {"data": {"__typename": "Query"}}


@pytest.mark.parametrize(
    ("query", "variables"),
    [
        ("{", {}),  # 865D, 556A, D586: does not parse
        ("{ noSuchField }", {}),  # 51FE, 74FF, 5E5B: is not valid
        ("query ($n: Int!) { products(first: $n) { __typename } }", {"n": "x"}),  # 86EE
        ("query ($n: Int!) { products(first: $n) { __typename } }", {}),
    ],
)
def test_what_fails_before_it_runs_is_a_400_without_data_for_a_modern_client(
    app: Starlette, query: str, variables: dict[str, object]
) -> None:
    body = {"query": query, "variables": variables}
    answer = post(app, body, {"accept": MODERN})
    assert answer.status_code == 400
    assert answer.json()["errors"] and "data" not in answer.json()
    older = post(app, body, {"accept": LEGACY})
    assert older.status_code == 200
    assert older.json()["errors"]


@pytest.mark.parametrize(
    "body",
    [
        {},
        {"query": {"not": "text"}},
        {"query": "{ __typename }", "variables": "text"},
        {"query": "{ __typename }", "variables": [1]},
        {"query": "{ __typename }", "extensions": "text"},
    ],
)
def test_what_is_no_graphql_request_is_a_400(app: Starlette, body: dict[str, object]) -> None:
    answer = post(app, body, {"accept": MODERN})
    assert answer.status_code == 400
    assert answer.json()["errors"][0]["message"]


def test_a_body_that_is_no_json_is_a_400(app: Starlette) -> None:
    headers = {"content-type": "application/json", "accept": MODERN}
    assert post(app, None, headers, content=b"{ nonsense").status_code == 400
    assert post(app, None, {"accept": MODERN}, content=b"x").status_code == 400  # 9ABE


def test_null_for_what_may_be_left_out_is_as_good_as_leaving_it_out(app: Starlette) -> None:
    body = {"query": "{ __typename }", "variables": None, "operationName": None, "extensions": None}
    assert post(app, body, {"accept": MODERN}).status_code == 200


def test_the_operation_that_is_named_is_the_one_that_runs(app: Starlette) -> None:
    body = {"query": "query A { a: __typename } query B { b: __typename }", "operationName": "B"}
    assert post(app, body, {"accept": MODERN}).json() == {"data": {"b": "Query"}}
    unnamed = post(app, {**body, "operationName": None}, {"accept": MODERN})
    assert unnamed.status_code == 400


def test_only_posts_are_taken(app: Starlette) -> None:
    """9C48: nothing changes by GET; here not even a question is asked by it."""
    for params in ({}, {"query": "{ __typename }"}, {"query": "mutation { __typename }"}):
        answer = post(app, None, {"accept": MODERN}, method="GET", params=params)
        assert answer.status_code == 405
        assert answer.headers["allow"] == "POST"


def test_many_requests_in_one_body_are_refused(app: Starlette) -> None:
    answer = post(app, None, {"content-type": "application/json"}, content=b'[{"query":"{a}"}]')
    assert answer.status_code == 400


def test_a_plain_question_in_a_plain_page_gets_no_explorer(app: Starlette, db: Database) -> None:
    assert post(app, None, {"accept": "text/html"}, method="GET").status_code == 405
    open_app = create_app(db, settings=Settings(introspection=True))
    page = post(open_app, None, {"accept": "text/html"}, method="GET")
    assert page.status_code == 200
    assert page.headers["content-type"].startswith("text/html")
