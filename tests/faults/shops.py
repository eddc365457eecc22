"""Shops' programs that never stop asking, and remember every word they were given."""

from __future__ import annotations

import base64
import http.client
import itertools
import json
import random
import threading
import time
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any
from uuid import uuid4

_GIVEN = "{ __typename ... on Promise { id state } ... on Refusal { code message } }"
_RESERVE = (
    "mutation ($key: String!, $reference: String!, $basket: [BasketLineInput!]!,"
    " $to: DestinationInput!, $day: Date!) { reserve(key: $key, reference: $reference,"
    f' basket: $basket, destination: $to, shipOn: $day, service: "Van") {_GIVEN} }}'
)
_ASK_AGAIN = frozenset({"BUSY", "CLOSING"})
_BASKETS = ({"CP-6": 1}, {"CP-6": 2}, {"PRG-6": 1}, {"CP-6": 1, "PRG-6": 1})
_OFTEN = (8, 6, 3, 3)
_ELSEWHERE = 0.1
"""The share of its requests before which a shop turns to the other server."""


@dataclass
class Told:
    """What a shop was told, and must find again: promise id to (reference, quantities, state)."""

    promises: dict[int, tuple[str, dict[str, int], str]] = field(default_factory=dict)
    answers: int = 0
    by_kind: Counter[tuple[str, str]] = field(default_factory=Counter)
    """(action, "granted" or the refusal's code) to how often."""
    sent_again: int = 0
    troubles: Counter[str] = field(default_factory=Counter)
    """What a server said where it could not do it now (the first sentence), to how often."""
    other_answer: list[str] = field(default_factory=list)


class Shop(threading.Thread):
    """One client: reserves, confirms most, cancels some, asks again until it has an answer."""

    def __init__(self, number: int, ports: Sequence[int], secret: str, days: Sequence[str]) -> None:
        super().__init__(name=f"shop-{number}")
        self._random, self._secret, self._days = random.Random(number), secret, days
        self._ports = itertools.cycle(
            [*ports[number % len(ports) :], *ports[: number % len(ports)]]
        )
        self._links: dict[int, http.client.HTTPConnection] = {}
        self._port = next(self._ports)
        self._number, self._count = number, 0
        self._live: list[str] = []
        self.asking: tuple[str, int] | None = None
        """The request that it waits for an answer to: its action, and the port that it went to."""
        self.stopping, self.giving_up = threading.Event(), threading.Event()
        self.told = Told()
        self.wrong: Exception | None = None

    def run(self) -> None:
        """Until told to stop; the request at hand is brought to its end."""
        try:
            while not self.stopping.is_set():
                self._one_customer()
        except Exception as wrong:
            self.wrong = wrong
        finally:
            for link in self._links.values():
                link.close()

    def _one_customer(self) -> None:
        self._count += 1
        (basket,) = self._random.choices(_BASKETS, _OFTEN)
        reference = f"S{self._number}-{self._count}-{uuid4().hex[:6]}"
        given = self._ask(
            "reserve",
            _RESERVE,
            reference=reference,
            basket=[{"code": code, "quantity": many} for code, many in basket.items()],
            to={"country": "NL", "postcode": "1011AB"},
            day=self._random.choice(self._days),
        )
        if given is None or given["__typename"] != "Promise":
            if self._live:  # sold out, it seems: somebody changes his mind
                self._change("cancel", self._live.pop(0))
            return
        self._heard(given, reference, basket)
        what = self._random.random()
        if what < 0.75:
            self._change("confirm", given["id"])
            self._live.append(given["id"])
        elif what < 0.97:
            self._change("cancel", given["id"])
        if len(self._live) > 25:
            self._change("cancel", self._live.pop(0))

    def _change(self, action: str, promise: str) -> None:
        document = f"mutation ($key: String!, $id: ID!) {{ {action}(key: $key, id: $id) {_GIVEN} }}"
        given = self._ask(action, document, id=promise)
        if given is not None and given["__typename"] == "Promise":
            reference, basket, _ = self.told.promises[_number(promise)]
            self._heard(given, reference, basket)

    def _heard(self, given: Any, reference: str, basket: dict[str, int]) -> None:
        self.told.promises[_number(given["id"])] = (reference, basket, given["state"].lower())

    def _ask(self, action: str, document: str, **variables: Any) -> Any:
        """The answer, however often it takes; None where the shop was told to give up."""
        body = {"query": document, "variables": {"key": uuid4().hex, **variables}}
        if self._random.random() < _ELSEWHERE:
            self._port = next(self._ports)
        given = self._insist(action, body)
        if given is None:
            return None
        self.told.answers += 1
        granted = given["__typename"] == "Promise"
        self.told.by_kind[action, "granted" if granted else str(given.get("code"))] += 1
        if self._random.random() < 0.05:
            again = self._insist(action, body)
            self.told.sent_again += 1
            if again is not None and again != given:
                self.told.other_answer.append(f"{given} / {again}")
        return given

    def _insist(self, action: str, body: dict[str, Any]) -> Any:
        while not self.giving_up.is_set():
            try:
                answer = self._post(action, body)
            except (OSError, http.client.HTTPException, ValueError):
                self._drop()
                time.sleep(0.01)
                continue
            if "errors" in answer:
                self.told.troubles[answer["errors"][0]["message"].partition(".")[0]] += 1
                time.sleep(0.02)
                continue
            (given,) = answer["data"].values()
            if given.get("code") not in _ASK_AGAIN:
                return given
        return None

    def _post(self, action: str, body: dict[str, Any]) -> Any:
        link = self._links.get(self._port)
        if link is None:
            link = http.client.HTTPConnection("127.0.0.1", self._port, timeout=30)
            self._links[self._port] = link
        head = {"content-type": "application/json", "authorization": f"Bearer {self._secret}"}
        try:
            link.request("POST", "/graphql", json.dumps(body), head)
            self.asking = (action, self._port)
            return json.loads(link.getresponse().read())
        finally:
            self.asking = None

    def _drop(self) -> None:
        link = self._links.pop(self._port, None)
        if link is not None:
            link.close()
        self._port = next(self._ports)


def _number(promise: str) -> int:
    return int(base64.b64decode(promise).decode().partition(":")[2])
