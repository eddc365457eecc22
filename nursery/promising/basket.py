"""What does the customer want, where does it go, and what does that ask of the way there?"""

from __future__ import annotations

import difflib
import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from unicodedata import category

from sqlalchemy import ColumnElement
from sqlalchemy.orm import selectinload
from sqlmodel import Session, col, select

from nursery.carrier import Zone, ZonePrefix
from nursery.database import today
from nursery.errors import Refusal, Refused
from nursery.growing_area import Site
from nursery.order import ERASED, Product
from nursery.promising.borders import is_shut
from nursery.stock import Pool

PLANT_HEALTH = "Plant health law may forbid it or ask for papers; ask the licensed person."


@dataclass(frozen=True, slots=True)
class BasketLine:
    """So many of a product, by the shop's code. Lines that are no plants are passed over."""

    code: str
    quantity: int
    is_plant: bool = True


@dataclass(frozen=True, slots=True)
class Basket:
    """What one customer wants together: all of it leaves, or nothing does."""

    lines: tuple[BasketLine, ...]


MOST_LETTERS, LONGEST_POSTCODE = 60, 12
"""What the rows hold (`nursery.order.CustomerOrder`)."""
MOST_PIECES = 1_000_000
"""No customer wants more of a product at once: a slip of the keyboard."""


@dataclass(frozen=True, slots=True)
class Destination:
    """Where does it go? A country (ISO 3166-1, two letters) and a postcode."""

    country: str
    postcode: str


@dataclass(frozen=True, slots=True)
class Window:
    """Between which days, both included, must it arrive? None leaves that end open."""

    not_before: date | None = None
    not_after: date | None = None


@dataclass(frozen=True, slots=True)
class Consent:
    """What has the customer agreed to? Nothing, unless said: plants as ordered, raised here, in one
    parcel."""

    may_split: bool = False
    may_substitute: bool = False
    bought_in: bool = False


ANY_DAY = Window()
NO_CONSENT = Consent()


@dataclass(frozen=True, slots=True)
class Limits:
    """What do the most delicate plants of a parcel stand? °C, and days in the box.

    `caution_c` is the band under the heat limit, and over the frost limit, in which a forecast is
    shown with a caution; only the limits themselves hold a day.
    """

    heat_c: float
    frost_c: float
    days_in_box: int
    caution_c: float = 0.0


@dataclass(frozen=True, slots=True)
class Item:
    """One product of a basket, found in the books. `plugs` = quantity x plugs of the product.

    `notes` say what is other than the customer might expect (`order.line_notes`): sold as
    `bought_in`, or sent `instead_of` the product (its id) that was ordered.
    """

    product_id: int
    pool_id: int
    code: str
    quantity: int
    plugs: int
    limits: Limits
    pack_minutes: float
    notes: tuple[str, ...] = ()
    bought_in: bool = False
    instead_of: int | None = None


@dataclass(frozen=True, slots=True)
class Parcel:
    """A basket (or a part of it) as the books see it: its items, its limits, its minutes."""

    items: tuple[Item, ...]
    minutes: int

    @property
    def limits(self) -> Limits:
        """What do the most delicate plants in it stand?"""
        return strictest([item.limits for item in self.items])

    @property
    def plugs(self) -> Mapping[int, int]:
        """How many plugs of which pool? Several products of one pool are added up."""
        wanted: dict[int, int] = {}
        for item in self.items:
            wanted[item.pool_id] = wanted.get(item.pool_id, 0) + item.plugs
        return wanted

    @property
    def quantities(self) -> Mapping[int, int]:
        """How many of which product?"""
        return {item.product_id: item.quantity for item in self.items}

    @property
    def notes(self) -> tuple[str, ...]:
        """What in it is other than the customer might expect? By the product's code."""
        return tuple(f"{item.code}: {', '.join(item.notes)}" for item in self.items if item.notes)

    @property
    def lines(self) -> tuple[BasketLine, ...]:
        """Which basket would ask for just this parcel?"""
        return tuple(BasketLine(item.code, item.quantity) for item in self.items)


def pack_minutes(site: Site, items: Iterable[Item]) -> int:
    """How many minutes does this parcel take to pack? The site's a parcel, plus each product's
    and its wrap's, whole minutes upwards."""
    return math.ceil(site.parcel_minutes + sum(i.quantity * i.pack_minutes for i in items) - 1e-9)


def parcel_of(site: Site, items: Iterable[Item]) -> Parcel:
    """Which parcel do these items make? In the order of their products."""
    listed = tuple(sorted(items, key=lambda item: item.product_id))
    return Parcel(listed, pack_minutes(site, listed))


def parcel_for(session: Session, site: Site, basket: Basket, field: str = "basket") -> Parcel:
    """Which parcel does this basket ask for? Lines of one product are added up.

    Raises Refused: `unknown_product` (with the nearest codes), `bad_quantity`, `no_plants`.
    """
    wanted: dict[str, int] = {}
    for line in basket.lines:
        if not line.is_plant:
            continue
        if not 1 <= line.quantity <= MOST_PIECES:
            rule = f">= 1, got {line.quantity}" if line.quantity < 1 else f"at most {MOST_PIECES}"
            message = f"{line.code}: quantity must be {rule}"
            said = "ask for one or more" if line.quantity < 1 else "ask for fewer"
            raise Refused(Refusal("bad_quantity", message, f"{field}.lines", said))
        wanted[line.code] = wanted.get(line.code, 0) + line.quantity
    if not wanted:
        message = "No line of the basket is a plant, so nothing has to be promised"
        raise Refused(Refusal("no_plants", message, f"{field}.lines", "add a plant, or do not ask"))
    found = products(session, col(Product.code).in_(wanted))
    missing = sorted(set(wanted) - {product.code for product in found})
    if missing:
        raise Refused(_unknown(session, missing[0], f"{field}.lines"))
    return parcel_of(site, items_of(session, [(p, wanted[p.code]) for p in found]))


def products(session: Session, where: ColumnElement[bool]) -> Sequence[Product]:
    """Which products are these? With their wraps read at once."""
    return session.exec(
        select(Product).where(where).options(selectinload(Product.wrap)).order_by(col(Product.id))  # type: ignore[arg-type]
    ).all()


def items_of(session: Session, wanted: Sequence[tuple[Product, int]]) -> tuple[Item, ...]:
    """Which items are so many of these products, and which pools do they take plugs from?

    Those of plants raised here: what is bought in is given by consent alone (`alternatives`).

    Raises Refused `no_plugs` for a product whose crop and grade have no pool yet.
    """
    crops = {product.crop_id for product, _ in wanted}
    rows = session.exec(select(Pool).where(col(Pool.crop_id).in_(crops), ~col(Pool.bought_in)))
    pools = {(pool.crop_id, pool.grade): pool.id for pool in rows}
    return tuple(
        _item(product, quantity, pools.get((product.crop_id, product.grade)))
        for product, quantity in wanted
    )


def strictest(limits: Sequence[Limits]) -> Limits:
    """What do several plants in one parcel stand, each with its own limits?"""
    return Limits(
        heat_c=min(one.heat_c for one in limits),
        frost_c=max(one.frost_c for one in limits),
        days_in_box=min(one.days_in_box for one in limits),
        caution_c=max(one.caution_c for one in limits),
    )


def limits_of(product: Product) -> Limits:
    """What do this product's plants stand?"""
    return Limits(
        product.heat_limit_c, product.frost_limit_c, product.max_days_in_box, product.caution_c
    )


def _item(product: Product, quantity: int, pool_id: int | None) -> Item:
    if pool_id is None or product.id is None:
        message = f"{product.code}: there is no stock of its crop and grade {product.grade} yet"
        raise Refused(Refusal("no_plugs", message, "basket.lines", "ask again when it is raised"))
    return Item(
        product_id=product.id,
        pool_id=pool_id,
        code=product.code,
        quantity=quantity,
        plugs=quantity * product.plugs,
        limits=limits_of(product),
        pack_minutes=product.minutes + (product.wrap.minutes if product.wrap else 0.0),
    )


def _unknown(session: Session, code: str, field: str) -> Refusal:
    known = session.exec(select(Product.code).order_by(Product.code)).all()
    folded = {each.casefold(): each for each in known}
    near = difflib.get_close_matches(code.casefold(), list(folded), n=3, cutoff=0.5)
    said = f"did you mean {', '.join(folded[each] for each in near)}?" if near else "check the code"
    return Refusal("unknown_product", f"No product has the code {code!r}", field, said)


def wrong_window(window: Window) -> Refusal | None:
    """What is wrong with the days between which it must arrive? None where there are such days."""
    first, last = window.not_before, window.not_after
    if first is None or last is None or first <= last:
        return None
    message = f"It cannot arrive not before {first} and not after {last}"
    return Refusal("bad_window", message, "window", "swap the days, or leave one out")


def wrong_reference(reference: str, label_reference: str = "") -> Refusal | None:
    """What is wrong with a shop's references? None where both can be kept and found again."""
    if not reference.strip():
        message = "An order needs a reference of the shop's own"
        return Refusal("bad_reference", message, "reference", "give the order's number")
    if reference.startswith(ERASED):
        message = f"A reference must not begin with {ERASED!r}: erased orders are called so"
        return Refusal("bad_reference", message, "reference", "give another one")
    for field, text in (("reference", reference), ("label_reference", label_reference)):
        if any(category(letter) == "Cc" for letter in text):
            message = "A reference must not hold line breaks, tabs or other control characters"
            return Refusal("bad_reference", message, field, "leave them out")
        if len(text) > MOST_LETTERS:
            message = f"A reference has at most {MOST_LETTERS} characters, this one {len(text)}"
            return Refusal("bad_reference", message, field, "give a shorter one")
    return None


def zone_of(session: Session, destination: Destination) -> Zone:
    """In which zone is this address? The longest postcode prefix of its country wins.

    Spaces and hyphens in a postcode do not count. Raises Refused: `no_postcode`, `bad_postcode`,
    `no_zone`, `zone_blocked` (with the usual caution on plant health) unless somebody has opened it
    for days that are not over.
    """
    country, postcode = destination.country.strip().upper(), plain(destination.postcode)
    if not postcode:
        message = "Without a postcode nobody can say when a parcel arrives"
        raise Refused(Refusal("no_postcode", message, "destination.postcode", "give the postcode"))
    letters = len(destination.postcode.strip())
    if letters > LONGEST_POSTCODE:
        message = f"A postcode has at most {LONGEST_POSTCODE} characters, this one {letters}"
        said = "give the postcode alone"
        raise Refused(Refusal("bad_postcode", message, "destination.postcode", said))
    rows = session.exec(select(ZonePrefix).where(ZonePrefix.country == country)).all()
    best = best_prefix(rows, postcode)
    if best is None:
        raise Refused(_no_zone(session, country, postcode, known=bool(rows)))
    zone = session.get(Zone, best.zone_id)
    if zone is None or is_shut(session, zone, today(session)):
        reason = zone.blocked if zone else "it has been taken out"
        message = f"Nothing is sent to {zone.name if zone else country}: {reason}. {PLANT_HEALTH}"
        raise Refused(Refusal("zone_blocked", message, "destination", "choose another address"))
    return zone


def best_prefix(prefixes: Iterable[ZonePrefix], postcode: str) -> ZonePrefix | None:
    """Which of a country's prefixes says where this (plain) postcode is? The longest that fits."""
    fitting = [row for row in prefixes if postcode.startswith(plain(row.prefix))]
    return max(fitting, key=lambda row: len(plain(row.prefix)), default=None)


def plain(postcode: str) -> str:
    """How is a postcode compared? In capitals, without spaces and hyphens."""
    return "".join(letter for letter in postcode.upper() if letter.isalnum())


def _no_zone(session: Session, country: str, postcode: str, known: bool) -> Refusal:
    if known:
        message = f"No zone covers postcode {postcode} in {country}"
        return Refusal("no_zone", message, "destination.postcode", "check the postcode")
    served = sorted(set(session.exec(select(ZonePrefix.country))))
    if len(country) != 2 or not country.isalpha():
        message = f"A country is written in two letters (ISO 3166-1), got {country!r}"
    else:
        message = f"No zone covers {country}. {PLANT_HEALTH}"
    said = f"parcels go to {', '.join(served)}" if served else "load the zones first"
    return Refusal("no_zone", message, "destination.country", said)
