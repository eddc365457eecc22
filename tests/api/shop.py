"""A shop's own program, as far as tests need one: it asks over real HTTP."""

from dataclasses import dataclass
from datetime import date
from typing import Any
from uuid import uuid4

import httpx

from nursery.access import Role

MONDAY = date(2027, 3, 1)
OPTIONS = """
query ($basket: [BasketLineInput!]!, $to: DestinationInput!, $until: Date) {
  shipOptions(basket: $basket, destination: $to, until: $until) { __typename
    ... on ShipOptions { zone firstDay
      options { shipOn packOn arrivesFrom arrivesUntil daysInBox probability service priceCents
        lines { code quantity } chances { day share } }
      closedDays { day reasons { code text service } } }
    ... on Refusal { code message field next } } }"""
PROMISE = """... on Promise { id reference state shipOn firstShipOn arrivesUntil service
    reservedUntil lines { code quantity plugs picked product { name crop { name } } } }
    ... on Refusal { code message field next options { shipOn service } }"""
RESERVE = f"""
mutation ($key: String!, $reference: String!, $basket: [BasketLineInput!]!,
          $to: DestinationInput!, $day: Date!, $service: String!) {{
  reserve(key: $key, reference: $reference, basket: $basket, destination: $to, shipOn: $day,
          service: $service) {{ __typename {PROMISE} }} }}"""


class Shop:
    """A shop's own program, as far as a test needs it."""

    def __init__(self, address: str, secret: str) -> None:
        self.http = httpx.Client(
            base_url=address, headers={"authorization": f"Bearer {secret}"}, timeout=60
        )

    def ask(self, document: str, **variables: Any) -> Any:
        """The one root's value."""
        body = {"query": document, "variables": variables}
        answer = self.http.post("/graphql", json=body).json()
        assert "errors" not in answer, answer
        (value,) = answer["data"].values()
        return value

    def close(self) -> None:
        """Lets go of its connections."""
        self.http.close()

    def reserve(
        self, reference: str, quantity: int = 1, day: str = "2027-03-03", **more: Any
    ) -> Any:
        """A reservation of some marigolds for an address in the own country."""
        wanted = {
            "key": uuid4().hex,
            "reference": reference,
            "basket": [{"code": "CP-6", "quantity": quantity}],
            "to": {"country": "NL", "postcode": "1011AB"},
            "day": day,
            "service": "Van",
        }
        return self.ask(RESERVE, **{**wanted, **more})

    def do(self, action: str, id: str, **more: str) -> Any:
        """confirm, cancel or release."""
        given = "".join(f', {name}: "{value}"' for name, value in more.items())
        key = uuid4().hex
        return self.ask(
            f'mutation {{ {action}(key: "{key}", id: "{id}"{given}) {{ __typename {PROMISE} }} }}'
        )


@dataclass
class Shed:
    """The shop and the packing shed of one nursery."""

    address: str
    secrets: dict[Role, str]
    shop: Shop
    packer: Shop

    def promised(self, reference: str, quantity: int = 1) -> str:
        """The id of a confirmed promise for Wednesday."""
        id: str = self.shop.do("confirm", self.shop.reserve(reference, quantity)["id"])["id"]
        return id
