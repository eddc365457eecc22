"""Which plants of a parcel are not as ordered, and in which words is its customer told?"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from sqlmodel import Session, col, select

from nursery.order import Product, Promise, PromiseLine
from nursery.promising.basket import Item

PLANTS = "plants"
"""Under this name an event says what a parcel holds, where any of it is or was not as ordered."""


@dataclass(frozen=True, slots=True, order=True)
class Sent:
    """A line that is not as ordered: products by id, and whether it is sold as bought in."""

    ordered: int
    sent: int
    bought_in: bool


Sends = tuple[Sent, ...]
"""The lines of a parcel that are not as ordered, by ordered product. Empty: all are."""


def sends_of(items: Iterable[Item]) -> Sends:
    """Which of these items are not as ordered?"""
    return tuple(
        sorted(
            Sent(item.instead_of or item.product_id, item.product_id, item.bought_in)
            for item in items
            if item.bought_in or item.instead_of is not None
        )
    )


def sends_in(lines: Iterable[PromiseLine]) -> Sends:
    """Which of these lines of a promise are not as ordered?"""
    return tuple(
        sorted(
            Sent(line.instead_of_id or line.product_id, line.product_id, line.bought_in)
            for line in lines
            if line.bought_in or line.instead_of_id is not None
        )
    )


class Words:
    """How is it told what goes instead of what? By the names of these products (ids)."""

    def __init__(self, session: Session, products: Iterable[int]) -> None:
        rows = session.exec(select(Product).where(col(Product.id).in_(sorted(set(products)))))
        self._of = {row.id: (row.code, row.name) for row in rows}

    def code(self, product: int) -> str:
        """The shop's own code of a product."""
        return self._of[product][0]

    def change(self, before: Sends, after: Sends) -> str:
        """What is other than it was, in sentences for the customer? "" where nothing is."""
        had = {one.ordered: one for one in before}
        gets = {one.ordered: one for one in after}
        said = [
            self._sentence(ordered, had.get(ordered), gets.get(ordered))
            for ordered in sorted(had.keys() | gets.keys())
            if had.get(ordered) != gets.get(ordered)
        ]
        return " ".join(said)

    def _sentence(self, ordered: int, had: Sent | None, gets: Sent | None) -> str:
        name = self._of[ordered][1]
        if gets is not None and gets.sent != ordered:
            return f"'{self._of[gets.sent][1]}' instead of '{name}', as you agreed."
        if gets is not None:
            return f"'{name}' that we bought in instead of our own, as you agreed."
        if had is not None and had.sent != ordered:
            return f"'{name}' as you ordered, instead of '{self._of[had.sent][1]}'."
        return f"'{name}' that we raised ourselves, instead of bought in."


def plants_of_items(session: Session, items: Iterable[Item]) -> list[dict[str, object]]:
    """What does a parcel hold? As JSON: code, quantity, and of what stands in, for what and why."""
    lines = [(i.product_id, i.quantity, i.bought_in, i.instead_of) for i in items]
    return _plants(session, lines)


def told_plants(session: Session, promise: Promise) -> dict[str, object]:
    """What is told of a promise's plants beside its days? Nothing where all are as ordered."""
    return {PLANTS: plants_in(session, promise)} if sends_in(promise.lines) else {}


def plants_in(session: Session, promise: Promise) -> list[dict[str, object]]:
    """What does a promise hold? As `plants_of_items`."""
    lines = [(i.product_id, i.quantity, i.bought_in, i.instead_of_id) for i in promise.lines]
    return _plants(session, lines)


def _plants(
    session: Session, lines: Iterable[tuple[int, int, bool, int | None]]
) -> list[dict[str, object]]:
    listed = sorted(lines, key=lambda line: line[0])
    products = {key for line in listed for key in (line[0], line[3]) if key is not None}
    words = Words(session, products)
    return [
        {
            "code": words.code(product),
            "quantity": quantity,
            "bought_in": bought_in,
            "instead_of": None if ordered is None else words.code(ordered),
            "said": words.change((), (Sent(ordered or product, product, bought_in),))
            if bought_in or ordered is not None
            else "",
        }
        for product, quantity, bought_in, ordered in listed
    ]
