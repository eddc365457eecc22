"""What is answered instead of a result? A `Refusal`: a typed member of every answer's union."""

import re
from collections.abc import Mapping
from datetime import date
from enum import StrEnum
from typing import Any

import strawberry

from api.kept import kept
from api.options import ShipOption, option
from nursery import errors
from nursery.promising import quote as quotes
from nursery.promising.basket import BasketLine
from nursery.promising.quote import OtherOptions


class Code(StrEnum):
    """The API's own codes; services add theirs."""

    UNAUTHENTICATED = "UNAUTHENTICATED"
    FORBIDDEN = "FORBIDDEN"
    NOT_FOUND = "NOT_FOUND"
    INVALID = "INVALID"
    OFF = "OFF"
    TOO_MANY = "TOO_MANY"


@kept
@strawberry.type(description="Why something cannot be done, and what may be done instead.")
class Refusal:
    """Why not? `code` is stable for programs, `field` names the input at fault (dotted).

    `options` are ship days that can be had instead, where there are any.
    """

    code: str
    message: str
    field: str | None = None
    next: str | None = None
    options: list[ShipOption] = strawberry.field(default_factory=list)


def written(refusal: errors.Refusal) -> Refusal:
    """How does the API write a service's refusal? Codes in capitals, fields in camel case."""
    others = refusal.options if isinstance(refusal, OtherOptions) else ()
    return Refusal(
        code=re.sub(r"[^A-Z0-9]+", "_", refusal.code.upper()),
        message=refusal.message,
        field=None if refusal.field is None else camel_case(refusal.field),
        next=refusal.next,
        options=[option(each) for each in others],
    )


def of_fault(fault: errors.Fault) -> Refusal:
    """How does the API write a fault in what was handed in?"""
    return Refusal(code=Code.INVALID, message=fault.said, next=fault.next)


def refuse(code: Code, message: str, field: str | None = None, next: str | None = None) -> Refusal:
    """A refusal of the API itself."""
    return Refusal(code=code.value, message=message, field=field, next=next)


def camel_case(name: str) -> str:
    """How is this input's name written in GraphQL? `ship_on` is `shipOn`; dots stay."""
    return re.sub(r"_([a-z])", lambda found: found[1].upper(), name)


def kept_refusal(found: Mapping[str, Any]) -> Refusal:
    """The API's form of a refusal that was kept under an idempotency key."""
    others = tuple(_kept_option(each) for each in found.get("options") or ())
    return written(
        OtherOptions(
            code=found["code"],
            message=found["message"],
            field=found.get("field"),
            next=found.get("next"),
            options=others,
        )
    )


def _kept_option(found: Mapping[str, Any]) -> quotes.ShipOption:
    return quotes.ShipOption(
        ship_on=date.fromisoformat(found["ship_on"]),
        pack_on=date.fromisoformat(found["pack_on"]),
        arrives_from=date.fromisoformat(found["arrives_from"]),
        arrives_until=date.fromisoformat(found["arrives_until"]),
        chances=tuple((date.fromisoformat(day), share) for day, share in found["chances"]),
        days_in_box=found["days_in_box"],
        probability=found["probability"],
        service=found["service"],
        price_cents=found["price_cents"],
        lines=tuple(BasketLine(**line) for line in found["lines"]),
        packs=tuple(found.get("packs") or ()),
    )
