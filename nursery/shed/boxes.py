"""Which box does a parcel go into, and what goes into which where it takes several?

Boxes and the room that products take are rows of the workbook (Boxes; Products: Box units, Weight).
No packed box is heavier than the site's limit; local rules on lifting rule.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from sqlmodel import Session, col, select

from nursery.database import site
from nursery.order import Product
from nursery.travelling import ParcelBox
from solver.boxing import Box, Item, Plan, Problem, solve, weight
from solver.run import Limits

_AT_ONCE = Limits(seconds=0.25, threads=1)
"""For the parcel that needs several boxes: a sheet has many."""


@dataclass(frozen=True, slots=True)
class PackedBox:
    """A box, its weight when packed (g), and how many of which product (code) go into it.

    `vapour_share` of what a wrap would lose in the open gets out of it.
    """

    name: str
    weight_g: int
    holds: tuple[tuple[str, int], ...]
    vapour_share: float = 1.0
    cost_cents: int = 0


class Boxes:
    """The nursery's boxes; parcels that hold the same take the same ones."""

    def __init__(self, session: Session) -> None:
        self._lift = site(session).lift_g
        self._rows = session.exec(select(ParcelBox).order_by(col(ParcelBox.name))).all()
        self._known: dict[tuple[object, ...], tuple[PackedBox, ...]] = {}

    @property
    def shares(self) -> list[float]:
        """Which shares of the vapour do the kinds of boxes let out? The most open first."""
        return sorted({row.vapour_share for row in self._rows}, reverse=True)

    def of(
        self, wanted: Sequence[tuple[Product, int]], packs_g: int = 0, most_open: float = 1.0
    ) -> tuple[PackedBox, ...]:
        """The boxes of so many of these products, the fewest and cheapest; none without boxes.

        In each go heat or cold packs of `packs_g` grams; none lets out more than `most_open` of
        the vapour. None either where a product fits into no box: somebody has to see to that.
        """
        sorts = tuple(sorted((product.code, many) for product, many in wanted))
        key = (sorts, packs_g, most_open)
        if key not in self._known:
            self._known[key] = self._packed(wanted, packs_g, most_open)
        return self._known[key]

    def _packed(
        self, wanted: Sequence[tuple[Product, int]], packs_g: int, most_open: float
    ) -> tuple[PackedBox, ...]:
        rows = {row.name: row for row in self._rows if row.vapour_share <= most_open + 1e-9}
        boxes = tuple(
            Box(row.name, row.room, row.weight_g + packs_g, row.cost_cents) for row in rows.values()
        )
        many: dict[str, int] = {}
        of_code: Mapping[str, Product] = {product.code: product for product, _ in wanted}
        for product, quantity in wanted:
            many[product.code] = many.get(product.code, 0) + quantity
        items = tuple(
            Item(code, quantity, room_of(of_code[code]), of_code[code].weight_g)
            for code, quantity in sorted(many.items())
        )
        try:
            problem = Problem(items, boxes, lift=self._lift)
        except ValueError:
            return ()
        return _told(problem, rows, solve(problem, _AT_ONCE).found()) if boxes else ()


def room_of(product: Product) -> int:
    """How many units of a box's room does one of this product take?"""
    return product.box_units or product.plugs


def _told(problem: Problem, rows: Mapping[str, ParcelBox], plan: Plan) -> tuple[PackedBox, ...]:
    return tuple(
        PackedBox(
            box.box,
            weight(problem, box),
            box.holds,
            rows[box.box].vapour_share,
            rows[box.box].cost_cents,
        )
        for box in plan.boxes
    )
