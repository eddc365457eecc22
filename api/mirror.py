"""How is a record of the services written as an API type with the same fields?"""

from collections.abc import Callable
from dataclasses import MISSING, fields
from typing import Any, TypeVar, get_type_hints

import strawberry

from api.kept import kept

T = TypeVar("T")
C = TypeVar("C", bound=type)


def mirror(kind: type[T], record: object, **more: Any) -> T:
    """This record as that type: fields of the same name are taken over, `more` are given."""
    names = (field.name for field in fields(kind) if field.init)  # type: ignore[arg-type]
    taken = {name: getattr(record, name) for name in names if name not in more}
    return kind(**taken, **more)


def mirrors(record: type, description: str, **other: Any) -> Callable[[C], C]:
    """Makes a class an API type with the record's fields, so that none is told twice.

    `other` gives fields another type than the record's (ids, lists of API types), or none: None
    leaves the field out. Values may be kept as answers.
    """

    def made(cls: C) -> C:
        hints = {**get_type_hints(record), **other}
        listed = [each for each in fields(record) if hints[each.name] is not None]
        cls.__annotations__ = {each.name: hints[each.name] for each in listed}
        for each in listed:
            if each.default is not MISSING and each.name not in other:
                setattr(cls, each.name, each.default)
        return kept(strawberry.type(cls, description=description))

    return made
