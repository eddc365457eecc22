"""What went wrong, in words that the person at the screen can act on."""

from dataclasses import dataclass
from datetime import date


class Fault(ValueError):
    """What is wrong with this value, and what should be done next?

    `thing` names what is at fault ("Bench 'North 2'"), `rule` the rule that it breaks
    ("tray places must be >= 0"), `value` what was found, `next` what to do about it.
    """

    def __init__(self, thing: str, rule: str, value: object, next: str) -> None:
        self.thing = thing
        self.rule = rule
        self.value = value
        self.next = next
        super().__init__(f"{self.said}; {next}")

    @property
    def said(self) -> str:
        """What is wrong, in a sentence without what to do next?

        Days and moments are written as ISO 8601 has them; where nothing is there (None) nothing is
        shown, and an empty text is said to be empty.
        """
        if self.value is None:
            return f"{self.thing}: {self.rule}"
        if isinstance(self.value, str) and not self.value.strip():
            return f"{self.thing}: {self.rule}, and it is empty"
        shown = str(self.value) if isinstance(self.value, date) else repr(self.value)
        return f"{self.thing}: {self.rule}, got {shown}"

    def __reduce__(self) -> tuple[type["Fault"], tuple[str, str, object, str]]:
        return type(self), (self.thing, self.rule, self.value, self.next)


@dataclass(frozen=True)
class Refusal:
    """Why can this not be done, and what may be done instead?

    A refusal is an answer, not an accident: services return it where a person or a shop
    may rightly ask for something that cannot be had. `code` is stable for programs,
    `field` names the input at fault (dotted) or is None.
    """

    code: str
    message: str
    field: str | None = None
    next: str | None = None


class Refused(Exception):
    """Which refusal must undo what this transaction has done so far?

    Raised inside `with sessions.begin()` so that the transaction rolls back; the caller
    catches it outside and hands `refusal` on.
    """

    def __init__(self, refusal: Refusal) -> None:
        super().__init__(refusal.message)
        self.refusal = refusal
