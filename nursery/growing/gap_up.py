"""Which half-empty trays are gapped up, and what do the ledgers say of it?

Two to three weeks after the start, plugs fill the gaps that losses left, so that trays come free.
Only plugs of one lineage are put together (the same crop, protocol, stage and tray), since a batch
is one lineage and one traceability code for ever; the plugs leave the one batch's ledger and enter
the other's. Filled cells run a little later than their neighbours (common practice, no source).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta

from sqlmodel import Session

from nursery.batch import Batch
from nursery.database import site, today
from nursery.errors import Refusal, Refused
from nursery.growing.batch_checks import check_movable
from nursery.growing.growth import Growing
from nursery.shed.ledger import balance, held, lock_batches, move
from nursery.stock import Moved

AFTER_DAYS = (14, 21)
"""Gapping up comes two to three weeks after the start (common practice, no source)."""

SECONDS_A_PLUG = 8.0
"""Time to lift a plug and set it again (4 to 8 s to pick one, from memory)."""


@dataclass(frozen=True, slots=True)
class GapUp:
    """A batch to gap up: `plugs` to set over into it (from `donor`, or from its own last trays).

    `trays` come free that way.
    """

    batch: Growing
    donor: Growing | None
    plugs: int
    trays: int

    @property
    def minutes(self) -> int:
        """How long does it take?"""
        return math.ceil(self.plugs * SECONDS_A_PLUG / 60)


def gap_up(
    session: Session, batch: Batch, actor: str, donor: Batch | None = None, plugs: int | None = None
) -> int:
    """How many trays come free when a batch's gaps are filled from a donor of its lineage?

    `plugs` is how many are set over (by default all that fit, of those the donor has growing);
    without a donor the batch's own last trays fill the first ones. The donor stands in as few
    trays afterwards as its plugs fill; one that has nothing left is closed. Raises `Refused`:
    "batch_closed", "veto", "other_lineage", "no_plugs", "no_gaps", "not_enough_plugs".
    """
    both = [batch] if donor is None else [batch, donor]
    lock_batches(session, both)
    for one in both:
        check_movable(session, one)
    gaps = batch.trays * batch.tray_format.cells - balance(session, batch)
    if donor is None or donor.id == batch.id:
        free = _close_up(session, batch)
        if not free:
            raise _refused("no_gaps", f"No tray of '{batch.code}' would come free: {gaps} gaps")
        return free
    why = unlike(batch, donor)
    if why:
        raise _refused("other_lineage", f"'{donor.code}' cannot fill '{batch.code}': {why}")
    there = held(session, donor)
    wanted = plugs if plugs is not None else min(gaps, there)
    if wanted < 1:
        raise _refused("no_plugs", f"At least 1 plug must be set over, got {wanted}")
    if wanted > gaps:
        raise _refused("no_gaps", f"'{batch.code}' has {gaps} empty cells, {wanted} do not fit")
    why = f"gapped up: {donor.code} into {batch.code}"
    move(session, donor, Moved.REGRADED, -wanted, actor, why)
    move(session, batch, Moved.REGRADED, wanted, actor, why)
    before = donor.trays
    if balance(session, donor) == 0:
        donor.closed_on, donor.trays = today(session), 0
        session.add(donor)
        session.flush()
        return before
    return _close_up(session, donor)


def due(
    session: Session, growing: Sequence[Growing], first: date, last: date, overdue: bool
) -> list[GapUp]:
    """Which batches are to be gapped up from `first` to `last`? Reads only.

    Those that were started two weeks before (`overdue`: or up to three), that are filled less than
    the site says, where at least one tray comes free.
    """
    below = site(session).gap_up_below
    found: list[GapUp] = []
    spoken_for: set[int] = set()
    for one in growing:
        day = one.batch.started_on + timedelta(days=AFTER_DAYS[0])
        late = one.batch.started_on + timedelta(days=AFTER_DAYS[1])
        in_time = first <= day <= last or (overdue and day < first <= late)
        filled = fill(one)
        if not in_time or one.vetoed or one.made or filled >= below or one.batch.id in spoken_for:
            continue
        best = _best(one, growing, spoken_for)
        if best is not None and best.trays > 0:
            found.append(best)
            spoken_for.update(x.batch.id or 0 for x in (best.batch, best.donor) if x is not None)
    return found


def fill(one: Growing) -> float:
    """Which share of the batch's cells has a growing plug?"""
    cells = one.batch.trays * one.batch.tray_format.cells
    return one.plugs / cells if cells else 1.0


def unlike(batch: Batch, donor: Batch) -> str:
    """Why may plugs of the donor not be put into this batch? "" where they may."""
    for what, same in (
        ("another crop", batch.crop_id == donor.crop_id),
        ("another protocol", batch.protocol_id == donor.protocol_id),
        ("another stage", batch.stage_id == donor.stage_id),
        ("another tray format", batch.tray_format_id == donor.tray_format_id),
        ("its lineage is not known", bool(batch.lineage and donor.lineage)),
        ("another lineage", batch.lineage == donor.lineage),
        ("another origin", batch.origin_country == donor.origin_country),
        ("another state of health", batch.quarantine is donor.quarantine),
    ):
        if not same:
            return what
    return ""


def _best(one: Growing, growing: Sequence[Growing], spoken_for: set[int]) -> GapUp | None:
    """The donor that empties the most trays; without one, the batch's own last trays."""
    cells = one.batch.tray_format.cells
    gaps = one.batch.trays * cells - one.plugs
    needed = max(1, math.ceil(one.plugs / cells))
    own = GapUp(one, None, max(0, one.plugs - _standing(one, needed)), one.batch.trays - needed)
    best = own
    for other in growing:
        same = other.batch.id == one.batch.id or other.batch.id in spoken_for
        if same or other.vetoed or other.made or unlike(one.batch, other.batch):
            continue
        plugs = min(gaps, other.plugs)
        left = math.ceil((other.plugs - plugs) / cells)
        offer = GapUp(one, other, plugs, other.batch.trays - left)
        if (offer.trays, -offer.plugs) > (best.trays, -best.plugs):
            best = offer
    return best


def _standing(one: Growing, trays: int) -> int:
    """How many plugs stand in so many of its trays already, all being filled alike?"""
    return one.plugs * trays // max(1, one.batch.trays)


def _close_up(session: Session, batch: Batch) -> int:
    needed = max(1, math.ceil(balance(session, batch) / batch.tray_format.cells))
    free = max(0, batch.trays - needed)
    batch.trays -= free
    session.add(batch)
    session.flush()
    return free


def _refused(code: str, message: str) -> Refused:
    return Refused(Refusal(code, message, "batch", "count both batches, or choose another donor"))
