"""What does a shop see when it asks the running server on which days its baskets can leave?"""

import json
import urllib.request
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date
from typing import Any

PATH = "/graphql"
_SECONDS = 30

QUERY = """
query ($basket: [BasketLineInput!]!, $destination: DestinationInput!, $until: Date) {
  shipOptions(basket: $basket, destination: $destination, until: $until) {
    __typename
    ... on ShipOptions {
      zone
      options { shipOn arrivesFrom arrivesUntil probability service priceCents }
      closedDays { day reasons { code text service } }
    }
    ... on Refusal { code message next }
  }
}
"""


@dataclass(frozen=True)
class Asked:
    """A basket as a visitor of the shop fills it: products with quantities, and an address."""

    lines: tuple[tuple[str, int], ...]
    country: str
    postcode: str

    def __str__(self) -> str:
        wanted = ", ".join(f"{quantity} x {code}" for code, quantity in self.lines)
        return f"{wanted} to {self.country} {self.postcode}"


def ask(base_url: str, secret: str, basket: Asked, until: date) -> dict[str, Any]:
    """What does the server answer? The GraphQL `shipOptions` member, as it came over the wire.

    Raises `RuntimeError` where the answer has errors instead of data, `OSError` where no answer
    comes.
    """
    variables = {
        "basket": [{"code": code, "quantity": quantity} for code, quantity in basket.lines],
        "destination": {"country": basket.country, "postcode": basket.postcode},
        "until": until.isoformat(),
    }
    request = urllib.request.Request(
        base_url.rstrip("/") + PATH,
        data=json.dumps({"query": QUERY, "variables": variables}).encode(),
        headers={
            "Content-Type": "application/json",
            "Accept": "application/graphql-response+json",
            "Authorization": f"Bearer {secret}",
        },
    )
    with urllib.request.urlopen(request, timeout=_SECONDS) as answer:
        body: dict[str, Any] = json.load(answer)
    if body.get("errors"):
        raise RuntimeError(f"The server refused the demo's question: {body['errors']}")
    found: dict[str, Any] = body["data"]["shipOptions"]
    return found


def as_quote(basket: Asked, found: dict[str, Any]) -> dict[str, Any]:
    """How is the answer told: the best ship day, when it arrives, and the days refused before?"""
    best = next(iter(found.get("options", ())), None)
    last = best["shipOn"] if best else "9999-12-31"
    return {
        "basket": str(basket),
        "zone": found.get("zone"),
        "ship_on": best["shipOn"] if best else None,
        "service": best["service"] if best else None,
        "arrives": best["arrivesUntil"] if best else None,
        "arrives_from": best["arrivesFrom"] if best else None,
        "probability": best["probability"] if best else None,
        "refused": [
            {"day": closed["day"], "reason": _reason(closed["reasons"])}
            for closed in found.get("closedDays", ())
            if closed["day"] < last
        ]
        or _refusal(found),
    }


def _reason(reasons: Iterable[dict[str, str]]) -> str:
    """What closes the day for every service, where there is such a thing; else each its own.

    A full shed is told only where nothing else closes the day: room could be made in it.
    """
    told = list(reasons)
    services: dict[str, set[str]] = {}
    for each in [one for one in told if one["code"] != "packing_full"] or told:
        services.setdefault(each["text"], set()).add(each["service"])
    named = set().union(*services.values()) - {""}
    for_all = [
        text for text, of in services.items() if of == {""} or (of == named and len(named) > 1)
    ]
    if for_all:
        return "; ".join(for_all)
    return "; ".join(f"{text} ({', '.join(sorted(of))})" for text, of in services.items())


def _refusal(found: dict[str, Any]) -> list[dict[str, str | None]]:
    return [{"day": None, "reason": found["message"]}] if "message" in found else []
