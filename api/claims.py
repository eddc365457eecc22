"""Claims: recorded, listed, learned from, and plants that are sent once more."""

from datetime import date, datetime
from typing import Annotated, TypeAlias

import strawberry
from sqlmodel import Session
from strawberry.relay import PageInfo

from api.context import Info, read, write
from api.fields import field, mutation
from api.ids import after_row, cursor, global_id, key_of, page_info, page_size
from api.kept import kept
from api.mirror import mirror, mirrors
from api.options import ShipOption, option
from api.promises import Promise, promise
from api.refusals import Refusal
from nursery.access import Role, Token
from nursery.database import now
from nursery.shed import claims, claims_learned, reshipping
from nursery.shed.claims import ClaimKind

CLAIMERS = (Role.SHOP, Role.LEAD)
SHED = (Role.PACKER, Role.LEAD)
EVERYBODY = (Role.SHOP, Role.PACKER, Role.LEAD)
LEAD = (Role.LEAD,)


@mirrors(
    claims.ClaimedLot, "Plugs of a lot that went to the customer who claims.", lot_id=strawberry.ID
)
class ClaimedLot:
    """As they were picked."""


@mirrors(claims.SentAgain, "Plants that were sent once more for a claim.", promise_id=strawberry.ID)
class SentAgain:
    """An order of its own, by its reference."""


@kept
@strawberry.type(description="A customer's claim, traced to the lots that the plants came from.")
class Claim:
    """No `product` where all of the parcel is meant; `photo` is where one is, never fetched."""

    id: strawberry.ID
    promise_id: strawberry.ID
    reference: str
    kind: ClaimKind
    product: str
    plugs: int
    text: str
    at: datetime
    lots: list[ClaimedLot]
    photo: str = ""
    wants_reship: bool = False
    reships: list[SentAgain] = strawberry.field(default_factory=list)
    actor: str = ""


@strawberry.type(description="Plugs of a product that may be sent again.")
class ReshipPlugs:
    """By the shop's code."""

    code: str
    plugs: int


@strawberry.type(description="What may be sent for a claim, and when.")
class ReshipOffer:
    """`not_lots` give it nothing: their plants came dead, or are suspect. Nothing is kept."""

    claim: Claim
    plugs: list[ReshipPlugs]
    not_lots: list[strawberry.ID]
    options: list[ShipOption]


@mirrors(claims_learned.ClaimRate, "Claims of one kind among parcels that have something alike.")
class ClaimRate:
    """`low` to `high` holds the true share in nine of ten cases (Jeffreys); shares from 0 to 1."""


@mirrors(claims_learned.BoxLimit, "What a shorter limit of days in the box would have prevented.")
class BoxLimit:
    """Parcels that had not been sent, and dead claims that had not been made."""


@mirrors(claims_learned.FeltLimit, "What another limit of heat or frost would have prevented.")
class FeltLimit:
    """With hindsight: parcels that had needed another day, and dead claims among them."""


@mirrors(
    claims_learned.ClaimsLearned,
    "What claims teach about wraps, carriers, days in the box, heat and cold.",
    rates=list[ClaimRate],
    limits=list[BoxLimit],
    felt_limits=list[FeltLimit],
)
class ClaimsLearned:
    """Shown, never acted on: limits and wraps are changed by a person."""


@strawberry.type(description="A claim and its place in the list.")
class ClaimEdge:
    """The cursor goes into `after`."""

    cursor: str
    node: Claim


@strawberry.type(description="A page of claims, in the order in which they came.")
class ClaimConnection:
    """A Relay connection whose cursors stay right while claims come."""

    edges: list[ClaimEdge]
    page_info: PageInfo


ClaimAnswer: TypeAlias = Annotated[Claim | Refusal, strawberry.union("ClaimAnswer")]
ClaimsAnswer: TypeAlias = Annotated[ClaimConnection | Refusal, strawberry.union("ClaimsAnswer")]
ClaimsLearnedAnswer: TypeAlias = Annotated[
    ClaimsLearned | Refusal, strawberry.union("ClaimsLearnedAnswer")
]
ReshipOfferAnswer: TypeAlias = Annotated[
    ReshipOffer | Refusal, strawberry.union("ReshipOfferAnswer")
]
ReshipAnswer: TypeAlias = Annotated[Promise | Refusal, strawberry.union("ReshipAnswer")]


def claim(found: claims.Claim) -> Claim:
    """The API's form of a claim."""
    return mirror(
        Claim,
        found,
        id=global_id("Claim", found.event_id),
        promise_id=global_id("Promise", found.promise_id),
        lots=[
            mirror(ClaimedLot, each, lot_id=global_id("Lot", each.lot_id)) for each in found.lots
        ],
        reships=[
            mirror(SentAgain, each, promise_id=global_id("Promise", each.promise_id))
            for each in found.reships
        ],
    )


def _offer(found: reshipping.ReshipOffer) -> ReshipOffer:
    return ReshipOffer(
        claim=claim(found.claim),
        plugs=[ReshipPlugs(code=code, plugs=plugs) for code, plugs in found.plugs.items()],
        not_lots=[global_id("Lot", lot) for lot in found.not_lots],
        options=[option(each) for each in found.options],
    )


@strawberry.type
class ClaimQueries:
    """Roots about claims."""

    @field("Claims of a promise, or all of them, in the order in which they came.")
    async def claims(
        self,
        info: Info,
        promise_id: strawberry.ID | None = None,
        first: int = 50,
        after: str | None = None,
    ) -> ClaimsAnswer:
        """For the shop, the packer and the lead."""

        def work(session: Session, token: Token) -> ClaimConnection:
            key = None if promise_id is None else key_of("Promise", promise_id, "promise_id")
            size = page_size(first)
            found = claims.claims(session, key, after_row(after), size + 1)
            edges = [
                ClaimEdge(cursor=cursor(each.event_id), node=claim(each)) for each in found[:size]
            ]
            return ClaimConnection(
                edges=edges,
                page_info=page_info([edge.cursor for edge in edges], len(found) > size, after),
            )

        return await read(info, EVERYBODY, work)

    @field("What claims teach about wraps, carriers, days in the box, heat and cold.")
    async def claims_learned(self, info: Info) -> ClaimsLearnedAnswer:
        """For the lead."""

        def work(session: Session, token: Token) -> ClaimsLearned:
            found = claims_learned.claims_learned(session)
            return mirror(
                ClaimsLearned,
                found,
                rates=[mirror(ClaimRate, each) for each in found.rates],
                limits=[mirror(BoxLimit, each) for each in found.limits],
                felt_limits=[mirror(FeltLimit, each) for each in found.felt_limits],
            )

        return await read(info, LEAD, work)

    @field("On which days the plants of a claim could be sent again.")
    async def reship_offer(
        self, info: Info, claim_id: strawberry.ID, plugs: int | None = None
    ) -> ReshipOfferAnswer:
        """For the packer and the lead; nothing is kept by asking."""

        def work(session: Session, token: Token) -> ReshipOffer:
            key = key_of("Claim", claim_id, "claim_id")
            return _offer(reshipping.reship_offer(session, key, plugs))

        return await read(info, SHED, work)


@strawberry.type
class ClaimMutations:
    """What follows delivery. Sent again under the same `key`, the same answer."""

    @mutation("Records a customer's claim: plants dead, wrong or late.")
    async def record_claim(
        self,
        info: Info,
        key: str,
        promise_id: strawberry.ID,
        kind: ClaimKind,
        text: str,
        plugs: int | None = None,
        product: str = "",
        photo: str = "",
        wants_reship: bool = False,
    ) -> ClaimAnswer:
        """For the shop and the lead. Leave out who the customer is: the shop knows.

        `photo` is the shop's reference or an address. The nursery decides about a reship.
        """
        body = {
            "promise_id": promise_id,
            "kind": kind,
            "text": text,
            "plugs": plugs,
            "product": product,
        }
        # Only where they are given, so that a key from before these were known stays the same.
        body |= {"photo": photo} if photo else {}
        body |= {"wants_reship": True} if wants_reship else {}

        def work(session: Session, token: Token) -> Claim:
            number = key_of("Promise", promise_id, "promise_id")
            return claim(
                claims.record_claim(
                    session, number, kind, text, token.name, plugs, product, photo, wants_reship
                )
            )

        return await write(info, CLAIMERS, key, body, work)

    @mutation("Sends the plants of a claim once more, from other lots if they came dead.")
    async def reship(
        self,
        info: Info,
        key: str,
        claim_id: strawberry.ID,
        plugs: int | None = None,
        ship_on: date | None = None,
        service: str = "",
        reference: str = "",
        reason: str = "",
    ) -> ReshipAnswer:
        """For the packer and the lead. No more plugs than were claimed; the best day if none."""
        body = {
            "claim_id": claim_id,
            "plugs": plugs,
            "ship_on": ship_on,
            "service": service,
            "reference": reference,
            "reason": reason,
        }

        def work(session: Session, token: Token) -> Promise:
            number = key_of("Claim", claim_id, "claim_id")
            made = reshipping.reship(
                session, number, token.name, plugs, ship_on, service, reference, reason
            )
            return promise(made, now(session))

        return await write(info, SHED, key, body, work)
