"""How is a method made a field of the API? As the library does it, with its type kept."""

from collections.abc import Callable
from typing import Any, TypeVar, cast

import strawberry

F = TypeVar("F", bound=Callable[..., Any])


def field(description: str) -> Callable[[F], F]:
    """A question, or a field that has to be fetched."""
    return cast(Callable[[F], F], strawberry.field(description=description))


def mutation(description: str) -> Callable[[F], F]:
    """An action."""
    return cast(Callable[[F], F], strawberry.mutation(description=description))


def subscription(description: str) -> Callable[[F], F]:
    """News, for as long as somebody listens."""
    return cast(Callable[[F], F], strawberry.subscription(description=description))
