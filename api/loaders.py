"""How are rows that many answers point to fetched in one go?"""

from typing import TYPE_CHECKING, TypeVar

from sqlmodel import Session, col, select
from strawberry.dataloader import DataLoader

from nursery.crop import Crop
from nursery.order import Product

if TYPE_CHECKING:
    from api.context import Desk

R = TypeVar("R", Product, Crop)


class Loaders:
    """The data loaders of one request: each fetches all the rows asked for in one question."""

    def __init__(self, desk: "Desk") -> None:
        self.products: DataLoader[int, Product | None] = _loader(desk, Product)
        self.crops: DataLoader[int, Crop | None] = _loader(desk, Crop)


def _loader(desk: "Desk", rows: type[R]) -> DataLoader[int, R | None]:
    async def load(keys: list[int]) -> list[R | None]:
        found = await desk.in_thread(lambda: _fetch(desk, rows, keys))
        return [found.get(key) for key in keys]

    # No cache: a web socket's loaders live as long as it does, and rows change meanwhile.
    return DataLoader(load_fn=load, cache=False)


def _fetch(desk: "Desk", rows: type[R], keys: list[int]) -> dict[int, R]:
    with desk.db.reading() as session:
        return {row.id: row for row in _rows(session, rows, keys) if row.id is not None}


def _rows(session: Session, rows: type[R], keys: list[int]) -> list[R]:
    return list(session.exec(select(rows).where(col(rows.id).in_(keys))))
