"""How is a method made a field of the API? As the library does it, with its type kept.

The schema's description is the sentence that is given and the method's own docstring, so that a
shop's developer reads both.
"""

import inspect
import re
from collections.abc import Callable
from typing import Any, TypeVar, cast

import strawberry

from api.refusals import camel_case

F = TypeVar("F", bound=Callable[..., Any])


def field(description: str) -> Callable[[F], F]:
    """A question, or a field that has to be fetched."""
    return _described(strawberry.field, description)


def mutation(description: str) -> Callable[[F], F]:
    """An action."""
    return _described(strawberry.mutation, description)


def subscription(description: str) -> Callable[[F], F]:
    """News, for as long as somebody listens."""
    return _described(strawberry.subscription, description)


def _described(make: Callable[..., Any], description: str) -> Callable[[F], F]:
    def wrap(method: F) -> F:
        more = inspect.cleandoc(method.__doc__ or "")
        whole = f"{description} {_as_in_graphql(more)}".strip()
        return cast(F, make(description=whole)(method))

    return wrap


def _as_in_graphql(text: str) -> str:
    """Names of arguments as the API writes them."""
    return re.sub(r"`[a-z_]+`", lambda found: camel_case(found[0]), text)
