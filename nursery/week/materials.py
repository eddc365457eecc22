"""Which trays, substrate, labels, wrap and boxes are used when, and what is ordered by when?

Used week by week:
- *trays, substrate, labels*: for each tray filled: the accepted plan's starts that were not made
  yet, and batches (growing or planned) that move into trays of another format;
- *wrap and boxes*: for each bundle (one product on an order) and each parcel: promises in the week
  of their pack day, in the wraps and boxes that are chosen for them, open order lines without a
  promise and expected sales of the demand. Plugs that are only expected count in bundles of the
  crop's product with the fewest plugs; parcels hold as many bundles as orders on the book have on
  average (see `week.posted`). A material of the kind boxes that has the
  name of a kind of box is used by that alone; one of another name by all that have no row;
- *heat and cold packs*: each parcel that is promised and needs them (`week.pack_use`).
A material lasts until stock, less what is spare, no longer covers what is used. It must be there on
the Monday of that week, so it is ordered `lead_days` before, on a working day. Rows that nobody has
listed are assumed (`assumed_materials`), without stock: count it first. Where some are listed, what
is used besides (trays of a format, their substrate, labels, a wrap, boxes) stands there as not
listed; list what is not ordered (trays that are washed, say) with an amount of 0.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from itertools import pairwise

import numpy as np
from sqlmodel import Session, col, select

from nursery.clocks import EXPECTED, NEVER
from nursery.crop import Protocol, Stage, StageKind, TrayFormat
from nursery.database import site, today
from nursery.errors import Refusal, Refused
from nursery.growing.air import Air, air_of
from nursery.growing.growth import growing_batches, growing_stages, passages, walk_stages
from nursery.growing.sowing import seed_book, seeds_in, survival_of
from nursery.material import Material, MaterialKind, UsedFor
from nursery.order import Wrap
from nursery.planned import PlannedStart, starts_with_ways
from nursery.planning.accepted import accepted_plan
from nursery.planning.propagation_problem import batch_trays
from nursery.travelling import ParcelBox
from nursery.week.pack_use import packs_used
from nursery.week.posted import Posted, posted
from nursery.weeks import Horizon, Week
from nursery.working_days import working_day_before

ASSUMED_LEAD_DAYS = 14
_NO_SOURCE = "common practice, no source"
NOT_LISTED = "not listed"
MOST_WEEKS = 104
_CELL_CM3 = ((72, 43.0), (128, 23.0), (288, 7.0))
"""Volume of a cell by cells a tray (Ontario, vegetable transplants in plug trays)."""

_Weeks = list[float]


@dataclass(frozen=True, slots=True)
class CallOff:
    """One material: what is used, what is there, and what must be ordered by when.

    `used` has one value a week from `first_week`. `lasts_until` is the last week that the stock
    covers, None where it covers none; `order_by` None where nothing need be ordered, or nobody has
    counted the stock: then `order` is what all weeks shown use. `order` is in whole packs. `late`
    where the order day has passed; `assumed` where nobody listed the material (`NOT_LISTED` where
    others are listed).
    """

    name: str
    kind: str
    unit: str
    first_week: str
    used: tuple[float, ...]
    in_stock: float | None
    lasts_until: str | None
    short_from: str | None
    lead_days: int
    order_by: date | None
    order: float
    late: bool
    assumed: str = ""

    @property
    def total(self) -> float:
        """How much is used in all weeks shown?"""
        return sum(self.used)

    def __str__(self) -> str:
        if self.assumed == NOT_LISTED:
            return f"{self.name}: {self.total:g} {self.unit} are used, and it is not listed"
        if self.in_stock is None and self.total:
            return f"{self.name}: {self.total:g} {self.unit} are used, nobody has counted the stock"
        if self.order_by is None:
            return f"{self.name}: enough for all weeks shown"
        when = "at once, it is late already" if self.late else f"by {self.order_by:%a %d %b %Y}"
        return (
            f"{self.name}: order {self.order:g} {self.unit} {when} ({self.in_stock:g} in stock, "
            f"runs out in {self.short_from}, {self.lead_days} days on the way)"
        )


def call_off(session: Session, weeks: int = 12) -> list[CallOff]:
    """Which materials are used in the next `weeks` weeks, and which must be ordered by when?

    What must be ordered first comes first. Reads only. Raises Refused `invalid` for less than a
    week, or more than two years.
    """
    if not 1 <= weeks <= MOST_WEEKS:
        said = f"1 to {MOST_WEEKS} weeks are looked ahead, got {weeks}"
        raise Refused(Refusal("invalid", said, "weeks", "give a number of weeks"))
    day = today(session)
    horizon = Horizon(Week.of(day), weeks)
    rows = session.exec(select(Material).order_by(col(Material.id))).all()
    assumed = "" if rows else _NO_SOURCE
    usual = assumed_materials(session)
    named = frozenset(row.name for row in (rows or usual) if row.kind is MaterialKind.BOXES)
    taken = posted(session, horizon, day)
    needs = _needs(session, horizon, day, named, taken)
    found = [_line(session, row, needs.of(row), horizon, day, assumed) for row in (rows or usual)]
    if rows:
        found += [
            _line(session, row, needs.of(row), horizon, day, NOT_LISTED)
            for row in usual
            if any(needs.of(row)) and not any(_covers(one, row, needs.boxes) for one in rows)
        ]
    found += _seed(session, horizon, day)
    found += _packs(session, horizon, day, taken)
    last = date.max
    return sorted(found, key=lambda line: (line.order_by or last, line.name))


def _covers(listed: Material, used: Material, boxes: Mapping[str, _Weeks]) -> bool:
    """Is what is used of this kind, for this tray format, wrap or box, in a row that is listed?"""
    return (
        listed.kind is used.kind
        and (listed.name not in boxes or listed.name == used.name)
        and (listed.tray_format_id is None or listed.tray_format_id == used.tray_format_id)
        and (listed.wrap_id is None or listed.wrap_id == used.wrap_id)
    )


def assumed_materials(session: Session) -> list[Material]:
    """Which materials does every nursery use, where nobody has listed any? Fresh rows, no stock.

    New trays of each format, a litre count of substrate by cell volume, a label a tray, wrap, a box
    a parcel; lead times: common practice, no source.
    """
    found: list[Material] = []
    for tray in session.exec(select(TrayFormat).order_by(col(TrayFormat.id))).all():
        litres = round(tray.cells * cell_cm3(tray.cells) / 1000, 1)
        for name, kind, unit, amount in (
            (f"trays {tray.name}", MaterialKind.TRAYS, "pieces", 1.0),
            (f"substrate for trays {tray.name}", MaterialKind.SUBSTRATE, "litres", litres),
        ):
            found.append(
                Material(
                    name=name,
                    kind=kind,
                    unit=unit,
                    used_for=UsedFor.TRAY,
                    amount=amount,
                    tray_format_id=tray.id,
                )
            )
    found.append(Material(name="labels", kind=MaterialKind.LABELS, used_for=UsedFor.TRAY))
    for wrap in session.exec(select(Wrap).order_by(col(Wrap.id))).all():
        found.append(
            Material(
                name=wrap.name, kind=MaterialKind.WRAP, used_for=UsedFor.BUNDLE, wrap_id=wrap.id
            )
        )
    kinds = session.exec(select(ParcelBox.name).order_by(col(ParcelBox.name))).all()
    for name in kinds or ["boxes"]:
        found.append(Material(name=name, kind=MaterialKind.BOXES, used_for=UsedFor.PARCEL))
    return found


def cell_cm3(cells: int) -> float:
    """How much does one cell of a tray hold? cm3, between the published trays by power law."""
    pairs = list(pairwise(_CELL_CM3))
    (low, a), (high, b) = next((pair for pair in pairs if cells <= pair[1][0]), pairs[-1])
    return float(a * (cells / low) ** (math.log(b / a) / math.log(high / low)))


@dataclass(frozen=True)
class _Needs:
    """Filled and packed each week: trays by format, bundles by wrap, parcels, batches, boxes.

    `named` are the materials that may be one kind of box, by its name.
    """

    trays: Mapping[int, _Weeks]
    bundles: Mapping[int | None, _Weeks]
    parcels: _Weeks
    batches: _Weeks
    boxes: Mapping[str, _Weeks]
    named: frozenset[str]

    def of(self, row: Material) -> _Weeks:
        """How many trays, batches, bundles or parcels use this material in each week?"""
        if row.used_for is UsedFor.PARCEL and row.kind is MaterialKind.BOXES and self.boxes:
            return self._boxes(row.name)
        if row.used_for is UsedFor.PARCEL:
            return self.parcels
        if row.used_for is UsedFor.BATCH:
            return self.batches
        if row.used_for is UsedFor.TRAY:
            return _sum(self.trays, row.tray_format_id, len(self.parcels))
        return _sum(self.bundles, row.wrap_id, len(self.parcels))

    def _boxes(self, name: str) -> _Weeks:
        """The boxes of this name; of all kinds without a row of their own, for another name."""
        if name in self.boxes:
            return self.boxes[name]
        others = [weeks for box, weeks in self.boxes.items() if box not in self.named]
        return [sum(used[week] for used in others) for week in range(len(self.parcels))]


def _sum(by_key: Mapping[int, _Weeks] | Mapping[int | None, _Weeks], key: int | None,
         weeks: int) -> _Weeks:  # fmt: skip
    if key is not None:
        return by_key.get(key, [0.0] * weeks)
    return [sum(row[week] for row in by_key.values()) for week in range(weeks)]


def _line(
    session: Session, row: Material, used_by: _Weeks, horizon: Horizon, day: date, assumed: str
) -> CallOff:
    used = [round(row.amount * number, 2) for number in used_by]
    stock = row.in_stock or 0.0
    return _called(
        session, row.name, row.kind.value, row.unit, used, row.in_stock, stock - row.spare,
        row.lead_days, row.pack, horizon, day, assumed,
    )  # fmt: skip


def _called(
    session: Session,
    name: str,
    kind: str,
    unit: str,
    used: Sequence[float],
    in_stock: float | None,
    free: float,
    lead_days: int,
    pack: float,
    horizon: Horizon,
    day: date,
    assumed: str,
) -> CallOff:
    short = next(
        (w for w in range(horizon.weeks) if sum(used[: w + 1]) > max(free, 0.0) + 1e-9), None
    )
    order_by = None
    if short is not None and in_stock is not None:
        there = max(horizon.week(short).monday(), day)
        order_by = working_day_before(site(session), there - timedelta(days=lead_days))
    missing = max(0.0, sum(used) - free) if short is not None else 0.0
    return CallOff(
        name=name,
        kind=kind,
        unit=unit,
        first_week=str(horizon.start),
        used=tuple(used),
        in_stock=in_stock,
        lasts_until=str(horizon.week((short if short is not None else horizon.weeks) - 1))
        if short != 0
        else None,
        short_from=str(horizon.week(short)) if short is not None else None,
        lead_days=lead_days,
        order_by=order_by,
        order=math.ceil(missing / pack - 1e-9) * pack,
        late=order_by is not None and order_by < day,
        assumed=assumed,
    )


def _needs(
    session: Session, horizon: Horizon, day: date, named: frozenset[str], taken: Posted
) -> _Needs:
    trays: dict[int, _Weeks] = defaultdict(lambda: [0.0] * horizon.weeks)
    batches = [0.0] * horizon.weeks
    air = air_of(session, day)
    for week, protocol, number in _starts(session, horizon):
        batches[week] += 1
        for at, tray_format, filled in _filled_by_start(air, horizon, week, protocol, number):
            trays[tray_format][at] += filled
    for at, tray_format, filled in _filled_by_batches(session, air, horizon, day):
        trays[tray_format][at] += filled
    return _Needs(trays, taken.bundles, taken.parcels, batches, taken.boxes, named)


def _starts(session: Session, horizon: Horizon) -> Iterator[tuple[int, Protocol, int]]:
    """The accepted plan's starts that were not made yet: week, protocol, trays."""
    plan = accepted_plan(session)
    if plan is None:
        return
    rows = session.exec(
        select(PlannedStart)
        .where(PlannedStart.plan_id == plan.id, col(PlannedStart.batch_id).is_(None))
        .options(*starts_with_ways())
    ).all()
    for row in rows:
        week = horizon.index(Week.parse(row.week))
        if 0 <= week < horizon.weeks:
            yield week, row.protocol, row.trays


_Filled = Iterator[tuple[int, int, float]]


def _filled_by_start(
    air: Air, horizon: Horizon, week: int, protocol: Protocol, trays: int
) -> _Filled:
    """Week, tray format and trays that a start fills now and where it is set over later."""
    stages = growing_stages(protocol)
    ends = walk_stages(air, stages, np.array([air.entry(horizon.week(week).monday())]))
    cells = next((s.tray_format.cells for s in stages if s.tray_format is not None), 0)
    entry, standing = week, None
    for place, stage in enumerate(stages):
        tray = stage.tray_format
        bought = stage.kind in (StageKind.ON_ORDER, StageKind.ISOLATION)
        if tray is not None and tray.id != standing and entry < horizon.weeks:
            plugs = trays * cells * survival_of(stages[:place]).mean
            filled = trays if tray.cells == cells else math.ceil(plugs / tray.cells - 1e-9)
            if not bought:  # a supplier's plants come in their own trays
                yield entry, tray.id or 0, float(filled)
            standing = tray.id
        end = int(np.median(ends[place]))
        if end >= NEVER:
            return
        entry = max(entry, horizon.index(air.date(end)))


def _filled_by_batches(session: Session, air: Air, horizon: Horizon, day: date) -> _Filled:
    """The same for batches that grow already and will be set over into another format."""
    growing = growing_batches(session)
    for one, way in zip(growing, passages(air, growing, day), strict=True):
        standing: int | None = one.batch.tray_format_id
        left: Sequence[Stage] = one.stages_left
        for place, stage in enumerate(left[1:], start=1):
            end = way.leaves(EXPECTED, place - 1)
            week = horizon.weeks if end >= NEVER else max(0, horizon.index(air.date(end)))
            if week >= horizon.weeks:
                break
            if stage.tray_format_id is not None and stage.tray_format_id != standing:
                standing = stage.tray_format_id
                yield week, standing, float(batch_trays(one, place))


def _seed(session: Session, horizon: Horizon, day: date) -> list[CallOff]:
    """Seed that the accepted plan sows, crop by crop, where seed lots are listed."""
    book = seed_book(session)
    used: dict[str, list[float]] = {}
    free: dict[str, int] = {}
    for week, protocol, trays in _starts(session, horizon):
        lots = book.of(protocol)
        if not lots:
            continue
        name = f"seed of {protocol.crop.name}"
        used.setdefault(name, [0.0] * horizon.weeks)[week] += seeds_in(protocol, trays)
        free[name] = sum(one.left for one in lots if one.lot.sow_by >= day)
    return [
        _called(
            session, name, "seed", "seeds", sown, float(free[name]), float(free[name]),
            ASSUMED_LEAD_DAYS, 1.0, horizon, day, "",
        )
        for name, sown in sorted(used.items())
    ]  # fmt: skip


def _packs(session: Session, horizon: Horizon, day: date, taken: Posted) -> list[CallOff]:
    """Heat and cold packs, as listed in sheet Packs."""
    return [
        _called(
            session, row.name, "packs", "pieces", used,
            None if row.in_stock is None else float(row.in_stock),
            float((row.in_stock or 0) - row.spare), row.lead_days, float(row.sold_in), horizon, day,
            "",
        )
        for row, used in packs_used(session, horizon, taken.packed)
    ]  # fmt: skip
