"""What does the card in the parcel say? One card a product: unwrap, plant, shade, pests.

Sentences come from the product's row in sheet Care cards; what is blank there takes the usual
sentence for such plants (common practice, no source).
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from datetime import date
from html import escape
from textwrap import wrap

from sqlalchemy.orm import selectinload
from sqlmodel import Session, col, select

from nursery.crop import Crop, Method
from nursery.database import site
from nursery.errors import Refusal, Refused
from nursery.order import Product
from nursery.shed.wanted import whole_on
from nursery.travelling import CareCard

_SOFT_DAYS, _USUAL_DAYS, _STURDY_DAYS = 1, 2, 4
_COOL = frozenset({"marsh", "bog", "stream", "water", "wet"})
_SHADED = frozenset({"woodland", "shade", "fern"})


@dataclass(frozen=True, slots=True)
class Card:
    """A card as it is printed: the product and its plant, then one sentence a heading.

    `within_days` is by when the plants are potted or planted. `usual` names the headings that take
    the usual sentence, since nobody wrote another.
    """

    code: str
    product: str
    plant_name: str
    nursery: str
    within_days: int
    sentences: tuple[tuple[str, str], ...]
    usual: tuple[str, ...]

    @property
    def text(self) -> str:
        """The card as plain text, 72 characters wide at most where words allow."""
        lines = [self.product, self.plant_name, ""]
        for heading, sentence in self.sentences:
            lines += wrap(f"{heading}: {sentence}", 72, subsequent_indent="  ")
        return "\n".join([*lines, "", self.nursery])


def care_card(session: Session, code: str) -> Card:
    """What does the card of this product say? Raises Refused ("unknown_product")."""
    products = session.exec(select(Product)).all()
    product = next((one for one in products if one.code.casefold() == code.casefold()), None)
    if product is None:
        near = ", ".join(sorted(one.code for one in products)[:6]) or "none is listed"
        message = f"No product has the code {code!r}"
        raise Refused(Refusal("unknown_product", message, "product", f"codes are: {near}, ..."))
    row = session.exec(select(CareCard).where(CareCard.product_id == product.id)).first()
    return card_of(product, row, site(session).name)


def care_cards(session: Session, codes: Collection[str]) -> dict[str, Card]:
    """What do the cards of these products say? By code; codes of no product are left out."""
    query = (
        select(Product, CareCard)
        .join(CareCard, col(CareCard.product_id) == col(Product.id), isouter=True)
        .where(col(Product.code).in_(codes))
        .options(selectinload(Product.crop).selectinload(Crop.protocols))  # type: ignore[arg-type]
    )
    nursery = site(session).name
    return {product.code: card_of(product, row, nursery) for product, row in session.exec(query)}


def cards_of_day(session: Session, ship_day: date) -> list[tuple[Card, int]]:
    """Which cards are laid out for the parcels of this ship day, and how many? By product."""
    wanted = whole_on(session, ship_day, ship_day)
    parcels: dict[str, set[int]] = {}
    for each in wanted:
        parcels.setdefault(each.product.code, set()).add(each.promise.id or 0)
    cards = care_cards(session, parcels)
    return [(cards[code], len(parcels[code])) for code in sorted(parcels)]


def card_of(product: Product, row: CareCard | None, nursery: str) -> Card:
    """The card of a product with what was written for it, else the usual sentences."""
    written = row or CareCard(product_id=product.id or 0)
    days = written.within_days or _within(product)
    usual = _usual(product, days)
    own = {
        "Unwrap": written.unwrap,
        "Pot or plant": f"{_soon(days)}, {written.plant}" if written.plant else "",
        "Shade": written.shade,
        "Pests": written.pests,
    }
    sentences = [(heading, own[heading] or usual[heading]) for heading in usual]
    if written.more:
        sentences.append(("Also", written.more))
    return Card(
        code=product.code,
        product=product.name,
        plant_name=product.crop.name,
        nursery=nursery,
        within_days=days,
        sentences=tuple(sentences),
        usual=tuple(heading for heading in usual if not own[heading]),
    )


def card_page(cards: list[tuple[Card, int]], copies: bool = True) -> str:
    """Which HTML page prints these cards, each as often as is said? Black on white, by itself."""
    shown = [card for card, number in cards for _ in range(number if copies else 1)]
    parts = "\n".join(_article(card) for card in shown)
    return (
        '<!doctype html>\n<html lang="en"><head><meta charset="utf-8">'
        '<meta name="viewport" content="width=device-width, initial-scale=1">'
        f"<title>Care cards</title><style>{_STYLE}</style></head>\n<body>\n{parts}\n"
        "</body></html>\n"
    )


def _article(card: Card) -> str:
    points = "".join(
        f"<dt>{escape(heading)}</dt><dd>{escape(sentence)}</dd>"
        for heading, sentence in card.sentences
    )
    return (
        f"<article><h1>{escape(card.product)}</h1><p><em>{escape(card.plant_name)}</em></p>"
        f"<dl>{points}</dl><p>{escape(card.nursery)}</p></article>"
    )


_STYLE = (
    "body{color:#000;background:#fff;font:12pt/1.3 sans-serif;margin:0}"
    "article{border:1px solid #000;box-sizing:border-box;break-inside:avoid;display:inline-block;"
    "margin:0 2mm 4mm 0;padding:5mm;vertical-align:top;width:92mm}"
    "h1{font-size:14pt;margin:0}p{margin:1mm 0}dt{font-weight:bold}dd{margin:0 0 1.5mm}"
    "@page{size:A4;margin:8mm}"
)


def _usual(product: Product, days: int) -> dict[str, str]:
    group = set(product.crop.plant_group.casefold().replace("-", " ").split())
    soon = _soon(days)
    wet = bool(group & _COOL)
    return {
        "Unwrap": (
            "open the box as soon as it comes, take the wrap off, stand the plugs upright in the"
            f" cool and water them{' until the compost drips' if wet else ' from below'}"
        ),
        "Pot or plant": (
            f"{soon}, at the depth at which they stand"
            + (", in soil that never dries out" if wet else "; keep them moist, never standing in"
               " water, until new growth shows")
        ),
        "Shade": (
            "shade them from midday sun for good"
            if group & _SHADED
            else "shade them from midday sun and wind for the first week, and from frost at night"
            " until they have grown on"
        ),
        "Pests": (
            "slugs come the first night: put a barrier round them; look under the leaves for aphids"
            " once a week"
        ),
    }  # fmt: skip


def _soon(days: int) -> str:
    return "today" if days == 1 else f"within {days} days"


def _within(product: Product) -> int:
    """Soft plants soon, sturdy ones later: by how they were raised and what they stand in a box."""
    soft = any(each.method is Method.TISSUE_CULTURE for each in product.crop.protocols)
    if soft or product.max_days_in_box <= 2:
        return _SOFT_DAYS
    return _STURDY_DAYS if product.max_days_in_box >= 7 else _USUAL_DAYS
