"""What the shop sells, for the shop and the lead."""

from typing import Annotated, TypeAlias, cast

import strawberry
from sqlmodel import Session, col, select
from strawberry.relay import PageInfo

from api import words as words
from api.context import Info, read
from api.fields import field
from api.ids import after_key, cursor, global_id, page_info, page_size
from api.refusals import Code, Refusal, refuse
from nursery import crop as crops
from nursery import order
from nursery.access import Role, Token
from nursery.stock import Grade

READERS = (Role.SHOP, Role.LEAD)


@strawberry.type(description="A plant kept for sale as plugs.")
class Crop:
    """Botanical name and cultivar; `name` is both as they stand on a page."""

    id: strawberry.ID
    botanical_name: str
    cultivar: str
    plant_group: str
    name: str


@strawberry.type(description="What the shop sells: so many plugs of a crop and grade.")
class Product:
    """Limits on the way in °C; `max_days_in_box` counts from the pack day to the arrival."""

    id: strawberry.ID
    code: str
    name: str
    grade: Grade
    plugs: int
    price_cents: int
    heat_limit_c: float
    frost_limit_c: float
    max_days_in_box: int
    crop_key: strawberry.Private[int]

    @field("The crop that it is made of.")
    async def crop(self, info: Info) -> Crop:
        """One question for all the crops of an answer."""
        row = await info.context.loaders.crops.load(self.crop_key)
        return crop(cast(crops.Crop, row))


@strawberry.type(description="A product and its place in the list.")
class ProductEdge:
    """The cursor goes into `after`."""

    cursor: str
    node: Product


@strawberry.type(description="A page of the products, by code.")
class ProductConnection:
    """A Relay connection whose cursors stay right while products come and go."""

    edges: list[ProductEdge]
    page_info: PageInfo


ProductAnswer: TypeAlias = Annotated[Product | Refusal, strawberry.union("ProductAnswer")]
ProductsAnswer: TypeAlias = Annotated[
    ProductConnection | Refusal, strawberry.union("ProductsAnswer")
]


def crop(row: crops.Crop) -> Crop:
    """The API's form of a crop."""
    return Crop(
        id=global_id("Crop", row.id),
        botanical_name=row.botanical_name,
        cultivar=row.cultivar,
        plant_group=row.plant_group,
        name=row.name,
    )


def product(row: order.Product) -> Product:
    """The API's form of a product."""
    return Product(
        id=global_id("Product", row.id),
        code=row.code,
        name=row.name,
        grade=row.grade,
        plugs=row.plugs,
        price_cents=row.price_cents,
        heat_limit_c=row.heat_limit_c,
        frost_limit_c=row.frost_limit_c,
        max_days_in_box=row.max_days_in_box,
        crop_key=row.crop_id,
    )


@strawberry.type
class ProductQueries:
    """Roots about products."""

    @field("One product, by the shop's own code.")
    async def product(self, info: Info, code: str) -> ProductAnswer:
        """For the shop and the lead."""

        def work(session: Session, token: Token) -> Product | Refusal:
            row = session.exec(select(order.Product).where(order.Product.code == code)).first()
            if row is None:
                return refuse(
                    Code.NOT_FOUND, f"There is no product {code!r}", "code", "ask for products"
                )
            return product(row)

        return await read(info, READERS, work)

    @field("The products, by code.")
    async def products(
        self, info: Info, first: int = 50, after: str | None = None
    ) -> ProductsAnswer:
        """For the shop and the lead."""

        def work(session: Session, token: Token) -> ProductConnection:
            size = page_size(first)
            query = (
                select(order.Product)
                .where(col(order.Product.code) > after_key(after))
                .order_by(col(order.Product.code))
                .limit(size + 1)
            )
            rows = list(session.exec(query))
            edges = [ProductEdge(cursor=cursor(row.code), node=product(row)) for row in rows[:size]]
            return ProductConnection(
                edges=edges,
                page_info=page_info([edge.cursor for edge in edges], len(rows) > size, after),
            )

        return await read(info, READERS, work)
