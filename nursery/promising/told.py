"""What is a shop told of a promise, as it stands at one moment, and of what happened to it?"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date, datetime

from nursery.order import EventKind, Promise, PromiseEvent, State
from nursery.promising.promise_rows import has_lapsed


@dataclass(frozen=True, slots=True)
class ToldLine:
    """So many of a product in a promise: `plugs` promised, `picked` of them already in hand.

    `notes` say what is other than ordered: bought in, another cultivar or plant.
    """

    code: str
    quantity: int
    plugs: int
    picked: int
    product_id: int
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Told:
    """A promise as the shop sees it: its day, its arrival, where it goes, and what is in it."""

    id: int
    reference: str
    state: State
    ship_on: date
    first_ship_on: date
    pack_on: date
    arrives_from: date
    arrives_until: date
    probability: float
    service: str
    country: str
    postcode: str
    reserved_until: datetime | None
    tracking: str
    repack_by: date | None
    lines: tuple[ToldLine, ...]


def told(promise: Promise, at: datetime) -> Told:
    """How does this promise stand at this moment? A reservation that ran out has lapsed."""
    assert promise.id is not None
    return Told(
        id=promise.id,
        reference=promise.order.reference,
        state=State.LAPSED if has_lapsed(promise, at) else promise.state,
        ship_on=promise.ship_on,
        first_ship_on=promise.first_ship_on,
        pack_on=promise.pack_on,
        arrives_from=promise.arrives_from,
        arrives_until=promise.arrives_until,
        probability=promise.probability,
        service=promise.service.name,
        country=promise.order.country,
        postcode=promise.order.postcode,
        reserved_until=promise.reserved_until,
        tracking=promise.tracking,
        repack_by=promise.repack_by,
        lines=tuple(
            ToldLine(
                line.product.code,
                line.quantity,
                line.plugs,
                line.picked,
                line.product_id,
                line.notes,
            )
            for line in promise.lines
        ),
    )


_TOLD = ("ship_on", "arrives_from", "arrives_until", "plants")
"""What of a promise is told anew when it changes: its days, and its plants where any stand in."""


@dataclass(frozen=True, slots=True)
class Untold:
    """A re-dated event that has not been told yet, and the days last told (as JSON)."""

    event_id: int
    before: Mapping[str, object]


@dataclass(frozen=True, slots=True)
class Telling:
    """Is this event told? `instead_of` is one not told yet that says nothing more beside it.

    `before` has the days last told, where they are not those of the event itself.
    """

    is_told: bool
    instead_of: int | None = None
    before: Mapping[str, object] | None = None


class ToldOnce:
    """Which re-dated events, not told yet, say one thing together, or nothing at all?

    A promise that goes from A to B and on to C is told once, from A to C; one that comes back to A
    is not told; other plants and the same again likewise. Any other event of the promise between
    ends the run, and so does one that may have been told. `untold` has such events from before, by
    promise.
    """

    def __init__(self, untold: Mapping[int, Untold] | None = None) -> None:
        self._untold = dict(untold or {})

    def take(self, event: PromiseEvent) -> Telling:
        """What becomes of the next event? To be asked in the order of their ids."""
        run = self._untold.pop(event.promise_id, None)
        before = event.detail.get("before")
        if event.kind is not EventKind.RE_DATED or not isinstance(before, Mapping):
            return Telling(True)
        assert event.id is not None
        if run is None:
            self._untold[event.promise_id] = Untold(event.id, before)
            return Telling(True)
        first = {**before, **run.before}  # plants are told of where any stand in, before or after
        if all(first.get(name) == event.detail.get(name) for name in _TOLD):
            return Telling(False, run.event_id)
        self._untold[event.promise_id] = Untold(event.id, first)
        return Telling(True, run.event_id, first)


def told_once(events: Iterable[PromiseEvent]) -> list[tuple[PromiseEvent, Mapping[str, object]]]:
    """Which of these events, none of them told yet, are told, and with which detail?

    In the order of their ids, as given. See `ToldOnce`.
    """
    once = ToldOnce()
    found: dict[int, tuple[PromiseEvent, Mapping[str, object]]] = {}
    for event in events:
        telling = once.take(event)
        if telling.instead_of is not None:
            found.pop(telling.instead_of, None)
        if telling.is_told:
            found[event.id or 0] = event, detail_told(event, telling.before)
    return list(found.values())


def detail_told(event: PromiseEvent, before: Mapping[str, object] | None) -> Mapping[str, object]:
    """What is said of this event, where these days were last told before it?"""
    return event.detail if before is None else {**event.detail, "before": before}
