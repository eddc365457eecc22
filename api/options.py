"""What a shop is offered: ship days that can be had, and why the others cannot."""

from datetime import date
from typing import cast

import strawberry

from api.kept import kept
from nursery.promising import quote as quotes
from nursery.promising.basket import Basket, BasketLine, Destination, Window


@strawberry.input(description="So many of a product, by the shop's own code.")
class BasketLineInput:
    """A line of a basket. Lines that are no plants are passed over."""

    code: str
    quantity: int
    is_plant: bool = True


@strawberry.input(description="Where it goes: ISO 3166-1 country (two letters) and postcode.")
class DestinationInput:
    """An address, as far as the nursery needs it."""

    country: str
    postcode: str

    def read(self) -> Destination:
        """The same for the services."""
        return Destination(self.country, self.postcode)


@strawberry.input(description="Between which days, both included, it must arrive.")
class WindowInput:
    """A chosen week or a gift date; an end that is left out is open."""

    not_before: date | None = None
    not_after: date | None = None


@kept
@strawberry.type(description="What leaves on a ship day.")
class OptionLine:
    """So many of a product."""

    code: str
    quantity: int


@kept
@strawberry.type(description="The share of parcels that arrive on a day.")
class ArrivalChance:
    """Shares of all days sum to 1."""

    day: date
    share: float


@kept
@strawberry.type(description="A ship day that can be had now, and what is promised with it.")
class ShipOption:
    """It arrives from `arrives_from` to `arrives_until`; `probability` that this is kept.

    `packs` are the heat or cold packs without which the day were held; the price has them, and the
    postage of the boxes that the basket takes, where the carrier's goes by weight. `notes` say by
    product what is other than ordered: bought in, another cultivar or plant.
    """

    ship_on: date
    pack_on: date
    arrives_from: date
    arrives_until: date
    days_in_box: int
    probability: float
    service: str
    price_cents: int
    lines: list[OptionLine]
    chances: list[ArrivalChance]
    packs: list[str] = strawberry.field(default_factory=list)
    notes: list[str] = strawberry.field(default_factory=list)


@strawberry.type(description="Why nothing can leave on a day.")
class ClosedReason:
    """`code` is stable for programs; `service` is empty where it holds for every service."""

    code: str
    text: str
    service: str


@strawberry.type(description="A day on which the whole basket cannot leave, with every reason.")
class ClosedDay:
    """Each rule that says no gives its reason."""

    day: date
    reasons: list[ClosedReason]


@strawberry.type(description="What can be promised now. Nothing is kept by asking.")
class ShipOptions:
    """Whole-basket options, best first, and what else the customer could have.

    `parts` only where the customer may be sent parts; `surer` fails at most half as often as the
    best; `fewer` (plugs), `substituted` (other plants) and `bought_in`, these two for customers
    alone who agreed to them, arrive sooner than the best.
    """

    zone: str
    holiday_region: str
    first_day: date
    last_day: date
    options: list[ShipOption]
    parts: list[ShipOption]
    surer: ShipOption | None
    fewer: ShipOption | None
    substituted: ShipOption | None
    cautions: list[str]
    closed_days: list[ClosedDay]
    bought_in: ShipOption | None = None


def basket_of(lines: list[BasketLineInput]) -> Basket:
    """The basket that these lines make."""
    return Basket(tuple(BasketLine(line.code, line.quantity, line.is_plant) for line in lines))


def window_of(window: WindowInput | None) -> Window:
    """The days between which it must arrive; open where nothing is said."""
    return Window(window.not_before, window.not_after) if window else Window()


def option(found: quotes.ShipOption) -> ShipOption:
    """The API's form of an option."""
    return ShipOption(
        ship_on=found.ship_on,
        pack_on=found.pack_on,
        arrives_from=found.arrives_from,
        arrives_until=found.arrives_until,
        days_in_box=found.days_in_box,
        probability=found.probability,
        service=found.service,
        price_cents=found.price_cents,
        lines=[OptionLine(code=line.code, quantity=line.quantity) for line in found.lines],
        chances=[ArrivalChance(day=day, share=share) for day, share in found.chances],
        packs=list(found.packs),
        notes=list(found.notes),
    )


def ship_options(found: quotes.Quote) -> ShipOptions:
    """The API's form of a quote.

    Options and closed days are handed on as the services made them: their fields have the names of
    the API's types, and a large answer would be copied for nothing.
    """
    return ShipOptions(
        zone=found.zone,
        holiday_region=found.holiday_region,
        first_day=found.first_day,
        last_day=found.last_day,
        options=cast(list[ShipOption], found.options),
        parts=cast(list[ShipOption], found.parts),
        surer=cast(ShipOption | None, found.surer),
        fewer=cast(ShipOption | None, found.fewer),
        substituted=cast(ShipOption | None, found.substituted),
        bought_in=cast(ShipOption | None, found.bought_in),
        cautions=list(found.cautions),
        closed_days=cast(list[ClosedDay], found.closed_days),
    )
