"""A batch's whole story: lineage, ledger, counts, vetoes, and the orders that have its plants."""

from collections.abc import Sequence
from typing import Annotated, TypeAlias

import strawberry
from sqlmodel import Session

from api.claims import Claim, claim
from api.context import Info, read
from api.day_book import DayEntry, entry
from api.fields import field
from api.ids import global_id
from api.mirror import mirror, mirrors
from api.refusals import Refusal
from nursery.access import Role, Token
from nursery.shed import trace as traces

READERS = (Role.LEAD, Role.PACKER)


LotId: TypeAlias = strawberry.ID | None


def _lot(key: int | None) -> strawberry.ID | None:
    return None if key is None else global_id("Lot", key)


@mirrors(traces.MovementRow, "One row of a batch's ledger.", lot_id=LotId)
class MovementRow:
    """`balance` is the whole batch's after it; no lot: growing plugs."""


@mirrors(traces.CountRow, "One count of a batch or of a lot of it.", lot_id=LotId)
class CountRow:
    """What was there, and what the books expected."""


@mirrors(traces.VetoRow, "One veto; it holds while nobody has signed it off.", lot_id=LotId)
class VetoRow:
    """Who set it, who signed it off, and what was found."""


@mirrors(
    traces.ColdRow, "One decision to hold a lot cold, taken back or not.", lot_id=strawberry.ID
)
class ColdRow:
    """The last sale dates before and after it, who decided it, and when it was withdrawn."""


@mirrors(traces.LotRow, "One lot of a batch and what is left of it.", lot_id=LotId)
class LotRow:
    """Saleable from `ready_on` to `last_sale_on`."""


@mirrors(
    traces.OrderTouched,
    "An order that had plants of the batch, or may yet be given some.",
    promise_id=strawberry.ID,
    notes=list[str],
)
class OrderTouched:
    """`plugs` were picked for it out of the batch; `reship_of` is the order claimed first, `notes`
    say how these plants are other than ordered."""


@mirrors(
    traces.Trace,
    "The whole story of a batch.",
    linked=list[str],
    lots=list[LotRow],
    movements=list[MovementRow],
    counts=list[CountRow],
    vetoes=list[VetoRow],
    orders=list[OrderTouched],
    waiting=list[OrderTouched],
    cold_holds=list[ColdRow],
    day_book=list[DayEntry],
    claims=list[Claim],
)
class Trace:
    """`linked` batches share its lineage or mother block."""


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
        orders=orders(found.orders),
        waiting=orders(found.waiting),
        cold_holds=[
            mirror(ColdRow, each, lot_id=global_id("Lot", each.lot_id)) for each in found.cold_holds
        ],
        day_book=[entry(each) for each in found.day_book],
        claims=[claim(each) for each in found.claims],
    )


def orders(found: Sequence[traces.OrderTouched]) -> list[OrderTouched]:
    """The API's form of orders that a batch has to do with."""
    return [
        mirror(
            OrderTouched,
            each,
            promise_id=global_id("Promise", each.promise_id),
            notes=list(each.notes),
        )
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
