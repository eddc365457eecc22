"""Can every text of this request be kept and found again? Asked once, before anything is done.

PostgreSQL keeps no text with a NUL character, SQLite does; half of a surrogate pair is no character
at all, and neither keeps it. Both are refused in the same words wherever they stand: in a literal
of the document, or anywhere in its variables.
"""

from collections.abc import Iterator
from typing import Any

from graphql import GraphQLError, StringValueNode, ValidationRule
from strawberry.extensions import SchemaExtension


class TextRule(ValidationRule):
    """Literals of a document hold text that can be kept."""

    def enter_string_value(self, node: StringValueNode, *_: Any) -> None:
        """Visits each literal."""
        wrong = what_is_wrong(node.value)
        if wrong is not None:
            self.report_error(GraphQLError(wrong, node, extensions=_CODE))


class TextsInVariables(SchemaExtension):
    """Variables of a request hold text that can be kept."""

    def on_validate(self) -> Iterator[None]:
        """Runs before the document is carried out."""
        context = self.execution_context
        wrong = next(_wrong(context.variables), None)
        if wrong is not None:
            error = GraphQLError(wrong, extensions=_CODE)
            context.pre_execution_errors = [*(context.pre_execution_errors or ()), error]
        yield


_CODE = {"code": "BAD_TEXT"}


def what_is_wrong(text: str) -> str | None:
    """Which character of this text cannot be kept? None where all can."""
    if "\0" in text:
        return "A text must not hold the character U+0000; leave it out."
    if not text.isascii():
        for letter in text:
            if "\ud800" <= letter <= "\udfff":
                return f"A text must not hold half of a surrogate pair (U+{ord(letter):04X})."
    return None


def _wrong(value: object) -> Iterator[str]:
    if isinstance(value, str):
        found = what_is_wrong(value)
        if found is not None:
            yield found
    elif isinstance(value, dict):
        for name, each in value.items():
            yield from _wrong(name)
            yield from _wrong(each)
    elif isinstance(value, list):
        for each in value:
            yield from _wrong(each)
