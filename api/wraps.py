"""Wraps that stay moist, packs against heat and frost, and the care card in the parcel."""

from datetime import date, timedelta
from typing import Annotated, TypeAlias

import strawberry
from sqlmodel import Session

from api.context import Info, read, write
from api.fields import field, mutation
from api.kept import kept
from api.mirror import mirror
from api.refusals import Refusal
from nursery.access import Role, Token
from nursery.database import now
from nursery.shed import care, packing, wraps
from nursery.shed.wanted import whole_on
from nursery.travelling import WrapTrial

SHED = (Role.PACKER, Role.LEAD)
ANY = (Role.SHOP, Role.PACKER, Role.LEAD)


@kept
@strawberry.type(description="A wrap, and how fast it dries: grams an hour and kPa.")
class KnownWrap:
    """`used` is reckoned with: the safe one of its `trials`, else what was `typed`."""

    name: str
    typed: float
    used: float
    mean: float | None
    trials: int
    water_g: float
    least_water_g: float
    cost_cents: int


@strawberry.type(description="The wrap of a line that is to be packed.")
class LineWrap:
    """`chance`: share of weather years in which it stays moist for `hours`; `listed`: its own."""

    order_reference: str
    product_code: str
    wrap: str
    listed: str
    water_g: float
    hours: int
    chance: float | None
    says: str


@strawberry.type(description="The heat or cold packs of a parcel.")
class ParcelPacks:
    """In each of its `boxes`. Chances are those of heat and frost on the way without them."""

    order_reference: str
    packs: list[str]
    heat_chance: float
    frost_chance: float
    weight_g: int
    cost_cents: int
    boxes: int
    says: str


@strawberry.type(description="What goes round and beside the plants of a ship day's parcels.")
class ParcelWraps:
    """By order."""

    lines: list[LineWrap]
    parcels: list[ParcelPacks]


@strawberry.type(description="A heading of a care card and what stands under it.")
class CareSentence:
    """`usual`: nobody wrote it for this product."""

    heading: str
    text: str
    usual: bool


@strawberry.type(description="The care card of a product.")
class CareCard:
    """`text` is all of it in lines, `page` the same to print (HTML)."""

    code: str
    product: str
    plant_name: str
    within_days: int
    sentences: list[CareSentence]
    text: str
    page: str


WrapsAnswer: TypeAlias = Annotated[ParcelWraps | Refusal, strawberry.union("WrapsAnswer")]
CareAnswer: TypeAlias = Annotated[CareCard | Refusal, strawberry.union("CareAnswer")]
TrialAnswer: TypeAlias = Annotated[KnownWrap | Refusal, strawberry.union("TrialAnswer")]


@strawberry.type
class WrapQueries:
    """Roots about what goes into parcels beside plants."""

    @field("Wrap, water and packs of every parcel of a ship day.")
    async def parcel_wraps(self, info: Info, ship_day: date) -> WrapsAnswer:
        """For the packer and the lead."""

        def work(session: Session, token: Token) -> ParcelWraps:
            wanted = whole_on(session, ship_day, ship_day)
            found = list(packing.packings(session, wanted).values())
            packs = sorted((one.packs for one in found), key=lambda one: one.order_reference)
            return ParcelWraps(
                lines=[mirror(LineWrap, wrap) for one in found for wrap in one.wraps],
                parcels=[
                    mirror(ParcelPacks, each, packs=[str(pack) for pack in each.packs])
                    for each in packs
                ],
            )

        return await read(info, SHED, work)

    @field("The care card of a product, by the shop's code.")
    async def care_card(self, info: Info, product: str) -> CareAnswer:
        """For everybody: the shop may show it too."""

        def work(session: Session, token: Token) -> CareCard:
            found = care.care_card(session, product)
            return mirror(
                CareCard,
                found,
                sentences=[
                    CareSentence(heading=heading, text=text, usual=heading in found.usual)
                    for heading, text in found.sentences
                ],
                page=care.card_page([(found, 1)]),
            )

        return await read(info, ANY, work)


@strawberry.type
class WrapMutations:
    """What is weighed. Sent again under the same `key`, the same answer."""

    @mutation("Records two weighings of a trial parcel: how fast its wrap dries.")
    async def record_wrap_trial(
        self,
        info: Info,
        key: str,
        wrap: str,
        grams_before: float,
        grams_after: float,
        hours: float,
        mean_c: float,
        humidity: float | None = None,
        night_c: float | None = None,
        plants_take_g_per_h: float = 0.0,
    ) -> TrialAnswer:
        """For the packer and the lead. `humidity` is a share; else `night_c` is needed."""
        numbers = {
            "grams_before": grams_before,
            "grams_after": grams_after,
            "hours": hours,
            "mean_c": mean_c,
            "humidity": humidity,
            "night_c": night_c,
            "plants_take_g_per_h": plants_take_g_per_h,
        }

        def work(session: Session, token: Token) -> KnownWrap:
            weighed = now(session) - timedelta(hours=max(0.0, min(hours, 2000.0)))
            trial = WrapTrial(
                wrap_id=0,
                weighed_at=weighed,
                weighed_by=token.name,
                grams_before=grams_before,
                grams_after=grams_after,
                hours=hours,
                mean_c=mean_c,
                humidity=humidity,
                night_c=night_c,
                plants_take_g_per_h=plants_take_g_per_h,
            )
            return mirror(KnownWrap, wraps.record_trial(session, wrap, trial))

        return await write(info, SHED, key, {"wrap": wrap, **numbers}, work)
