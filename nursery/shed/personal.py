"""How are personal data found and taken out of texts and JSON, and nothing else with them?"""

from __future__ import annotations

import base64
import binascii
import json
import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import Any

_BLANK = frozenset({"postcode", "tracking", "label_reference", "text", "photo"})
"""Under these names an erased promise's data stand, in events and in kept answers."""
_PROMISE = frozenset({"id", "promise_id", "promise"})
_NO_ORDER = frozenset(
    {"postcode", "code", "product", "product_code", "batch", "batch_code", "lots"}
)
"""What stands under these names is no order's reference, though it may look like one."""


def _is_telling(name: str) -> bool:
    """Can this reference be nothing else, wherever it stands? "WEB-1001" cannot, "1075" can."""
    return len(name) >= 4 and any(map(str.isalpha, name)) and any(map(str.isdecimal, name))


def _either(words: Iterable[str]) -> str:
    return "|".join(sorted(map(re.escape, words), key=len, reverse=True))


@dataclass(frozen=True)
class Names:
    """References that are erased, what each is called from then on, and their promises (ids)."""

    called: Mapping[str, str]
    promises: frozenset[int]

    @cached_property
    def _written(self) -> Mapping[str, str]:
        """As plain text and as JSON writes them."""
        found = dict(self.called)
        for name, instead in self.called.items():
            for ascii_only in (True, False):
                found[json.dumps(name, ensure_ascii=ascii_only)[1:-1]] = instead
        return found

    @cached_property
    def _alone(self) -> re.Pattern[str]:
        """A reference that is no part of a longer one ("W-1" is not meant in "W-1-2").

        One that might be a number, a postcode or a word as well ("1075") is meant only where it
        stands behind the word "order", or before a dispatch's "#".
        """
        telling = [name for name in self._written if _is_telling(name)]
        others = [name for name in self._written if not _is_telling(name)]
        parts = [rf"(?<![\w-])(?:{_either(telling)})(?![\w-])"] if telling else []
        if others:
            parts.append(rf"(?<=[Oo]rder )(?:{_either(others)})(?![\w-])")
            parts.append(rf"^(?:{_either(others)})(?=#)")
        return re.compile("|".join(parts) or "(?!)")

    def found_in(self, text: str) -> bool:
        """Does a reference stand in this text?"""
        return text in self._written or self._alone.search(text) is not None

    def within(self, text: str) -> bool:
        """Does a reference stand in it, or in a longer word of it?"""
        return any(word in text for word in self._written)

    def replaced(self, value: Any) -> Any:
        """This text or JSON value with what the references are called now."""
        if isinstance(value, str):
            alone = self._written.get(value)
            return alone or self._alone.sub(lambda found: self._written[found[0]], value)
        if isinstance(value, list):
            return [self.replaced(each) for each in value]
        if isinstance(value, Mapping):
            return {
                self.replaced(key): each if key in _NO_ORDER else self.replaced(each)
                for key, each in value.items()
            }
        return value

    def replaced_in(self, text: str) -> str:
        """The same for a text that may be JSON: numbers in that are no references."""
        if text[:1] in ("{", "["):
            try:
                before = json.loads(text)
            except ValueError:
                return str(self.replaced(text))
            after = self.replaced(before)
            if after == before:
                return text
            return json.dumps(after, ensure_ascii=False, separators=(",", ":"))
        return str(self.replaced(text))

    def blanked(self, value: Mapping[str, Any]) -> dict[str, Any]:
        """What is said of an erased promise, without the personal data in it."""
        return {
            key: ("" if key in _BLANK and isinstance(each, str) else self._blanked(each))
            for key, each in value.items()
        }

    def _blanked(self, value: Any) -> Any:
        if isinstance(value, Mapping):
            return self.blanked(value)
        if isinstance(value, list):
            return [self._blanked(each) for each in value]
        return self.replaced(value)

    def in_answer(self, answer: str) -> str | None:
        """The kept answer without the data of erased promises; None where it has none of them."""
        if not answer:
            return None
        try:
            before = json.loads(answer)
        except ValueError:
            return None
        after = self._of_promises(before)
        return None if after == before else json.dumps(after, separators=(",", ":"))

    def _of_promises(self, value: Any) -> Any:
        if isinstance(value, list):
            return [self._of_promises(each) for each in value]
        if not isinstance(value, Mapping):
            return self.replaced(value)
        if any(self._is_erased(value.get(key)) for key in _PROMISE):
            return self.blanked(value)
        return {
            key: each if key in _NO_ORDER else self._of_promises(each)
            for key, each in value.items()
        }

    def _is_erased(self, key: object) -> bool:
        """Is this one of the promises: by its number, or by the API's opaque id?"""
        if isinstance(key, int) and not isinstance(key, bool):
            return key in self.promises
        if not isinstance(key, str):
            return False
        try:
            kind, _, number = base64.b64decode(key, validate=True).decode().partition(":")
        except (binascii.Error, UnicodeDecodeError):
            return False
        return kind == "Promise" and number.isdecimal() and int(number) in self.promises
