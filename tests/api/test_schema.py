"""The schema in the tree is the one that is served."""

from datetime import UTC, date, datetime
from pathlib import Path

import strawberry
from graphql import build_schema, parse, validate
from hypothesis import given, settings
from hypothesis import strategies as some

from api.ids import global_id, key_of
from api.kept import plain, revived
from api.promises import Promise, PromiseLine
from api.schema import make_schema
from nursery.order import State
from nursery.weeks import Week
from tests.api.shop import OPTIONS, RESERVE

SDL = Path(__file__).parents[2] / "api" / "schema.graphql"


def test_the_sdl_in_the_tree_is_the_schema() -> None:
    """If this fails after a change that is meant: python -m api.schema > api/schema.graphql."""
    assert SDL.read_text() == make_schema().as_str() + "\n"


def test_another_programs_reader_of_sdl_takes_it_and_knows_the_shops_questions() -> None:
    """graphql-core, the reference implementation for Python, without anything of ours."""
    schema = build_schema(SDL.read_text())
    for document in (OPTIONS, RESERVE):
        assert validate(schema, parse(document)) == []


def test_two_schemas_can_be_made_beside_each_other() -> None:
    assert make_schema().as_str() == make_schema().as_str()


@settings(deadline=None, max_examples=50)
@given(
    some.sampled_from(State),
    some.dates(),
    some.floats(0, 1),
    some.one_of(some.none(), some.datetimes(timezones=some.just(UTC))),
    some.text(),
)
def test_a_kept_answer_is_read_back_as_it_was_given(
    state: State, day: date, chance: float, until: datetime | None, words: str
) -> None:
    line = PromiseLine(code=words, quantity=1, plugs=6, picked=0, product_key=3)
    promise = Promise(
        id=strawberry.ID("x"),
        reference=words,
        state=state,
        ship_on=day,
        first_ship_on=day,
        pack_on=day,
        arrives_from=day,
        arrives_until=day,
        probability=chance,
        service="Van",
        country="NL",
        postcode="1011AB",
        reserved_until=until,
        tracking="",
        repack_by=None,
        lines=[line],
    )
    assert revived(plain(promise)) == promise
    assert revived(plain([Week(2027, 14), {"a": day}])) == [Week(2027, 14), {"a": day}]


@settings(deadline=None, max_examples=50)
@given(some.integers(1, 2**31 - 1), some.sampled_from(["Promise", "Lot", "PromiseLine"]))
def test_an_id_that_was_given_out_names_its_row(key: int, kind: str) -> None:
    assert key_of(kind, global_id(kind, key)) == key
