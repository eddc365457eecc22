"""Products, orders, promises and their events (design: 6)."""

from datetime import date, datetime
from enum import StrEnum

import sqlalchemy as sa
from sqlalchemy import JSON, UniqueConstraint
from sqlmodel import Field, Relationship, SQLModel

from nursery.carrier import CarrierService, Zone
from nursery.columns import Kind, UtcDateTime, check, one_of
from nursery.crop import Crop
from nursery.stock import Grade, Pool


class State(StrEnum):
    """A promise's states."""

    RESERVED = "reserved"
    CONFIRMED = "confirmed"
    PICKED = "picked"
    HANDED_OVER = "handed over"
    DELIVERED = "delivered"
    LAPSED = "lapsed"
    CANCELLED = "cancelled"
    NOT_COLLECTED = "not collected"


ERASED = "erased-"
"""What an order whose personal data are erased is called from then on, with its number."""
NOT_AGREED = "its customer does not agree to that now: nothing is picked for it"
"""What is said of a line whose customer took their consent back, until the next dispatch."""
HOLDING = (State.RESERVED, State.CONFIRMED)
"""States whose unpicked plugs are a commitment on the pool (a reservation until it lapses)."""


class EventKind(StrEnum):
    """What happened to a promise."""

    RESERVED = "reserved"
    CONFIRMED = "confirmed"
    AMENDED = "amended"
    RE_DATED = "re-dated"
    SHORT = "short"
    PICKED = "picked"
    PACKED = "packed"
    HANDED_OVER = "handed over"
    NOT_COLLECTED = "not collected"
    DELIVERED = "delivered"
    LAPSED = "lapsed"
    CANCELLED = "cancelled"
    CLAIMED = "claimed"


class Wrap(SQLModel, table=True):
    """What plugs travel in: water held, and how fast it is lost (grams per hour and kPa)."""

    __tablename__ = "wrap"
    __table_args__ = (
        check("wrap", "water", "water_g >= 0 AND minimum_water_g >= 0"),
        check("wrap", "loss", "conductance_g_per_h_kpa >= 0"),
        check("wrap", "money", "cost_cents >= 0 AND minutes >= 0"),
    )
    id: int | None = Field(default=None, primary_key=True)
    name: str = Field(unique=True, min_length=1, max_length=60)
    water_g: float = 120.0
    minimum_water_g: float = 30.0
    conductance_g_per_h_kpa: float = 0.8
    cost_cents: int = 0
    minutes: float = 0.5


class Product(SQLModel, table=True):
    """What the shop sells: n plugs of a crop and grade, with its limits on the way (°C).

    One takes `box_units` of a box's room (0: one a plug) and weighs `weight_g`, wrapped and moist.
    A forecast nearer to a limit than `caution_c` (1 °C, an estimate) is shown with a caution; only
    the limits hold a day. `priority` weighs what is unmet or late of its plugs, beside the crop's.
    """

    __tablename__ = "product"
    __table_args__ = (
        one_of("product", "grade", Grade),
        check("product", "plugs", "plugs >= 1"),
        check("product", "limits", "heat_limit_c > frost_limit_c"),
        check("product", "box", "max_days_in_box >= 1"),
        check("product", "money", "price_cents >= 0 AND minutes >= 0"),
        check("product", "priority", "priority > 0"),
        check("product", "box_units", "box_units >= 0"),
        check("product", "weight_g", "weight_g >= 0"),
        check("product", "caution_c", "caution_c >= 0 AND caution_c <= 10"),
    )
    id: int | None = Field(default=None, primary_key=True)
    code: str = Field(unique=True, min_length=1, max_length=40)
    name: str = Field(min_length=1, max_length=120)
    crop_id: int = Field(foreign_key="crop.id", index=True)
    grade: Grade = Field(default=Grade.A, sa_type=Kind(Grade))
    plugs: int = 1
    wrap_id: int | None = Field(default=None, foreign_key="wrap.id")
    heat_limit_c: float = 28.0
    frost_limit_c: float = -3.0
    caution_c: float = Field(default=1.0, sa_column_kwargs={"server_default": "1.0"})
    max_days_in_box: int = 4
    minutes: float = 1.0
    price_cents: int = 0
    priority: float = 1.0
    box_units: int = Field(default=0, sa_column_kwargs={"server_default": "0"})
    weight_g: int = Field(default=0, sa_column_kwargs={"server_default": "0"})
    crop: Crop = Relationship()
    wrap: Wrap | None = Relationship()


class CustomerOrder(SQLModel, table=True):
    """What a customer wants, and where it goes. Name and address stay with the shop.

    `not_before` and `not_after` bound the *arrival*; both may be open. What its customer agreed to,
    beside plants as ordered and raised here: parts, other plants, plants that were bought in.
    """

    __tablename__ = "customer_order"
    __table_args__ = (
        check("customer_order", "country", "length(country) = 2"),
        check(
            "customer_order",
            "window",
            "not_before IS NULL OR not_after IS NULL OR not_after >= not_before",
        ),
        check("customer_order", "weight", "weight >= 1"),
    )
    id: int | None = Field(default=None, primary_key=True)
    reference: str = Field(unique=True, min_length=1, max_length=60)
    placed_at: datetime = Field(sa_type=UtcDateTime)
    country: str
    postcode: str = Field(max_length=12)
    zone_id: int = Field(foreign_key="zone.id", index=True)
    not_before: date | None = None
    not_after: date | None = None
    may_split: bool = False
    may_substitute: bool = False
    weight: int = 1
    label_reference: str = Field(default="", max_length=60)
    may_be_bought_in: bool = Field(default=False, sa_column_kwargs={"server_default": sa.false()})
    zone: Zone = Relationship()
    lines: list["OrderLine"] = Relationship(back_populates="order")
    promises: list["Promise"] = Relationship(back_populates="order")


class OrderLine(SQLModel, table=True):
    """So many of a product on an order."""

    __tablename__ = "order_line"
    __table_args__ = (
        UniqueConstraint("order_id", "product_id", name="uq_order_line_product"),
        check("order_line", "quantity", "quantity >= 1"),
    )
    id: int | None = Field(default=None, primary_key=True)
    order_id: int = Field(foreign_key="customer_order.id", index=True)
    product_id: int = Field(foreign_key="product.id", index=True)
    quantity: int
    order: CustomerOrder = Relationship(back_populates="lines")
    product: Product = Relationship()


class Promise(SQLModel, table=True):
    """A ship day given for (part of) an order: reserved, then confirmed, then on its way.

    It keeps the first day it was given. `probability` is the stated chance that it is kept.
    """

    __tablename__ = "promise"
    __table_args__ = (
        one_of("promise", "state", State),
        check("promise", "pack", "pack_on <= ship_on"),
        check("promise", "arrival", "arrives_from > ship_on AND arrives_until >= arrives_from"),
        check("promise", "probability", "probability >= 0 AND probability <= 1"),
        check("promise", "reserved", "state <> 'reserved' OR reserved_until IS NOT NULL"),
    )
    id: int | None = Field(default=None, primary_key=True)
    order_id: int = Field(foreign_key="customer_order.id", index=True)
    service_id: int = Field(foreign_key="carrier_service.id")
    state: State = Field(sa_type=Kind(State), index=True)
    ship_on: date = Field(index=True)
    first_ship_on: date
    pack_on: date
    arrives_from: date
    arrives_until: date
    probability: float
    reserved_until: datetime | None = Field(default=None, sa_type=UtcDateTime)
    minutes: int = 0
    tracking: str = Field(default="", max_length=80)
    repack_by: date | None = None
    order: CustomerOrder = Relationship(back_populates="promises")
    service: CarrierService = Relationship()
    lines: list["PromiseLine"] = Relationship(back_populates="promise")


class PromiseLine(SQLModel, table=True):
    """Plugs of a pool committed to a promise; what is picked is no longer committed.

    `bought_in` says that the pool is that of plugs sold as bought in, `instead_of_id` which product
    was ordered, where this one stands in for it: the customer agreed to either (CustomerOrder).
    """

    __tablename__ = "promise_line"
    __table_args__ = (
        UniqueConstraint("promise_id", "product_id", name="uq_promise_line_product"),
        check("promise_line", "plugs", "plugs >= 1"),
        check("promise_line", "picked", "picked >= 0"),
    )
    id: int | None = Field(default=None, primary_key=True)
    promise_id: int = Field(foreign_key="promise.id", index=True)
    product_id: int = Field(foreign_key="product.id")
    pool_id: int = Field(foreign_key="pool.id", index=True)
    quantity: int = 1
    plugs: int
    picked: int = 0
    bought_in: bool = Field(default=False, sa_column_kwargs={"server_default": sa.false()})
    instead_of_id: int | None = Field(default=None, foreign_key="product.id")
    promise: Promise = Relationship(back_populates="lines")
    product: Product = Relationship(
        sa_relationship_kwargs={"foreign_keys": "PromiseLine.product_id"}
    )
    instead_of: Product | None = Relationship(
        sa_relationship_kwargs={"foreign_keys": "PromiseLine.instead_of_id"}
    )
    pool: Pool = Relationship()

    @property
    def notes(self) -> tuple[str, ...]:
        """What is other than the customer might expect: bought in, or another cultivar or plant?"""
        said = line_notes(self.product, self.instead_of, self.bought_in)
        return said if self.is_agreed else (*said, NOT_AGREED)

    @property
    def is_agreed(self) -> bool:
        """Is it as ordered, or otherwise as its customer agrees (still)?"""
        if not self.bought_in and self.instead_of_id is None:
            return True
        order = self.promise.order
        bought_in = order.may_be_bought_in or not self.bought_in
        return bought_in and (order.may_substitute or self.instead_of_id is None)


class Substitute(SQLModel, table=True):
    """Which other product may be sent for a product, if the customer agreed to that?

    One way only; of several the one with the lowest `place` is taken first.
    """

    __tablename__ = "substitute"
    __table_args__ = (
        UniqueConstraint("product_id", "other_id", name="uq_substitute_products"),
        check("substitute", "other", "other_id <> product_id"),
        check("substitute", "place", "place >= 1"),
    )
    id: int | None = Field(default=None, primary_key=True)
    product_id: int = Field(foreign_key="product.id", index=True)
    other_id: int = Field(foreign_key="product.id")
    place: int = 1


def line_notes(product: Product, instead_of: Product | None, bought_in: bool) -> tuple[str, ...]:
    """What is other than the customer might expect of these plants? In words for pages."""
    said = ["bought in"] if bought_in else []
    if instead_of is not None:
        same = instead_of.crop.botanical_name == product.crop.botanical_name
        said.append(f"{'other cultivar' if same else 'other plant'} instead of {instead_of.code}")
    return tuple(said)


class PromiseEvent(SQLModel, table=True):
    """What happened to a promise, in order; the outbox from which the shop is told.

    `told_at`: when it was handed out to the receivers of webhooks (`nursery.telling.outbox`), by
    the database's own clock. Subscriptions read the rows themselves.
    """

    __tablename__ = "promise_event"
    __table_args__ = (one_of("promise_event", "kind", EventKind),)
    id: int | None = Field(default=None, primary_key=True)
    promise_id: int = Field(foreign_key="promise.id", index=True)
    kind: EventKind = Field(sa_type=Kind(EventKind))
    at: datetime = Field(sa_type=UtcDateTime)
    actor: str = Field(default="", max_length=60)
    detail: dict[str, object] = Field(default_factory=dict, sa_type=JSON)
    told_at: datetime | None = Field(default=None, sa_type=UtcDateTime, index=True)
    promise: Promise = Relationship()


class ShipDay(SQLModel, table=True):
    """Packing minutes of a ship day: the row that writers of promises lock, in date order.

    `minutes` None means the site's usual ones, so that a lock alone settles nothing.
    """

    __tablename__ = "ship_day"
    __table_args__ = (check("ship_day", "minutes", "minutes >= 0"),)
    day: date = Field(primary_key=True)
    minutes: int | None = None
    version: int = 0


class PickPrint(SQLModel, table=True):
    """Which print of a day's pick sheet this is: two sheets with one number are one sheet."""

    __tablename__ = "pick_print"
    __table_args__ = (
        UniqueConstraint("ship_day", "number", name="uq_pick_print_number"),
        check("pick_print", "number", "number >= 1"),
    )
    id: int | None = Field(default=None, primary_key=True)
    ship_day: date = Field(index=True)
    number: int
    printed_at: datetime = Field(sa_type=UtcDateTime)
    printed_by: str = Field(min_length=1, max_length=60)
    digest: str = Field(max_length=64)
