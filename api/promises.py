"""What the shop asks and does: ship days, reservations, promises, and news of them."""

from collections.abc import Callable, Mapping
from datetime import date, datetime
from typing import Annotated, Any, TypeAlias

import strawberry
from sqlmodel import Session, col, select
from strawberry.relay import PageInfo

from api.context import Info, read
from api.fields import field, mutation
from api.ids import after_row, cursor, global_id, key_of, page_info, page_size
from api.kept import kept, plain
from api.mirror import mirror, mirrors
from api.options import (
    BasketLineInput,
    DestinationInput,
    ShipOptions,
    WindowInput,
    basket_of,
    ship_options,
    window_of,
)
from api.products import Product, product
from api.refusals import Code, Refusal, refuse
from api.together import Asking, write_together
from nursery import order
from nursery.access import Role, Token
from nursery.database import now
from nursery.promising import promise as promises
from nursery.promising.basket import Basket, Consent
from nursery.promising.group_batch import Request, changing, confirming, reserving
from nursery.promising.group_books import Wish
from nursery.promising.promise_rows import with_all
from nursery.promising.quote import quote
from nursery.promising.told import Told, told

SHOP = (Role.SHOP,)
READERS = (Role.SHOP, Role.LEAD)


@kept
@strawberry.type(description="Plugs of a product that are promised.")
class PromiseLine:
    """`picked` plugs are in the packer's hands and no longer only promised.

    `notes` say what is other than ordered: "bought in", "other cultivar instead of CP-6".
    """

    code: str
    quantity: int
    plugs: int
    picked: int
    product_key: strawberry.Private[int]
    notes: list[str] = strawberry.field(default_factory=list)

    @field("The product.")
    async def product(self, info: Info) -> Product:
        """One question for all the products of an answer."""
        row = await info.context.loaders.products.load(self.product_key)
        assert row is not None
        return product(row)


@mirrors(
    Told,
    "A ship day given for (part of) an order.",
    id=strawberry.ID,
    lines=list[PromiseLine],
)
class Promise:
    """It keeps the first day it was given. A reservation past `reserved_until` has lapsed."""


@strawberry.type(description="A promise and its place in the list.")
class PromiseEdge:
    """The cursor goes into `after`."""

    cursor: str
    node: Promise


@strawberry.type(description="A page of promises, in the order in which they were made.")
class PromiseConnection:
    """A Relay connection whose cursors stay right while promises come and go."""

    edges: list[PromiseEdge]
    page_info: PageInfo


PromiseAnswer: TypeAlias = Annotated[Promise | Refusal, strawberry.union("PromiseAnswer")]
PromisesAnswer: TypeAlias = Annotated[
    PromiseConnection | Refusal, strawberry.union("PromisesAnswer")
]
ShipOptionsAnswer: TypeAlias = Annotated[
    ShipOptions | Refusal, strawberry.union("ShipOptionsAnswer")
]


def promise(row: order.Promise, at: datetime) -> Promise:
    """The API's form of a promise, as it stands at this moment."""
    return promise_as_told(told(row, at))


def promise_as_told(found: Told) -> Promise:
    """The API's form of what is told of a promise."""
    lines = [
        mirror(PromiseLine, line, product_key=line.product_id, notes=list(line.notes))
        for line in found.lines
    ]
    return mirror(Promise, found, id=global_id("Promise", found.id), lines=lines)


@strawberry.type
class PromiseQueries:
    """Roots about ship days and promises."""

    @field("On which days can this basket leave for this address? Best option first.")
    async def ship_options(
        self,
        info: Info,
        basket: list[BasketLineInput],
        destination: DestinationInput,
        from_: Annotated[date | None, strawberry.argument(name="from")] = None,
        until: date | None = None,
        window: WindowInput | None = None,
        may_split: bool = False,
        may_substitute: bool = False,
        bought_in: bool = False,
        most: int | None = None,
    ) -> ShipOptionsAnswer:
        """For the shop and the lead. `from` and `until` bound the ship day, `window` arrival.

        `most` asks for so many options only, and closed days no further than those.
        """

        def work(session: Session, token: Token) -> ShipOptions:
            found = quote(
                session,
                basket_of(basket),
                destination.read(),
                from_,
                until,
                window_of(window),
                Consent(may_split, may_substitute, bought_in),
                most,
            )
            return ship_options(found)

        return await read(info, READERS, work)

    @field("One promise.")
    async def promise(self, info: Info, id: strawberry.ID) -> PromiseAnswer:
        """For the shop and the lead."""

        def work(session: Session, token: Token) -> Promise | Refusal:
            row = session.get(order.Promise, key_of("Promise", id))
            if row is None:
                return refuse(Code.NOT_FOUND, "There is no such promise", "id", "ask for promises")
            return promise(row, now(session))

        return await read(info, READERS, work)

    @field("Promises of an order, or all, in the order they were made.")
    async def promises(
        self,
        info: Info,
        reference: str | None = None,
        ship_on: date | None = None,
        first: int = 50,
        after: str | None = None,
    ) -> PromisesAnswer:
        """For the shop and the lead."""

        def work(session: Session, token: Token) -> PromiseConnection:
            return _page(session, reference, ship_on, page_size(first), after)

        return await read(info, READERS, work)


def _page(
    session: Session, reference: str | None, ship_on: date | None, size: int, after: str | None
) -> PromiseConnection:
    start = after_row(after)
    query = select(order.Promise).where(col(order.Promise.id) > start)
    if reference is not None:
        query = query.join(order.CustomerOrder).where(order.CustomerOrder.reference == reference)
    if ship_on is not None:
        query = query.where(order.Promise.ship_on == ship_on)
    query = query.order_by(col(order.Promise.id)).limit(size + 1).options(*with_all())
    rows = list(session.exec(query))
    at = now(session)
    edges = [PromiseEdge(cursor=cursor(row.id), node=promise(row, at)) for row in rows[:size]]
    return PromiseConnection(
        edges=edges,
        page_info=page_info([edge.cursor for edge in edges], len(rows) > size, after),
    )


def _said(found: Told) -> dict[str, object]:
    """What is stored of an answer under its key."""
    return {"answer": plain(promise_as_told(found))}


async def _change(
    info: Info,
    key: str,
    id: strawberry.ID,
    body: Mapping[str, Any],
    act: Callable[[Session, int, str], order.Promise],
    basket: Basket | None = None,
    ship_on: date | None = None,
) -> PromiseAnswer:
    """Changes one promise by this service."""

    def asking(token: Token, named: Mapping[str, Any]) -> Request:
        number = key_of("Promise", id)
        assert token.id is not None

        def work(session: Session) -> order.Promise:
            return act(session, number, token.name)

        return changing(token.id, key, named, number, work, basket, ship_on, say=_said)

    return await _together(info, key, {"id": id, **body}, asking)


async def _together(info: Info, key: str, body: Mapping[str, Any], asking: Asking) -> PromiseAnswer:
    answer = await write_together(info, SHOP, key, body, asking)
    assert isinstance(answer, Promise | Refusal)
    return answer


@strawberry.type
class PromiseMutations:
    """What a shop does. Sent again under the same `key`, each gives the same answer."""

    @mutation("Keeps plugs and a ship day while the customer pays.")
    async def reserve(
        self,
        info: Info,
        key: str,
        reference: str,
        basket: list[BasketLineInput],
        destination: DestinationInput,
        ship_on: date,
        service: str,
        window: WindowInput | None = None,
        may_split: bool = False,
        may_substitute: bool = False,
        bought_in: bool = False,
        label_reference: str = "",
    ) -> PromiseAnswer:
        """`service` is the carrier service of the option that was chosen.

        `mayX` and `boughtIn` say what the customer agreed to; it is kept with the order.
        """
        body = {
            "reference": reference,
            "basket": basket,
            "destination": destination,
            "ship_on": ship_on,
            "service": service,
            "window": window,
            "may_split": may_split,
            "may_substitute": may_substitute,
            "label_reference": label_reference,
            # Only where it is said: keys that were used before it could be stay the same.
            **({"bought_in": True} if bought_in else {}),
        }

        def asking(token: Token, named: Mapping[str, Any]) -> Request:
            wish = Wish(
                reference,
                basket_of(basket),
                destination.read(),
                ship_on,
                service,
                token.name,
                window_of(window),
                Consent(may_split, may_substitute, bought_in),
                label_reference,
            )
            assert token.id is not None
            return reserving(token.id, key, named, wish, say=_said)

        return await _together(info, key, body, asking)

    @mutation("Promises what was reserved; also late, if plugs and day are still there.")
    async def confirm(self, info: Info, key: str, id: strawberry.ID) -> PromiseAnswer:
        """Called when the payment is in."""

        def asking(token: Token, named: Mapping[str, Any]) -> Request:
            number = key_of("Promise", id)
            assert token.id is not None
            return confirming(token.id, key, named, number, token.name, say=_said)

        return await _together(info, key, {"id": id}, asking)

    @mutation("Changes plants, address, day or service, until picked.")
    async def amend(
        self,
        info: Info,
        key: str,
        id: strawberry.ID,
        basket: list[BasketLineInput] | None = None,
        destination: DestinationInput | None = None,
        ship_on: date | None = None,
        service: str | None = None,
    ) -> PromiseAnswer:
        """What is left out stays as it is."""
        body = {
            "basket": basket,
            "destination": destination,
            "ship_on": ship_on,
            "service": service,
        }
        wanted = None if basket is None else basket_of(basket)

        def act(session: Session, key: int, actor: str) -> order.Promise:
            return promises.amend(
                session,
                key,
                actor,
                wanted,
                None if destination is None else destination.read(),
                ship_on,
                service,
            )

        return await _change(info, key, id, body, act, wanted, ship_on)

    @mutation("Gives plugs and day free again, until picked.")
    async def cancel(
        self, info: Info, key: str, id: strawberry.ID, reason: str = ""
    ) -> PromiseAnswer:
        """The customer no longer wants it."""

        def act(session: Session, key: int, actor: str) -> order.Promise:
            return promises.cancel(session, key, actor, reason)

        return await _change(info, key, id, {"reason": reason}, act)

    @mutation("Gives a reservation up before payment.")
    async def release(self, info: Info, key: str, id: strawberry.ID) -> PromiseAnswer:
        """The customer left without paying."""
        return await _change(info, key, id, {}, promises.release)
