"""A batch's whole story: lineage, ledger, counts, vetoes, and the orders that have its plants."""

from collections.abc import Sequence
from datetime import date, datetime
from typing import Annotated, TypeAlias

import strawberry
from sqlmodel import Session

from api.context import Info, read
from api.day_book import DayEntry, entry
from api.fields import field
from api.ids import global_id
from api.mirror import mirror
from api.refusals import Refusal
from api.shed import Claim, claim
from nursery.access import Role, Token
from nursery.order import State
from nursery.shed import trace as traces
from nursery.stock import Moved

READERS = (Role.LEAD, Role.PACKER)


def _lot(key: int | None) -> strawberry.ID | None:
    return None if key is None else global_id("Lot", key)


@strawberry.type(description="One row of a batch's ledger.")
class MovementRow:
    """`balance` is the whole batch's after it; no lot: growing plugs."""

    sequence: int
    kind: Moved
    plugs: int
    balance: int
    lot_id: strawberry.ID | None
    actor: str
    reason: str
    happened_at: datetime
    recorded_at: datetime


@strawberry.type(description="One count of a batch or of a lot of it.")
class CountRow:
    """What was there, and what the books expected."""

    lot_id: strawberry.ID | None
    counted_at: datetime
    counter: str
    plugs: int
    expected: int


@strawberry.type(description="One veto; it holds while nobody has signed it off.")
class VetoRow:
    """Who set it, who signed it off, and what was found."""

    kind: str
    reason: str
    lot_id: strawberry.ID | None
    set_by: str
    set_at: datetime
    earliest_end: date | None
    signed_off_by: str | None
    signed_off_at: datetime | None
    note: str


@strawberry.type(description="One lot of a batch and what is left of it.")
class LotRow:
    """Saleable from `ready_on` to `last_sale_on`."""

    lot_id: strawberry.ID | None
    grade: str
    ready_on: date
    last_sale_on: date
    plugs: int


@strawberry.type(description="An order that had plants of the batch, or may yet be given some.")
class OrderTouched:
    """`plugs` were picked for it out of the batch."""

    reference: str
    country: str
    postcode: str
    promise_id: strawberry.ID
    state: State
    ship_on: date
    plugs: int
    tracking: str


@strawberry.type(description="The whole story of a batch.")
class Trace:
    """`linked` batches share its lineage or mother block."""

    batch_code: str
    crop: str
    lineage: str
    mother_block: str
    origin_country: str
    quarantine: str
    started_on: date
    stage: str
    bench: str
    balance: int
    linked: list[str]
    lots: list[LotRow]
    movements: list[MovementRow]
    counts: list[CountRow]
    vetoes: list[VetoRow]
    orders: list[OrderTouched]
    waiting: list[OrderTouched]
    day_book: list[DayEntry]
    claims: list[Claim]


TraceAnswer: TypeAlias = Annotated[Trace | Refusal, strawberry.union("TraceAnswer")]


def _trace(found: traces.Trace) -> Trace:
    return mirror(
        Trace,
        found,
        linked=list(found.linked),
        lots=[mirror(LotRow, each, lot_id=_lot(each.lot_id)) for each in found.lots],
        movements=[mirror(MovementRow, each, lot_id=_lot(each.lot_id)) for each in found.movements],
        counts=[mirror(CountRow, each, lot_id=_lot(each.lot_id)) for each in found.counts],
        vetoes=[mirror(VetoRow, each, lot_id=_lot(each.lot_id)) for each in found.vetoes],
        orders=_orders(found.orders),
        waiting=_orders(found.waiting),
        day_book=[entry(each) for each in found.day_book],
        claims=[claim(each) for each in found.claims],
    )


def _orders(found: Sequence[traces.OrderTouched]) -> list[OrderTouched]:
    return [
        mirror(OrderTouched, each, promise_id=global_id("Promise", each.promise_id))
        for each in found
    ]


@strawberry.type
class TraceQueries:
    """Roots about a batch's story."""

    @field("The whole story of a batch, by its code.")
    async def trace(self, info: Info, batch_code: str) -> TraceAnswer:
        """For the lead and the packer."""

        def work(session: Session, token: Token) -> Trace:
            return _trace(traces.trace(session, batch_code))

        return await read(info, READERS, work)
