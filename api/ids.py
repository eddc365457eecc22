"""Which row does a global id name, and how does a list go on from a cursor?

Ids are opaque to callers: base64 of the type's name and the row's key.
"""

import strawberry
from strawberry.relay import PageInfo
from strawberry.relay.utils import from_base64, to_base64

from nursery.errors import Refusal, Refused

MOST_ROWS = 100
"""Rows that one page of a list may hold."""
_MOST_KEY = 2**31 - 1
"""The largest key that a row can have, and the largest that PostgreSQL takes as one."""


def global_id(kind: str, key: object) -> strawberry.ID:
    """Under which id does the API know this row?"""
    return strawberry.ID(to_base64(kind, str(key)))


def key_of(kind: str, given: str, field: str = "id") -> int:
    """Which row of this kind does the id name?

    Raises Refused ("UNKNOWN_ID") for an id that this API did not give out for such a row.
    """
    try:
        found, key = from_base64(given)
        if found == kind and is_key(key):
            return int(key)
    except ValueError:
        pass
    raise Refused(
        Refusal(
            "UNKNOWN_ID",
            f"This is not the id of a {kind}: {given!r}",
            field,
            "use an id that the API gave out",
        )
    )


def cursor(key: object) -> str:
    """The cursor after this row: the row's key, not its place, so that lists may grow meanwhile."""
    return to_base64("after", str(key))


def after_key(given: str | None) -> str:
    """Which key did the last page end with? "" at the start.

    Raises Refused ("UNKNOWN_CURSOR") for a cursor that this API did not give out.
    """
    if given is None:
        return ""
    try:
        mark, key = from_base64(given)
        if mark == "after" and "\0" not in key:
            return key
    except ValueError:
        pass
    raise _no_cursor(given)


def after_row(given: str | None) -> int:
    """As `after_key`, where rows are listed by their number; 0 at the start."""
    key = after_key(given)
    if given is not None and not is_key(key):
        raise _no_cursor(given)
    return int(key or 0)


def _no_cursor(given: str) -> Refused:
    return Refused(
        Refusal("UNKNOWN_CURSOR", f"This is no cursor: {given!r}", "after", "use an endCursor")
    )


def is_key(key: str) -> bool:
    """Can this be the key of a row?"""
    return key.isascii() and key.isdigit() and len(key) <= 10 and int(key) <= _MOST_KEY


def page_size(first: int) -> int:
    """How many rows may one page hold? Raises Refused ("BAD_PAGE") outside 1 to 100."""
    if not 1 <= first <= MOST_ROWS:
        raise Refused(
            Refusal(
                "BAD_PAGE",
                f"A page has 1 to {MOST_ROWS} rows, got {first}",
                "first",
                "ask for fewer, then for more by endCursor",
            )
        )
    return first


def page_info(cursors: list[str], more: bool, after: str | None) -> PageInfo:
    """Where does this page begin and end, and is there more?"""
    return PageInfo(
        has_next_page=more,
        has_previous_page=after is not None,
        start_cursor=cursors[0] if cursors else None,
        end_cursor=cursors[-1] if cursors else None,
    )
