"""What is to be ordered by when, and what may be done with plugs that nobody takes."""

from datetime import date
from typing import Annotated, TypeAlias

import strawberry
from sqlmodel import Session

from api.context import Info, read
from api.fields import field
from api.ids import global_id
from api.mirror import mirror
from api.refusals import Refusal
from nursery.access import Role, Token
from nursery.database import today
from nursery.week.glut import glut_advice
from nursery.week.materials import call_off
from nursery.weeks import Week

LEAD = (Role.LEAD,)


@strawberry.type(description="A material: what is used, what is there, what to order by when.")
class Material:
    """`used` has one number a week from `first_week` on. No `in_stock`: nobody has counted it.

    `order` is in whole packs. `assumed` says why it is here, where nobody listed it.
    """

    name: str
    kind: str
    unit: str
    first_week: Week
    used: list[float]
    total: float
    in_stock: float | None
    lasts_until: Week | None
    lead_days: int
    order_by: date | None
    order: float
    late: bool
    assumed: str


@strawberry.type(description="The materials call-off: what must be ordered first comes first.")
class Materials:
    """From the accepted plan, the batches, the orders on the book and expected sales."""

    materials: list[Material]


@strawberry.type(description="Plugs of a lot that nothing takes, and what may be done by when.")
class GlutAdvice:
    """A person decides. Held cold, `held_sells` of them are wanted until `hold_until`."""

    crop: str
    batch_code: str
    lot_id: strawberry.ID
    plugs: int
    last_sale_on: date
    discount_from: date
    pot_on_by: date
    discard_on: date
    hold_until: date | None
    held_sells: int


@strawberry.type(description="Ready plugs that are more than anybody takes, by last sale date.")
class Glut:
    """After all that is promised, on the book and expected."""

    advice: list[GlutAdvice]


MaterialsAnswer: TypeAlias = Annotated[Materials | Refusal, strawberry.union("MaterialsAnswer")]
GlutAnswer: TypeAlias = Annotated[Glut | Refusal, strawberry.union("GlutAnswer")]


def _week(given: str | None) -> Week | None:
    return None if given is None else Week.parse(given)


@strawberry.type
class MaterialQueries:
    """Roots about too little and too much."""

    @field("Trays, substrate, labels, wrap and boxes: what is used, what to order by when.")
    async def materials(self, info: Info, weeks: int = 12) -> MaterialsAnswer:
        """For the lead; `weeks` ahead, this one included."""

        def work(session: Session, token: Token) -> Materials:
            return Materials(
                materials=[
                    mirror(
                        Material,
                        line,
                        first_week=Week.parse(line.first_week),
                        used=list(line.used),
                        lasts_until=_week(line.lasts_until),
                    )
                    for line in call_off(session, weeks)
                ]
            )

        return await read(info, LEAD, work)

    @field("Which ready plugs are too many, and what may be done with them by when.")
    async def glut(self, info: Info) -> GlutAnswer:
        """For the lead: hold cold, discount, pot on, discard."""

        def work(session: Session, token: Token) -> Glut:
            found = glut_advice(session, today(session))
            return Glut(
                advice=[
                    mirror(GlutAdvice, each, lot_id=global_id("Lot", each.lot_id)) for each in found
                ]
            )

        return await read(info, LEAD, work)
