"""What is picked for a ship day, from where, in which walks, for whom?

Lots with the first last sale date go first. The sheet takes the days before its own into account:
what they will need is not offered again. It is worked out from the books every time, so a reprint
shows what is left to pick; prints are numbered (`print_sheet`). Recording picks and shorts is in
`shed.picking`.
"""

import hashlib
from collections.abc import Iterable, Mapping, Sequence, Set
from dataclasses import asdict, dataclass, replace
from datetime import date, timedelta

import orjson
from sqlalchemy import func
from sqlalchemy.orm import joinedload
from sqlmodel import Session, col, select

from nursery.availability import allot
from nursery.batch import Batch
from nursery.database import now, today
from nursery.errors import Fault
from nursery.growing_area import Bench, GrowingArea
from nursery.locks import lock_ship_days
from nursery.order import (
    CustomerOrder,
    PickPrint,
    Promise,
    State,
)
from nursery.promising.kept_plugs import (
    Chosen,
    barred_lots,
    chosen_lots,
    still_kept,
)
from nursery.shed.packing import LineWrap, Packing, packings
from nursery.shed.slips import Slip, slips_of
from nursery.shed.veto import saleable
from nursery.shed.walks import ToFetch, Walk, walks_of
from nursery.shed.wanted import Wanted, wanted_on, whole_on
from nursery.stock import Grade, Lot


@dataclass(frozen=True, slots=True)
class Part:
    """How many plugs of a pick go to which order?"""

    promise_line_id: int
    order_reference: str
    plugs: int


@dataclass(frozen=True, slots=True)
class Pick:
    """One stop of a walk: so many plugs of one product out of one lot, for one wrap.

    `trays` says the same as `plugs` in the lot's trays ("2 trays + 14"); `wrap_water_g` is the
    water of each wrap, grams; `changed_from` the product's own wrap where this is another;
    `passport_code` the traceability code on the passport. `notes` say what is other than ordered:
    bought in, another cultivar or plant.
    """

    stop: int
    area: str
    bench: str
    batch_code: str
    lot_id: int
    crop: str
    product_code: str
    product: str
    plugs: int
    trays: str
    grade: Grade
    wrap: str
    wrap_water_g: float
    passport_code: str
    last_sale_on: date
    parts: tuple[Part, ...]
    walk: int = 1
    changed_from: str = ""
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Missing:
    """Plugs that no lot in the books can give to this line."""

    promise_line_id: int
    order_reference: str
    product_code: str
    plugs: int


@dataclass(frozen=True, slots=True)
class PickSheet:
    """What is picked for a ship day, in walking order; then a slip per order, by reference.

    `number` is 0 until it is printed. `overdue` has the orders whose ship day passed unpicked
    (the dispatch gives them a new one), `to_repack` those that were not collected.
    """

    ship_day: date
    number: int
    picks: tuple[Pick, ...]
    slips: tuple[Slip, ...]
    missing: tuple[Missing, ...]
    overdue: tuple[str, ...]
    to_repack: tuple[str, ...]
    walks: tuple[Walk, ...] = ()

    @property
    def plugs(self) -> int:
        """How many plugs are picked in all?"""
        return sum(pick.plugs for pick in self.picks)

    def to_json(self) -> str:
        """The sheet for other programs: the same books give the same text."""
        return orjson.dumps(asdict(self), option=orjson.OPT_INDENT_2).decode()


@dataclass(frozen=True, slots=True)
class Stand:
    """A lot that may be picked, and where it stands."""

    lot: Lot
    batch: Batch
    bench: Bench | None
    area: GrowingArea | None

    @property
    def walk(self) -> tuple[bool, int, str, date, str, int]:
        """Where in the walk does it come? Lots that stand on no bench come last."""
        order, name = (self.bench.walk_order, self.bench.name) if self.bench else (0, "")
        lot = self.lot
        return (self.bench is None, order, name, lot.last_sale_on, self.batch.code, lot.id or 0)


Takes = Mapping[int, tuple[tuple[Stand, int], ...]]
"""By promise line (id): which lots give it how many plugs."""


def pick_sheet(session: Session, ship_day: date) -> PickSheet:
    """What is picked for this ship day, in walking order, and what goes into which parcel?

    Confirmed promises of the day, less what is picked already. Lots under a veto, not clear of
    quarantine, not ready by the day or past their last sale date never appear.
    """
    wanted = wanted_on(session, ship_day, ship_day)
    takes = lots_for(session, ship_day, {each.line.pool_id for each in wanted})
    begun = {each.promise.id for each in wanted}
    confirmed = whole_on(session, ship_day, ship_day, [State.CONFIRMED])
    whole = [one for one in confirmed if one.promise.id in begun]
    packed = packings(session, whole)
    walks, picks = _picks(session, wanted, takes, packed)
    return PickSheet(
        ship_day=ship_day,
        number=_prints(session, ship_day),
        picks=picks,
        walks=walks,
        slips=slips_of(session, whole, packed, batches_of(takes)),
        missing=_missing(wanted, takes),
        overdue=_overdue(session),
        to_repack=_references(session, State.NOT_COLLECTED, ship_day),
    )


def print_sheet(session: Session, ship_day: date, printed_by: str) -> PickSheet:
    """Which numbered print of the day's sheet goes out to the benches now?"""
    if not printed_by.strip():
        raise Fault("Pick sheet", "a print needs a name", printed_by, "say who prints it")
    lock_ship_days(session, [ship_day])
    sheet = pick_sheet(session, ship_day)
    digest = hashlib.sha256(replace(sheet, number=0).to_json().encode()).hexdigest()
    row = PickPrint(
        ship_day=ship_day,
        number=sheet.number + 1,
        printed_at=now(session),
        printed_by=printed_by,
        digest=digest,
    )
    session.add(row)
    session.flush()
    return replace(sheet, number=row.number)


def trays_and_plugs(plugs: int, cells: int) -> str:
    """How many whole trays and plugs is that? 222 of 104 cells: "2 trays + 14"; 14: "14 of one"."""
    trays, rest = divmod(plugs, cells)
    if not trays:
        return f"{rest} of one"
    words = "1 tray" if trays == 1 else f"{trays} trays"
    return f"{words} + {rest}" if rest else words


def lots_for(session: Session, ship_day: date, pools: Iterable[int]) -> Takes:
    """Which lots give how many plugs to each line of this ship day?

    Days from today on take theirs before it; within a pool the lot with the first last sale
    date goes first. What is kept for reships of later days stays where it is.
    """
    first = min(today(session), ship_day)
    wanted = wanted_on(session, first, ship_day)
    stands = stands_of(session, pools, first)
    barred = barred_lots(session, [each.line.id or 0 for each in wanted])
    chosen = chosen_lots(session)
    later = wanted_on(session, ship_day + timedelta(days=1), date.max) if chosen else []
    takes: dict[int, tuple[tuple[Stand, int], ...]] = {}
    for pool in sorted(set(pools)):
        mine = [each for each in wanted if each.line.pool_id == pool]
        waits = [e for e in later if e.line.pool_id == pool and (e.line.id or 0) in chosen]
        here = [each for each in stands if each.lot.pool_id == pool]
        takes |= _shared_out(here, mine, waits, first, ship_day, chosen, barred)
    return takes


def stands_of(session: Session, pools: Iterable[int], first: date) -> list[Stand]:
    """Which lots of these pools may be sold on this day or later? First last sale date first."""
    query = (
        select(Lot, Batch, Bench, GrowingArea)
        .options(joinedload(Batch.crop))  # type: ignore[arg-type]
        .join(Batch, col(Lot.batch_id) == col(Batch.id))
        .join(Bench, col(Batch.bench_id) == col(Bench.id), isouter=True)
        .join(GrowingArea, col(Bench.area_id) == col(GrowingArea.id), isouter=True)
        .where(col(Lot.pool_id).in_(sorted(set(pools))))
        .where(col(Lot.plugs) > 0, col(Lot.last_sale_on) >= first)
        .order_by(col(Lot.last_sale_on), col(Lot.ready_on), Batch.code, col(Lot.id))
    )
    found = [Stand(*row) for row in session.exec(query)]
    clear = saleable(session, [each.lot.id or 0 for each in found])
    return [each for each in found if each.lot.id in clear]


def _shared_out(
    stands: Sequence[Stand],
    wanted: Sequence[Wanted],
    later: Sequence[Wanted],
    first: date,
    ship_day: date,
    chosen: Mapping[int, Sequence[Chosen]],
    barred: Mapping[int, Set[int]],
) -> dict[int, tuple[tuple[Stand, int], ...]]:
    """What each line of the ship day gets of one pool's lots; reships first have what is kept."""
    asked = [0] * ((ship_day - first).days + 1)
    plugs = {stand.lot.id or 0: stand.lot.plugs for stand in stands}
    own: dict[int, tuple[Chosen, ...]] = {}
    for each in (*wanted, *later):
        key, day = each.line.id or 0, max(first, each.promise.ship_on)
        own[key] = still_kept(chosen.get(key, ()), each.plugs, _serving(stands, plugs, day))
        for lot_id, many in own[key]:
            plugs[lot_id] -= many
    for each in wanted:
        left_over = each.plugs - sum(many for _, many in own[each.line.id or 0])
        asked[(each.promise.ship_on - first).days] += left_over
    given = allot(
        [(stand.lot.ready_on - first).days for stand in stands],
        [(stand.lot.last_sale_on - first).days for stand in stands],
        list(plugs.values()),
        asked,
    )
    left = [int(many) for many in given[:, -1]] if stands else []
    takes: dict[int, tuple[tuple[Stand, int], ...]] = {}
    for each in wanted:
        if each.promise.ship_on != ship_day:
            continue
        key = each.line.id or 0
        kept = dict(own[key])
        mine, still = [], each.plugs - sum(kept.values())
        for i, stand in enumerate(stands):
            lot_id = stand.lot.id or 0
            taken = 0 if lot_id in barred.get(key, ()) else min(still, left[i])
            left[i] -= taken
            still -= taken
            if taken + kept.get(lot_id, 0):
                mine.append((stand, taken + kept.get(lot_id, 0)))
        takes[key] = tuple(mine)
    return takes


def _serving(stands: Sequence[Stand], plugs: Mapping[int, int], day: date) -> dict[int, int]:
    """The plugs of the lots that are for sale on this day."""
    return {
        stand.lot.id or 0: plugs[stand.lot.id or 0]
        for stand in stands
        if stand.lot.ready_on <= day <= stand.lot.last_sale_on
    }


def _picks(
    session: Session, wanted: Sequence[Wanted], takes: Takes, packed: Mapping[int, Packing]
) -> tuple[tuple[Walk, ...], tuple[Pick, ...]]:
    """Picks in walking order: one a lot, product and wrap, with the orders that share it."""
    wraps = {wrap.promise_line_id: wrap for packing in packed.values() for wrap in packing.wraps}
    stops: dict[tuple[object, ...], _Stop] = {}
    for each in wanted:
        wrap = wraps[each.line.id or 0]
        for stand, plugs in takes[each.line.id or 0]:
            key = (stand.lot.id or 0, each.product.code, wrap.wrap, *each.line.notes)
            part = Part(each.line.id or 0, each.order.reference, plugs)
            stops.setdefault(key, _Stop(stand, each, wrap, [])).parts.append(part)
    listed = sorted(
        stops.values(),
        key=lambda stop: (stop.stand.walk, stop.first.product.code, stop.wrap.changed,
                          stop.wrap.wrap),
    )  # fmt: skip
    walks, order = walks_of(session, [_to_fetch(stop) for stop in listed])
    walk_of = [walk.number for walk in walks for _ in range(walk.stops)]
    return walks, tuple(
        _pick(place + 1, walk, listed[at])
        for place, (walk, at) in enumerate(zip(walk_of, order, strict=True))
    )


@dataclass(frozen=True, slots=True)
class _Stop:
    """What one pick is made of: a lot, the first line that takes of it, its wrap, and who gets."""

    stand: Stand
    first: Wanted
    wrap: LineWrap
    parts: list[Part]

    @property
    def plugs(self) -> int:
        return sum(part.plugs for part in self.parts)


def _to_fetch(stop: _Stop) -> ToFetch:
    return ToFetch(stop.stand.bench, stop.plugs, stop.stand.batch.tray_format.cells)


def _pick(place: int, walk: int, stop: _Stop) -> Pick:
    stand, first, plugs, parts = stop.stand, stop.first, stop.plugs, stop.parts
    return Pick(
        stop=place,
        walk=walk,
        area=stand.area.name if stand.area else "",
        bench=stand.bench.name if stand.bench else "no bench",
        batch_code=stand.batch.code,
        lot_id=stand.lot.id or 0,
        crop=stand.batch.crop.name,
        product_code=first.product.code,
        product=first.product.name,
        plugs=plugs,
        trays=trays_and_plugs(plugs, stand.batch.tray_format.cells),
        grade=first.product.grade,
        wrap=stop.wrap.wrap,
        wrap_water_g=stop.wrap.water_g,
        changed_from=stop.wrap.listed if stop.wrap.changed else "",
        passport_code=stand.batch.code,
        last_sale_on=stand.lot.last_sale_on,
        parts=tuple(sorted(parts, key=lambda part: (part.order_reference, part.promise_line_id))),
        notes=first.line.notes,
    )


def batches_of(takes: Takes) -> dict[int, list[tuple[str, int]]]:
    """By promise line (id): which batches, by code, give it how many plugs?"""
    return {
        line: [(stand.batch.code, plugs) for stand, plugs in given] for line, given in takes.items()
    }


def _missing(wanted: Sequence[Wanted], takes: Takes) -> tuple[Missing, ...]:
    short = (
        (each, each.plugs - sum(plugs for _, plugs in takes[each.line.id or 0])) for each in wanted
    )
    return tuple(
        Missing(each.line.id or 0, each.order.reference, each.product.code, plugs)
        for each, plugs in short
        if plugs
    )


def _overdue(session: Session) -> tuple[str, ...]:
    return _references(session, State.CONFIRMED, today(session) - timedelta(days=1))


def _references(session: Session, state: State, until: date) -> tuple[str, ...]:
    """The orders with a promise in this state whose ship day is `until` or before, by reference."""
    query = (
        select(CustomerOrder.reference)
        .join(Promise, col(Promise.order_id) == col(CustomerOrder.id))
        .where(Promise.state == state, col(Promise.ship_on) <= until)
        .order_by(CustomerOrder.reference)
        .distinct()
    )
    return tuple(session.exec(query))


def _prints(session: Session, ship_day: date) -> int:
    query = select(func.max(PickPrint.number)).where(PickPrint.ship_day == ship_day)
    return int(session.exec(query).one() or 0)
