"""What may go in place of what an order asks for, by consent, and how much does that weigh?

A line goes as ordered, or its plugs come from the pool of what is sold as bought in, or another
product goes that the sheet Substitutes names. Either is done for customers alone who agreed to it,
and never to a parcel from which anything was picked, or to a reship.

To stand in has a price: a line that is not as ordered weighs like `Costs.stand_in_days` days late
of its order, plants that were bought in before another plant, and of others the first named. What
the customer was told when the promise was bought is as ordered; only what a dispatch changed may
be changed back. Telling a customer costs what telling of another day costs, whichever it is.

A customer who takes their consent back gets what was ordered at the next dispatch, whatever the
books have by then, and at no price for it.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import combinations, islice, product

from sqlmodel import Session, col, select

from nursery.dispatching.dispatch_rows import Raw
from nursery.order import CustomerOrder, EventKind, Product, Promise, PromiseEvent, PromiseLine
from nursery.promising.basket import Item, Parcel, pack_minutes, products
from nursery.promising.catalogue import Kind, catalogue_of, so_many
from nursery.promising.facts import facts_of
from nursery.promising.plants import PLANTS, Sends, Sent, sends_in, sends_of
from nursery.reship import Reship
from nursery.shed.packer import Goods
from nursery.stock import Movement

MOST_WAYS = 8
"""So many ways of filling one parcel are tried, those with the fewest lines changed first."""


@dataclass(frozen=True, slots=True)
class Choice:
    """One way of filling a parcel. `mark` tells it from the others while several are tried."""

    sends: Sends
    mark: str = ""


Choices = Mapping[str, Sequence[Choice]]
"""What is tried for which order, by its key in the problem."""


def to_json(choices: Mapping[str, Sends]) -> list[dict[str, object]]:
    """As a stored dispatch keeps which line goes with what."""
    return [
        {
            "key": key,
            "lines": [
                {"ordered": one.ordered, "sent": one.sent, "bought_in": one.bought_in}
                for one in sends
            ],
        }
        for key, sends in sorted(choices.items())
    ]


def from_json(kept: Sequence[Mapping[str, object]]) -> dict[str, Sends]:
    """What `to_json` wrote."""
    found: dict[str, Sends] = {}
    for entry in kept:
        lines = entry["lines"]
        assert isinstance(lines, list)
        found[str(entry["key"])] = tuple(
            Sent(line["ordered"], line["sent"], line["bought_in"]) for line in lines
        )
    return found


def agrees(order: CustomerOrder, one: Sent) -> bool:
    """Does the customer of this order agree to that line, as the order says now?"""
    other = one.sent != one.ordered
    return (not one.bought_in or order.may_be_bought_in) and (not other or order.may_substitute)


def agreed_in(order: CustomerOrder, parcel: Parcel) -> Sends:
    """The lines of this parcel that are not as ordered and to which its customer agrees (still)."""
    return tuple(one for one in sends_of(parcel.items) if agrees(order, one))


class Others:
    """What can be sent in place of what, as the nursery says now."""

    def __init__(self, session: Session) -> None:
        self._session = session
        self._products: dict[int, Product] = {}
        _, facts = facts_of(session)
        kinds = catalogue_of(session, facts).kinds.values()
        self._kinds: Mapping[int, Kind] = {kind.item.product_id: kind for kind in kinds}
        self._site = facts.site

    def place(self, one: Sent) -> int:
        """How far is this from what was ordered? 0: the same plant bought in; 1: the first other.

        One that the sheet does not name (any more) is behind all that it names.
        """
        if one.sent == one.ordered:
            return 0
        kind = self._kinds.get(one.ordered)
        named = [item.product_id for item in kind.substitutes] if kind else []
        return 1 + (named.index(one.sent) if one.sent in named else len(named))

    def back(self, order: CustomerOrder, parcel: Parcel) -> Parcel | None:
        """The parcel without what its customer does not agree to now: those lines as ordered.

        None where the nursery has no pool of what was ordered.
        """
        return self.parcel(order, parcel, agreed_in(order, parcel))

    def goods(self, parcel: Parcel) -> Goods:
        """The products in a parcel, line by line."""
        missing = {item.product_id for item in parcel.items} - self._products.keys()
        if missing:
            rows = products(self._session, col(Product.id).in_(missing))
            self._products |= {row.id or 0: row for row in rows}
        return tuple((self._products[i.product_id], i.quantity) for i in parcel.items)

    def parcel(self, order: CustomerOrder, parcel: Parcel, sends: Sends) -> Parcel | None:
        """The parcel filled in this way; None where the customer or the nursery says no (more).

        Its plugs are as many as were promised, and its minutes those of what is in it.
        """
        if any(not agrees(order, one) for one in sends):
            return None
        if sends == sends_of(parcel.items):
            return parcel
        wanted = {one.ordered: one for one in sends}
        items = []
        for item in parcel.items:
            ordered = item.instead_of or item.product_id
            one = wanted.pop(ordered, None)
            found = self._item(order, item, ordered, one)
            if found is None:
                return None
            items.append(found)
        if wanted or len({item.product_id for item in items}) < len(items):
            return None
        more = pack_minutes(self._site, items) - pack_minutes(self._site, parcel.items)
        items.sort(key=lambda item: item.product_id)
        return Parcel(tuple(items), max(0, parcel.minutes + more))

    def _item(
        self, order: CustomerOrder, item: Item, ordered: int, one: Sent | None
    ) -> Item | None:
        now = Sent(ordered, item.product_id, item.bought_in)
        if now == (one or Sent(ordered, ordered, False)):
            return item
        kind = self._kinds.get(ordered)
        if kind is None:
            return None
        if one is None:
            found: Item | None = kind.item
        elif one.sent == ordered:
            found = kind.bought_in
        elif not one.bought_in:
            found = next((k for k in kind.substitutes if k.product_id == one.sent), None)
        else:
            found = None
        if found is None:
            return None
        if found.product_id == item.product_id:
            return replace(
                item,
                pool_id=found.pool_id,
                notes=found.notes,
                bought_in=found.bought_in,
                instead_of=found.instead_of,
            )
        return so_many(found, item.quantity)

    def ways(self, order: CustomerOrder, parcel: Parcel) -> Iterator[Sends]:
        """In which ways could this parcel be filled? As it is first, then the fewest changes."""
        now = {one.ordered: one for one in agreed_in(order, parcel)}
        on_order = {line.product_id for line in order.lines}
        options: list[list[Sent | None]] = []
        for item in parcel.items:
            ordered = item.instead_of or item.product_id
            kind = self._kinds.get(ordered)
            others: list[Sent | None] = [None]
            if kind is not None and kind.bought_in is not None and order.may_be_bought_in:
                others.append(Sent(ordered, ordered, True))
            if kind is not None and order.may_substitute:
                named = [k.product_id for k in kind.substitutes]
                others += [Sent(ordered, k, False) for k in named if k not in on_order]
            as_it_is = now.get(ordered)
            options.append([as_it_is, *(one for one in others if one != as_it_is)])
        for places in islice(fewest_first([len(each) for each in options]), 4 * MOST_WAYS):
            picked = (each[at] for each, at in zip(options, places, strict=True))
            yield tuple(sorted(one for one in picked if one is not None))


def fewest_first(options: Sequence[int]) -> Iterator[tuple[int, ...]]:
    """All choices of one of so many options a line (0: as it is), those with few changes first.

    Of as many changes the options named first. A large order has more choices than anybody could
    list, so they are made as they are asked for.
    """
    free = [line for line, many in enumerate(options) if many > 1]
    for changed in range(len(free) + 1):
        level = []
        for lines in combinations(free, changed):
            for picked in product(*(range(1, options[line]) for line in lines)):
                places = [0] * len(options)
                for line, place in zip(lines, picked, strict=True):
                    places[line] = place
                level.append(tuple(places))
        yield from sorted(level, key=lambda places: (sum(places), places))


def filled(
    session: Session, raw: Sequence[Raw], choices: Choices, stand_in_days: int
) -> tuple[list[Raw], tuple[str, ...]]:
    """The parcels in every way that is to be tried, and what each weighs that is not as ordered.

    One that is being picked stays as it is, and so does a reship. Lines to which the customer does
    not agree any more are as ordered. Where a way is not allowed (any more) the parcel as it would
    be takes its place, and that is told in the second answer.
    """
    if not choices and all(not sends_of(each.parcel.items) for each in raw):
        return list(raw), ()
    others = Others(session)
    kept = [r.promise for r in raw if r.promise is not None]
    by_dispatch = changed_by_dispatch(session, kept)
    stays = unchangeable(session, [one.id or 0 for one in kept if sends_in(one.lines)])
    found: list[Raw] = []
    withdrawn = []
    for each in raw:
        promise = each.promise.id if each.promise is not None else None
        books = sends_of(each.parcel.items)
        bought = books if promise is not None and promise not in by_dispatch else ()
        fixed = each.fixed or promise in stays
        usual = (None if fixed else others.back(each.order, each.parcel)) or each.parcel
        tried = () if fixed else choices.get(each.key, ())
        for one in tried or (Choice(sends_of(usual.items)),):
            parcel = others.parcel(each.order, each.parcel, one.sends) if tried else usual
            if parcel is None:
                withdrawn.append(f"order {each.order.reference}: its plants may not be changed so")
                parcel = usual
            sends = sends_of(parcel.items)
            worse = sum(stand_in_days + others.place(s) for s in sends if s not in bought)
            made = each._replace(parcel=parcel, mark=one.mark, worse_days=worse)
            if sends != books:
                made = made._replace(changed=True, goods=others.goods(parcel))
            found.append(made)
    return found, tuple(withdrawn)


def changed_by_dispatch(session: Session, promises: Iterable[Promise]) -> frozenset[int]:
    """Which of these promises (ids) hold something else than was bought, since a dispatch said so?

    Read off the events that told the customer.
    """
    ids = [promise.id for promise in promises if sends_in(promise.lines)]
    if not ids:
        return frozenset()
    events = session.exec(
        select(PromiseEvent).where(
            col(PromiseEvent.promise_id).in_(ids),
            col(PromiseEvent.kind).in_((EventKind.RE_DATED, EventKind.CONFIRMED)),
        )
    )
    return frozenset(event.promise_id for event in events if PLANTS in event.detail)


def unchangeable(session: Session, promises: Sequence[int]) -> frozenset[int]:
    """Which of these promises (ids) stay as they are: reships, and those the ledger names?"""
    reships = select(Reship.promise_id).where(col(Reship.promise_id).in_(promises))
    picked = (
        select(PromiseLine.promise_id)
        .join(Movement, col(Movement.promise_line_id) == col(PromiseLine.id))
        .where(col(PromiseLine.promise_id).in_(promises))
    )
    return frozenset(session.exec(reships)) | frozenset(session.exec(picked))
