"""Is everything that shops were told in the books? Plain SQL, no code of the services."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from nursery.checking import check_database
from nursery.checking.snapshot import Snapshot, snapshot
from tests.faults.shops import Shop, Told

ROWS = """
SELECT promise.id, customer_order.reference, promise.state, product.code, promise_line.quantity
FROM promise JOIN customer_order ON customer_order.id = promise.order_id
JOIN promise_line ON promise_line.promise_id = promise.id
JOIN product ON product.id = promise_line.product_id"""
TWICE = """
SELECT customer_order.reference FROM customer_order JOIN promise
ON promise.order_id = customer_order.id GROUP BY customer_order.reference HAVING COUNT(*) > 1"""
_MAY_HAVE_RUN_OUT = {"reserved": ("reserved", "lapsed")}
_MAY_HAVE_GONE_ON = {
    "reserved": ("reserved", "lapsed", "confirmed", "cancelled"),
    "confirmed": ("confirmed", "cancelled"),
}


@dataclass(frozen=True, slots=True)
class Verdict:
    """What is left? `lost` are promises that a shop was told of and the books do not have so."""

    acknowledged: int
    found: int
    lost: tuple[str, ...]
    doubled: tuple[str, ...]
    other_answers: tuple[str, ...]
    oversold: int
    ledger_difference: int
    faults: tuple[str, ...]
    figures: Mapping[str, Any] = field(default_factory=dict)
    """What else was counted."""

    @property
    def holds(self) -> bool:
        """Is everything as it was told?"""
        wrong = (*self.lost, *self.doubled, *self.other_answers, *self.faults)
        return not wrong and self.oversold == 0 and self.ledger_difference == 0


def judge(address: str, shops: Sequence[Shop]) -> Verdict:
    """Are all promises that these shops were told of in the books, and do the books hold?

    To be asked while no request is under way, or only of promises that nobody changes.
    """
    told = [shop.told for shop in shops]
    with snapshot(address) as books:
        there = _promises(books)
        doubled = tuple(str(row[0]) for row in books.rows(TWICE))
    lost = [line for one in told for line in _lost(one, there, _MAY_HAVE_RUN_OUT)]
    checked = check_database(address)
    acknowledged = sum(len(one.promises) for one in told)
    return Verdict(
        acknowledged=acknowledged,
        found=acknowledged - len(lost),
        lost=tuple(lost),
        doubled=doubled,
        other_answers=tuple(line for one in told for line in one.other_answer),
        oversold=checked.oversold,
        ledger_difference=checked.ledger_difference,
        faults=tuple(fault.line() for fault in checked.faults),
    )


def judge_copy(address: str, known: Mapping[int, tuple[str, dict[str, int], str]]) -> Verdict:
    """Does this copy hold all promises that were known before it was begun, and do its books hold?

    What a shop did with a promise meanwhile may be in it, or not yet.
    """
    with snapshot(address) as books:
        there = _promises(books)
        doubled = tuple(str(row[0]) for row in books.rows(TWICE))
    lost = _lost(Told(promises=dict(known)), there, _MAY_HAVE_GONE_ON)
    checked = check_database(address)
    return Verdict(
        acknowledged=len(known),
        found=len(known) - len(lost),
        lost=tuple(lost),
        doubled=doubled,
        other_answers=(),
        oversold=checked.oversold,
        ledger_difference=checked.ledger_difference,
        faults=tuple(fault.line() for fault in checked.faults),
    )


def _promises(books: Snapshot) -> dict[int, tuple[str, str, dict[str, int]]]:
    there: dict[int, tuple[str, str, dict[str, int]]] = {}
    for promise, reference, state, code, quantity in books.rows(ROWS):
        there.setdefault(promise, (reference, state, {}))[2][code] = quantity
    return there


def _lost(
    told: Told,
    there: dict[int, tuple[str, str, dict[str, int]]],
    later: Mapping[str, tuple[str, ...]],
) -> list[str]:
    lost = []
    for promise, (reference, basket, state) in told.promises.items():
        found = there.get(promise)
        states = later.get(state, (state,))
        if found is None or found[0] != reference or found[2] != basket or found[1] not in states:
            lost.append(f"promise {promise} of {reference}: told {state} {basket}, found {found}")
    return lost
