"""Settings come from the environment; what is not said is careful."""

import pytest

from nursery.errors import Fault
from nursery.settings import Settings, read_settings


def test_an_empty_environment_shows_no_schema_and_moves_no_clock() -> None:
    assert read_settings({}) == Settings()
    assert not Settings().introspection and not Settings().test_clock


def test_every_setting_is_read_from_its_name() -> None:
    found = read_settings(
        {
            "NURSERY_DATABASE": "postgresql://localhost/nursery",
            "NURSERY_INTROSPECTION": "yes",
            "NURSERY_TEST_CLOCK": "1",
            "NURSERY_MAX_BODY_BYTES": "1000",
            "NURSERY_MAX_DEPTH": "5",
            "NURSERY_MAX_ALIASES": "6",
            "NURSERY_MAX_TOKENS": "7",
            "NURSERY_MAX_FIELDS": "8",
            "NURSERY_THREADS": "9",
            "NURSERY_POLL_SECONDS": "0.25",
            "NURSERY_SECURE_COOKIES": "on",
            "NURSERY_ALLOWED_ORIGINS": "https://shop.example https://desk.example",
        }
    )
    assert found == Settings(
        database="postgresql://localhost/nursery",
        introspection=True,
        test_clock=True,
        max_body_bytes=1000,
        max_depth=5,
        max_aliases=6,
        max_tokens=7,
        max_fields=8,
        threads=9,
        poll_seconds=0.25,
        secure_cookies=True,
        allowed_origins=("https://shop.example", "https://desk.example"),
    )


@pytest.mark.parametrize(
    ("name", "value", "rule"),
    [
        ("NURSERY_TEST_CLOCK", "perhaps", "must be yes or no"),
        ("NURSERY_THREADS", "many", "must be a number"),
        ("NURSERY_MAX_DEPTH", "0", "must be above 0"),
    ],
)
def test_a_setting_that_cannot_be_meant_is_named(name: str, value: str, rule: str) -> None:
    with pytest.raises(Fault, match=rule) as told:
        read_settings({name: value})
    assert told.value.thing == name
