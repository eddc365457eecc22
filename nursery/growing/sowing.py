"""Which seed may be sown, how much of it is left, and how well does it come up?

A protocol of the method "seed" that is taken from no mother block is sown from its crop's seed
lots, where any are listed. A lot's tested germination then stands for what lives through the strike
stages (of several, the last), since it was measured and the protocol's survival is the book's.
Nothing is sown after a lot's sow-by date, nor more than is left of it.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta

from sqlalchemy import func
from sqlmodel import Session, col, select

from nursery.batch import Batch
from nursery.crop import Crop, Method, Protocol, Stage, StageKind
from nursery.errors import Refusal, Refused
from nursery.seed import SeedLot
from nursery.weeks import Horizon
from nursery.yields import Survival, chain

SEED_OF = "seed of "
"""How the seed of a crop is told from mother blocks among a problem's propagules."""

_FRIDAY = timedelta(days=4)


@dataclass(frozen=True, slots=True)
class SeedLeft:
    """A seed lot and the seeds that are left of it."""

    lot: SeedLot
    left: int


@dataclass(frozen=True)
class SeedBook:
    """All seed lots by crop id, those with the first sow-by date first."""

    by_crop: Mapping[int, tuple[SeedLeft, ...]]

    def of(self, protocol: Protocol) -> tuple[SeedLeft, ...]:
        """Which lots is this protocol sown from? None where it is not sown, or none are listed."""
        return self.by_crop.get(protocol.crop_id, ()) if is_sown(protocol) else ()

    def germination(self, protocol: Protocol, day: date) -> float | None:
        """Which share is expected to come up of what may be sown on this day?

        The mean over the seeds left, lot by lot; over all lots where nothing may be sown. None
        where the protocol's own survival stands.
        """
        lots = self.of(protocol)
        usable = [one for one in lots if one.lot.sow_by >= day and one.left > 0] or list(lots)
        if not usable:
            return None
        weights = [max(1, one.left) for one in usable]
        shares = [one.lot.germination for one in usable]
        return sum(w * s for w, s in zip(weights, shares, strict=True)) / sum(weights)

    def quota(self, protocol: Protocol, horizon: Horizon) -> tuple[int, ...] | None:
        """How many seeds may be sown in each week: those of lots that last until its Friday?"""
        lots = self.of(protocol)
        if not lots:
            return None
        fridays = [week.monday() + _FRIDAY for week in horizon.all_weeks()]
        return tuple(sum(one.left for one in lots if one.lot.sow_by >= day) for day in fridays)


def seed_book(session: Session) -> SeedBook:
    """Which seed lots are there, and what is left of each? Two queries."""
    lots = session.exec(select(SeedLot).order_by(col(SeedLot.sow_by), col(SeedLot.id))).all()
    sown: dict[int, int] = {}
    if lots:
        rows = session.exec(
            select(Batch.seed_lot_id, func.sum(Batch.seeds_sown)).group_by(col(Batch.seed_lot_id))
        ).all()
        sown = {lot_id: int(seeds) for lot_id, seeds in rows if lot_id is not None}
    by_crop: dict[int, list[SeedLeft]] = {}
    for lot in lots:
        left = max(0, lot.seeds - sown.get(lot.id or 0, 0))
        by_crop.setdefault(lot.crop_id, []).append(SeedLeft(lot, left))
    return SeedBook({crop: tuple(found) for crop, found in by_crop.items()})


def is_sown(protocol: Protocol) -> bool:
    """Is this protocol sown from seed lots (and not taken from mother plants)?"""
    return protocol.method is Method.SEED and protocol.mother_block_id is None


def seed_key(crop: Crop) -> str:
    """What is the seed of this crop called among a problem's propagules?"""
    return f"{SEED_OF}{crop.name}"


def seeds_in(protocol: Protocol, trays: int) -> int:
    """How many seeds do so many trays take, as they are sown?"""
    cells = next((s.tray_format.cells for s in protocol.stages if s.tray_format is not None), 0)
    return math.ceil(trays * cells * protocol.propagules_per_cell)


def lot_to_sow(
    session: Session, protocol: Protocol, trays: int, day: date, wanted: SeedLot | None = None
) -> SeedLot | None:
    """Which lot are these trays sown from? The one asked for, else the first to be past sowing.

    None where the protocol is not sown or no lot of its crop is listed. Raises `Refused`:
    "wrong_seed", "seed_past_sow_by", "not_enough_seed".
    """
    lots = seed_book(session).of(protocol)
    if wanted is not None and all(one.lot.id != wanted.id for one in lots):
        raise _refused("wrong_seed", f"Seed lot '{wanted.code}' is not of this protocol's crop")
    if not lots:
        return None
    asked = [one for one in lots if wanted is None or one.lot.id == wanted.id]
    fresh = [one for one in asked if one.lot.sow_by >= day]
    if not fresh:
        last = asked[-1].lot
        raise _refused(
            "seed_past_sow_by", f"Seed lot '{last.code}' was to be sown by {last.sow_by}"
        )
    seeds = seeds_in(protocol, trays)
    for one in fresh:
        if one.left >= seeds:
            return one.lot
    most = max(one.left for one in fresh)
    raise _refused(
        "not_enough_seed", f"{trays} trays take {seeds} seeds, no lot has more than {most} left"
    )


def survivals(stages: Sequence[Stage], germination: float | None = None) -> list[Survival]:
    """Who lives through each of these stages? A tested germination stands for the strike stages."""
    strikes = [n for n, stage in enumerate(stages) if stage.kind is StageKind.STRIKE]
    found = [Survival(stage.used_survival, stage.used_overdispersion) for stage in stages]
    if germination is None or not strikes:
        return found
    for place in strikes:
        mean = germination if place == strikes[-1] else 1.0
        found[place] = Survival(mean, stages[place].used_overdispersion)
    return found


def survival_of(stages: Iterable[Stage], germination: float | None = None) -> Survival:
    """Which share of a batch lives through these stages, one after the other?"""
    return chain(survivals(list(stages), germination))


def _refused(code: str, message: str) -> Refused:
    return Refused(Refusal(code, message, "trays", "test or order seed and list it in Seed lots"))
