"""How is a record of the services written as an API type with the same fields?"""

from dataclasses import fields
from typing import Any, TypeVar

T = TypeVar("T")


def mirror(kind: type[T], record: object, **more: Any) -> T:
    """This record as that type: fields of the same name are taken over, `more` are given."""
    names = (field.name for field in fields(kind) if field.init)  # type: ignore[arg-type]
    taken = {name: getattr(record, name) for name in names if name not in more}
    return kind(**taken, **more)
