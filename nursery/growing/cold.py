"""May these ready plugs be held cold, and until when may they then be sold?

Plugs keep 2 to 3 weeks at 5 to 10 °C and 1 week at 18 °C (Kaczperski & Armitage, in a handbook on
storage). A lot's last sale date moves by the days it is held, once somebody decides so, and never
by itself: the decision, with who, when, why and the date before, is a row (`ColdHold`). A lot is
held for the crop's `cold_weeks` in all at most, for one week where the store is warmer than 10 °C.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable
from datetime import timedelta

from sqlmodel import Session, col, select

from nursery.database import now, today
from nursery.errors import Fault, Refusal, Refused
from nursery.growing_area import Bench
from nursery.shed.ledger import lock_batches
from nursery.shed.veto import saleable
from nursery.stock import ColdHold, Lot

COLD_C = (5.0, 10.0)
COOL_C = 18.0
COOL_DAYS = 7


def hold_cold(
    session: Session,
    lot: Lot,
    days: int,
    store_c: float,
    actor: str,
    reason: str = "",
    bench: Bench | None = None,
) -> ColdHold:
    """Which record says that this lot is held cold from today, and what is its last sale date now?

    `store_c` is the temperature of the store, °C. With `bench` its batch stands there from now on.
    Raises `Refused`: "no_days", "not_cold" (outside 5 to 18 °C), "past_last_sale",
    "held_long_enough" (says how many days are left), "veto"; `Fault` without an actor.
    """
    if not actor.strip():
        raise Fault("Cold hold", "needs somebody who decides it", actor, "say who decides")
    lock_batches(session, [lot.batch])
    session.refresh(lot)
    day = today(session)
    if days < 1:
        raise _refused("no_days", f"At least 1 day must be held, got {days}", "days")
    if not COLD_C[0] <= store_c <= COOL_C:
        raise _refused(
            "not_cold",
            f"Plugs are held at {COLD_C[0]:g} to {COLD_C[1]:g} °C, or for a week at up to "
            f"{COOL_C:g} °C, not at {store_c:g} °C",
            "storeC",
        )
    if lot.last_sale_on < day:
        raise _refused("past_last_sale", f"{_name(lot)} was for sale until {lot.last_sale_on}")
    if lot.id not in saleable(session, [lot.id or 0]):
        raise _refused("veto", f"{_name(lot)} is not clear or under a veto: it may not be moved")
    left = days_left(lot, holds_of(session, lot), store_c)
    if days > left:
        raise _refused(
            "held_long_enough", f"{_name(lot)} may be held for {left} more days, not {days}", "days"
        )
    row = ColdHold(
        lot_id=lot.id or 0,
        from_day=day,
        days=days,
        store_c=store_c,
        last_sale_before=lot.last_sale_on,
        last_sale_after=lot.last_sale_on + timedelta(days=days),
        decided_by=actor,
        decided_at=now(session),
        reason=reason[:200],
    )
    lot.last_sale_on = row.last_sale_after
    if bench is not None:
        lot.batch.bench_id = bench.id
    session.add_all([row, lot, lot.batch])
    session.flush()
    return row


def days_left(lot: Lot, held: Iterable[ColdHold], store_c: float = COLD_C[1]) -> int:
    """For how many more days may this lot be held in a store of this temperature (°C)?

    `held` are the decisions so far (`holds_of`).
    """
    most = 7 * lot.pool.crop.cold_weeks
    if store_c > COLD_C[1]:
        most = min(most, COOL_DAYS)
    return max(0, most - sum(hold.days for hold in held if hold.withdrawn_at is None))


def withdraw(session: Session, hold: ColdHold) -> None:
    """Takes a decision to hold cold back: the last sale date is again what it was before.

    Raises `Refused` ("changed_since") where the date was moved again since.
    """
    lot = hold.lot
    if hold.withdrawn_at is not None or lot.last_sale_on != hold.last_sale_after:
        raise Refused(
            Refusal(
                "changed_since",
                f"{_name(lot)} is for sale until {lot.last_sale_on} now, no longer until the "
                f"{hold.last_sale_after} that this decision made of it",
                "entry",
                "take the later entries of the batch back first",
            )
        )
    hold.withdrawn_at = now(session)
    lot.last_sale_on = hold.last_sale_before
    session.add_all([hold, lot])
    session.flush()


def holds_of(session: Session, lot: Lot) -> list[ColdHold]:
    """Which decisions moved this lot's last sale date? In order of time, withdrawn ones too."""
    return holds_by_lot(session, [lot.id or 0]).get(lot.id or 0, [])


def holds_by_lot(session: Session, lots: Collection[int]) -> dict[int, list[ColdHold]]:
    """As `holds_of`, of many lots (ids) in one question."""
    query = select(ColdHold).where(col(ColdHold.lot_id).in_(lots))
    found: dict[int, list[ColdHold]] = {}
    for row in session.exec(query.order_by(col(ColdHold.decided_at), col(ColdHold.id))):
        found.setdefault(row.lot_id, []).append(row)
    return found


def _name(lot: Lot) -> str:
    return f"The lot of batch '{lot.batch.code}' ready {lot.ready_on}"


_NEXT = {
    "no_days": "give the number of days",
    "not_cold": "give the store's temperature in °C",
    "veto": "have an authorised person look at it and sign it off",
}


def _refused(code: str, message: str, field: str = "lot") -> Refused:
    usual = "sell, pot on or discard it by its last sale date"
    return Refused(Refusal(code, message, field, _NEXT.get(code, usual)))
