"""Who may ask for what, and how a refusal looks."""

import pytest
from sqlmodel import select
from starlette.applications import Starlette

from api.app import create_app
from api.schema import make_schema
from nursery.access import Role, Token
from nursery.database import Database, now
from tests.api.asking import answered, post
from tests.api.server import tokens

PRODUCTS = """{ products { __typename
  ... on ProductConnection { edges { node { code } } }
  ... on Refusal { code message field next } } }"""


@pytest.fixture
def token(db: Database) -> dict[Role, str]:
    return tokens(db)


@pytest.fixture
def app(db: Database, token: dict[Role, str]) -> Starlette:
    return create_app(db)


def test_without_a_token_every_question_is_refused_by_type(app: Starlette) -> None:
    answer = answered(app, PRODUCTS)
    assert answer["__typename"] == "Refusal"
    assert answer["code"] == "UNAUTHENTICATED"
    assert "Authorization: Bearer" in answer["next"]


def test_a_token_nobody_was_given_is_refused(app: Starlette) -> None:
    assert answered(app, PRODUCTS, "guessed")["code"] == "UNAUTHENTICATED"


def test_a_packer_may_not_ask_what_is_the_shops(app: Starlette, token: dict[Role, str]) -> None:
    answer = answered(app, PRODUCTS, token[Role.PACKER])
    assert (answer["__typename"], answer["code"]) == ("Refusal", "FORBIDDEN")
    for role in (Role.SHOP, Role.LEAD):
        assert answered(app, PRODUCTS, token[role])["__typename"] == "ProductConnection"


def test_a_revoked_token_is_refused_from_the_next_request_on(
    app: Starlette, db: Database, token: dict[Role, str]
) -> None:
    assert answered(app, PRODUCTS, token[Role.SHOP])["__typename"] == "ProductConnection"
    with db.writing() as session:
        row = session.exec(select(Token).where(Token.role == Role.SHOP)).one()
        row.revoked_at = now(session)
    assert answered(app, PRODUCTS, token[Role.SHOP])["code"] == "UNAUTHENTICATED"


def test_the_scheme_of_the_header_is_read_in_any_case(
    app: Starlette, token: dict[Role, str]
) -> None:
    for header, kind in (
        (f"bearer {token[Role.SHOP]}", "ProductConnection"),
        (f"Basic {token[Role.SHOP]}", "Refusal"),
        (token[Role.SHOP], "Refusal"),
    ):
        answer = post(app, {"query": PRODUCTS}, {"authorization": header}).json()
        assert answer["data"]["products"]["__typename"] == kind


def test_every_question_and_action_answers_with_a_union_that_holds_the_refusal() -> None:
    schema = make_schema()._schema
    for root in (schema.query_type, schema.mutation_type, schema.subscription_type):
        if root is None:
            continue
        for name, field in root.fields.items():
            members = {kind.name for kind in field.type.of_type.types}
            assert "Refusal" in members, name
            assert len(members) > 1, name
