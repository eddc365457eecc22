"""Plant passports of batches and parcels, and the inspector's list of a suspected pest."""

from collections.abc import Sequence
from typing import Annotated, TypeAlias

import strawberry
from sqlmodel import Session

from api import words as words
from api.context import Info, read, write
from api.fields import field, mutation
from api.ids import key_of
from api.mirror import mirror, mirrors
from api.refusals import Code, Refusal, refuse
from api.trace import OrderTouched, orders
from nursery import order
from nursery.access import Role, Token
from nursery.shed import passport as passports
from nursery.shed import suspect as suspects
from nursery.shed.passport_label import label_page, passports_of_parcel
from nursery.shed.trace import batch_called

SHED = (Role.LEAD, Role.PACKER)
_LOOK_UP = "look it up by its order: promises(reference)"


@strawberry.type(description="One entry of a plant passport.")
class PassportEntry:
    """Its letter (A to D) and what stands behind it."""

    letter: str
    value: str


@mirrors(passports.PlantPassport, "What stands on a plant passport.", protected=list[str])
class PassportData:
    """A botanical name, B registration, C traceability code, D country of origin."""


@strawberry.type(description="A plant passport: its data, its label's lines, its text.")
class PlantPassport:
    """`title` stands upper right; `text` is all of it as lines."""

    data: PassportData
    title: str
    entries: list[PassportEntry]
    text: str


@strawberry.type(description="Plant passports of a batch or a parcel.")
class PlantPassports:
    """`page` prints them as labels (HTML). The caution stands above all of it."""

    passports: list[PlantPassport]
    page: str
    caution: str


@mirrors(
    suspects.Listed,
    "One batch on the inspector's list.",
    why=list[str],
    orders=list[OrderTouched],
)
class ListedBatch:
    """Why it is there, where it stands, what is left, who has its plants."""


@mirrors(
    suspects.InspectorsList,
    "What an inspector asks of a suspected batch and those linked with it.",
    ties=list[suspects.Tie],
    batches=list[ListedBatch],
)
class InspectorsList:
    """The suspected batch first. Report the suspicion to your plant health authority at once."""


PlantPassportsAnswer: TypeAlias = Annotated[
    PlantPassports | Refusal, strawberry.union("PlantPassportsAnswer")
]
InspectorsListAnswer: TypeAlias = Annotated[
    InspectorsList | Refusal, strawberry.union("InspectorsListAnswer")
]


def _passports(found: Sequence[passports.PlantPassport]) -> PlantPassports:
    return PlantPassports(
        passports=[
            PlantPassport(
                data=mirror(PassportData, each, protected=list(each.protected)),
                title=each.title,
                entries=[PassportEntry(letter=a, value=b) for a, b in each.entries()],
                text=each.text(),
            )
            for each in found
        ],
        page=label_page(found),
        caution=passports.CAUTION,
    )


def _list(found: suspects.InspectorsList) -> InspectorsList:
    return mirror(
        InspectorsList,
        found,
        ties=list(found.ties),
        batches=[
            mirror(ListedBatch, each, why=list(each.why), orders=orders(each.orders))
            for each in found.batches
        ],
    )


@strawberry.type
class PlantHealthQueries:
    """Roots about passports and suspected pests."""

    @field("The plant passports of a batch, or of all batches in a parcel.")
    async def plant_passports(
        self,
        info: Info,
        batch_code: str = "",
        promise_id: strawberry.ID | None = None,
        protected_zone: list[str] | None = None,
    ) -> PlantPassportsAnswer:
        """For the packer and the lead. `protected_zone` names the pests of one it goes to."""

        def work(session: Session, token: Token) -> PlantPassports | Refusal:
            pests = protected_zone or []
            if bool(batch_code) == (promise_id is not None):
                return refuse(
                    Code.INVALID, "A batch or a promise", "batch_code", "give one of them"
                )
            if promise_id is None:
                batch = batch_called(session, batch_code)
                return _passports([passports.passport(session, batch, pests)])
            row = session.get(order.Promise, key_of("Promise", promise_id, "promise_id"))
            if row is None:
                return refuse(Code.NOT_FOUND, "There is no such promise", "promise_id", _LOOK_UP)
            return _passports(passports_of_parcel(session, row, pests))

        return await read(info, SHED, work)

    @field("The batches that are linked with one in which a pest is suspected.")
    async def inspectors_list(
        self, info: Info, batch_code: str, ties: list[suspects.Tie] | None = None
    ) -> InspectorsListAnswer:
        """For the packer and the lead; nothing is frozen by asking."""

        def work(session: Session, token: Token) -> InspectorsList:
            by = suspects.EVERY_TIE if ties is None else frozenset(ties)
            return _list(suspects.inspectors_list(session, batch_called(session, batch_code), by))

        return await read(info, SHED, work)


@strawberry.type
class PlantHealthMutations:
    """What is done when a pest is suspected."""

    @mutation("Freezes a batch in which a pest is suspected, and those linked with it.")
    async def suspect_pest(
        self,
        info: Info,
        key: str,
        batch_code: str,
        pest: str,
        ties: list[suspects.Tie] | None = None,
    ) -> InspectorsListAnswer:
        """For the packer and the lead. An authorised person alone signs the vetoes off."""
        body = {"batch_code": batch_code, "pest": pest, "ties": ties}

        def work(session: Session, token: Token) -> InspectorsList:
            by = suspects.EVERY_TIE if ties is None else frozenset(ties)
            batch = batch_called(session, batch_code)
            return _list(suspects.suspect(session, batch, pest, token.name, by))

        return await write(info, SHED, key, body, work)
