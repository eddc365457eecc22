"""In which words is a client told that the database is in trouble? And not that we made a mistake.

A disk that is full, a database that is being started again, a network that is cut: nothing of the
request is wrong, and the same request may be sent again. Whether a change whose answer was lost
was made, its key tells: the same key gets the same answer.
"""

import sqlite3

from graphql import GraphQLError
from sqlalchemy.exc import InterfaceError, OperationalError

_FULL = "53100"
_AWAY = frozenset(
    {
        sqlite3.SQLITE_BUSY,
        sqlite3.SQLITE_CANTOPEN,
        sqlite3.SQLITE_FULL,
        sqlite3.SQLITE_IOERR,
        sqlite3.SQLITE_LOCKED,
        sqlite3.SQLITE_READONLY,
    }
)
_NO_ANSWER = "The nursery's database does not answer as it should"
_NEXT = "Send the same request again in a moment, a change with the same key: nothing is done twice"


def outage(wrong: BaseException | None) -> str | None:
    """What is wrong with the database? None where something else is wrong."""
    if not isinstance(wrong, (OperationalError, InterfaceError)):
        return None
    if not isinstance(wrong.orig, sqlite3.Error):
        is_full = getattr(wrong.orig, "sqlstate", None) == _FULL
    else:
        code = getattr(wrong.orig, "sqlite_errorcode", 0) & 0xFF  # the low byte names the kind
        if code not in _AWAY:
            return None
        is_full = code == sqlite3.SQLITE_FULL
    what = "The disk of the nursery's database is full" if is_full else _NO_ANSWER
    return f"{what}. {_NEXT}."


def told(error: GraphQLError, message: str) -> GraphQLError:
    """The error that is answered instead of this one."""
    extensions = {"code": "UNAVAILABLE"}
    return GraphQLError(message, nodes=error.nodes, path=error.path, extensions=extensions)
