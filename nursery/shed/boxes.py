"""Which box does a parcel go into, and what goes into which where it takes several?

Boxes and the room that products take are rows of the workbook (Boxes; Products: Box units, Weight),
and so is what the carrier asks for each box (Postage: bands by weight for a service and zone;
without them the price in Services, box by box). No packed box is heavier than the site's limit;
local rules on lifting rule.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Protocol

from sqlmodel import Session, col, select

from nursery.carrier import CarrierService, PostageBand
from nursery.database import site
from nursery.promising.facts import Facts, facts_of
from nursery.travelling import ParcelBox
from solver.boxing import Band, Box, Item, Plan, Problem, least_cost, solve, weight
from solver.run import Limits

_MOST_KEPT = 8_192
"""Baskets whose boxes are kept by a process."""
_AT_ONCE = Limits(seconds=0.25, threads=1)
"""For the parcel that needs several boxes: a sheet has many."""


@dataclass(frozen=True, slots=True)
class PackedBox:
    """A box, its weight when packed (g), and how many of which product (code) go into it.

    `vapour_share` of what a wrap would lose in the open gets out of it. The carrier asks
    `postage_cents` for it, as for any of up to `up_to_g` (0: no bands are known).
    """

    name: str
    weight_g: int
    holds: tuple[tuple[str, int], ...]
    vapour_share: float = 1.0
    cost_cents: int = 0
    postage_cents: int = 0
    up_to_g: int = 0


class Boxed(Protocol):
    """One of a product, as a box takes it; a row of Products is one."""

    @property
    def code(self) -> str: ...
    @property
    def plugs(self) -> int: ...
    @property
    def box_units(self) -> int: ...
    @property
    def weight_g(self) -> int: ...


Way = tuple[int, int]
"""A carrier service and a zone, by their ids."""


class Boxes:
    """The nursery's boxes; parcels that hold the same take the same ones.

    Read at one moment; it may be kept for as long as boxes, prices, products and site stand.
    """

    def __init__(self, session: Session) -> None:
        self._lift = site(session).lift_g
        rows = session.exec(select(ParcelBox).order_by(col(ParcelBox.name))).all()
        self._rows = [ParcelBox(**row.model_dump()) for row in rows]  # of no session
        self._prices: dict[int | None, int] = dict(
            session.exec(select(CarrierService.id, CarrierService.price_cents)).all()
        )
        self._bands: dict[Way, tuple[Band, ...]] = {}
        for band in session.exec(select(PostageBand).order_by(col(PostageBand.up_to_g))):
            way = (band.service_id, band.zone_id)
            mine = self._bands.get(way, ())
            self._bands[way] = (*mine, Band(band.up_to_g, band.price_cents))
        self._known: dict[tuple[object, ...], tuple[PackedBox, ...]] = {}

    @property
    def shares(self) -> list[float]:
        """Which shares of the vapour do the kinds of boxes let out? The most open first."""
        return sorted({row.vapour_share for row in self._rows}, reverse=True)

    def of(
        self,
        wanted: Sequence[tuple[Boxed, int]],
        packs_g: int = 0,
        most_open: float = 1.0,
        way: Way | None = None,
    ) -> tuple[PackedBox, ...]:
        """The cheapest boxes of so many of these products, postage reckoned; none without boxes.

        In each go heat or cold packs of `packs_g` grams; none lets out more than `most_open` of
        the vapour. `way` is how they go: the postage of no way is 0. None either where a product
        fits into no box, or is heavier than the last band: somebody has to see to that.
        """
        sorts = tuple(sorted((one.code, many, one.weight_g) for one, many in wanted))
        bands = self._postage(way)
        key = (sorts, packs_g, most_open, bands)
        found = self._known.get(key)
        if found is None:
            if len(self._known) >= _MOST_KEPT:
                self._known.clear()
            found = self._known[key] = self._packed(wanted, packs_g, most_open, bands)
        return found

    def by_weight(self, way: Way) -> bool:
        """Does the carrier's price go by weight there?"""
        return way in self._bands

    def least(
        self,
        wanted: Sequence[tuple[Boxed, int]],
        packs_g: int = 0,
        most_open: float = 1.0,
        way: Way | None = None,
    ) -> int:
        """What do boxes and postage cost at the least, without looking for the boxes? As `of`."""
        found = self._problem(wanted, packs_g, most_open, self._postage(way))
        return least_cost(found) if found is not None else 0

    def largest(self) -> str:
        """Which box has the most room? "" without boxes."""
        rows = sorted(self._rows, key=lambda row: (row.room, row.name))
        return rows[-1].name if rows else ""

    def _postage(self, way: Way | None) -> tuple[Band, ...]:
        if way is None:
            return ()
        price = self._prices.get(way[0], 0)
        flat = (Band(self._lift, price),) if price else ()
        return self._bands.get(way, flat)

    def _packed(
        self,
        wanted: Sequence[tuple[Boxed, int]],
        packs_g: int,
        most_open: float,
        bands: tuple[Band, ...],
    ) -> tuple[PackedBox, ...]:
        problem = self._problem(wanted, packs_g, most_open, bands)
        if problem is None:
            return ()
        rows = {row.name: row for row in self._rows}
        return _told(problem, rows, solve(problem, _AT_ONCE).found())

    def _problem(
        self,
        wanted: Sequence[tuple[Boxed, int]],
        packs_g: int,
        most_open: float,
        bands: tuple[Band, ...],
    ) -> Problem | None:
        """What is to be put into which boxes? None where there are none, or none holds it."""
        boxes = tuple(
            Box(row.name, row.room, row.weight_g + packs_g, row.cost_cents)
            for row in self._rows
            if row.vapour_share <= most_open + 1e-9
        )
        many: dict[str, int] = {}
        of_code: Mapping[str, Boxed] = {product.code: product for product, _ in wanted}
        for product, quantity in wanted:
            many[product.code] = many.get(product.code, 0) + quantity
        items = tuple(
            Item(code, quantity, room_of(of_code[code]), of_code[code].weight_g)
            for code, quantity in sorted(many.items())
        )
        try:
            return Problem(items, boxes, bands, lift=self._lift) if boxes else None
        except ValueError:
            return None


def known_boxes(session: Session) -> Boxes:
    """The nursery's boxes as they are now; what was looked for before is kept with the facts."""
    _, facts = facts_of(session)
    return boxes_by(session, facts)


def boxes_by(session: Session, facts: Facts) -> Boxes:
    """The nursery's boxes, by these facts."""
    return facts.part("boxes", lambda: Boxes(session))


def room_of(product: Boxed) -> int:
    """How many units of a box's room does one of this product take?"""
    return product.box_units or product.plugs


def _told(problem: Problem, rows: Mapping[str, ParcelBox], plan: Plan) -> tuple[PackedBox, ...]:
    found = []
    for box in plan.boxes:
        weighs, row = weight(problem, box), rows[box.box]
        holding = [band for band in problem.bands if weighs <= band.up_to]
        band = min(holding, key=lambda one: (one.price, one.up_to), default=Band(0, 0))
        up_to = 0 if len(problem.bands) < 2 else band.up_to
        found.append(
            PackedBox(
                box.box, weighs, box.holds, row.vapour_share, row.cost_cents, band.price, up_to
            )
        )
    return tuple(found)
