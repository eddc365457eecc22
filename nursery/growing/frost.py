"""Which frames are covered before which night, and which trays are brought in, and where to?

From a fresh forecast of the site's own station, as the air of each frame feels it. A cover keeps a
stated few degrees off (sheet Shade); where that is too little the trays go indoors, the tenderest
first, onto benches with free places (the plan keeps some, the site's "Frost reserve"), in areas
that stay above freezing that night. Without a forecast nothing is said here: a person decides.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta

from sqlmodel import Session, col, select

from nursery.batch import Batch
from nursery.climate import felt
from nursery.crop import AreaKind
from nursery.database import now, site
from nursery.growing.air import area_air
from nursery.growing.frames import standing
from nursery.growing.hardening import FROST_C
from nursery.growing.shade_layers import Changes, kept_changes, layers_now
from nursery.growing_area import Bench, GrowingArea
from nursery.order import Product
from nursery.promising.holds import Outlook, read_outlook
from nursery.shading import ShadeSetting

AHEAD_DAYS = 8
"""Today and a week: so far a fresh forecast is looked at."""
INDOORS = (AreaKind.GROWING, AreaKind.PROPAGATION)
"""Where trays from the frames go, the first kind first; as the plan's frost reserve does."""


@dataclass(frozen=True, slots=True)
class Move:
    """Trays of a batch that go indoors for a night; no `go_to`: no place is free for them."""

    batch: str
    crop: str
    trays: int
    places: int
    come_from: str
    go_to: str


@dataclass(frozen=True, slots=True)
class FrostNight:
    """A night (the one that ends on the morning of `day`) in which a frame feels frost.

    `felt_c` is the lowest temperature felt there, `covered_c` under the cover, °C. `bring_in` says
    that covering is not enough; then `moves` say where each batch goes. `batches` are code, plant
    and trays. `latest` is the last day on whose evening it can be done; `minutes` for all hands.
    """

    area: str
    day: date
    felt_c: float
    covered_c: float
    bring_in: bool
    batches: tuple[tuple[str, str, int], ...]
    moves: tuple[Move, ...]
    minutes: int
    persons: int
    latest: date

    @property
    def trays(self) -> int:
        """How many trays stand in the frame?"""
        return sum(trays for _, _, trays in self.batches)

    @property
    def title(self) -> str:
        """What is coming, in one line?"""
        return (
            f"Night to {self.day:%a %d %b}: {self.area} will feel {self.felt_c:.1f} °C"
            f" ({self.covered_c:.1f} °C under a cover)"
        )

    @property
    def what_to_do(self) -> str:
        """What is done about it?"""
        if not self.bring_in:
            return f"cover {self.trays} trays"
        short = sum(move.trays for move in self.moves if not move.go_to)
        lacking = f"; {short} find no place, cover them doubly" if short else ""
        return f"bring in {self.trays} trays{lacking}"

    @property
    def caution(self) -> str:
        """Which one-line caution goes with the work?"""
        ice = "paths may be icy before the morning: grit them first"
        return f"Two people carry covers and full trays; {ice}; local rules rule"


@dataclass(frozen=True, slots=True)
class Outside:
    """Until when is there a fresh forecast, and how many indoor places are free now, or kept?

    `reserve` are the places that plans keep free for the frames' trays in weeks with frost.
    """

    forecast_until: date | None
    free: int
    reserve: int


def frost_nights(session: Session, today: date) -> list[FrostNight]:
    """Which frames with trays in them feel frost in the nights ahead? By day, then area.

    The night that ends this morning is over; the one before tomorrow comes first.
    """
    known = _outlook(session, today)
    if known is None:
        return []
    station = site(session).station_id or 0
    areas = session.exec(select(GrowingArea).order_by(col(GrowingArea.name))).all()
    frames = [
        (area, _tenderest_first(session, batches))
        for area, batches in standing(session, [a for a in areas if a.kind is AreaKind.FRAME])
    ]
    settings = {row.area_id: row for row in session.exec(select(ShadeSetting)).all()}
    kept = kept_changes(session)
    found: list[FrostNight] = []
    for ahead in range(1, AHEAD_DAYS):
        day = today + timedelta(days=ahead)
        for _, low, high in known.said([station], day):
            rooms = _free_places(session, areas, kept, day, low, high)
            for area, batches in frames:
                coldest = _coldest(area, kept, day, low, high)
                if coldest <= FROST_C:
                    setting = settings.get(area.id or 0) or ShadeSetting(area_id=area.id or 0)
                    found.append(_night(session, area, batches, setting, day, coldest, rooms))
    return found


def frost_outlook(session: Session, today: date) -> Outside:
    """How far does the forecast reach, and how many places indoors are free for trays?"""
    known = _outlook(session, today)
    station = site(session).station_id or 0
    days = sorted(known.stations[station].forecast) if known is not None else []
    areas = session.exec(select(GrowingArea)).all()
    benches = [bench for area in areas if area.kind in INDOORS for bench in area.benches]
    frames = [bench for area in areas if area.kind is AreaKind.FRAME for bench in area.benches]
    free = sum(_left(session, benches, today).values())
    places = sum(bench.places for bench in frames)
    return Outside(
        days[-1] if days else None,
        free,
        math.ceil(site(session).frost_reserve * places - 1e-9),
    )


def _outlook(session: Session, today: date) -> Outlook | None:
    here = site(session)
    if here.station_id is None:
        return None
    shelf = timedelta(hours=here.forecast_shelf_hours)
    return read_outlook(session, [here.station_id], today, AHEAD_DAYS, now(session), shelf)


def _coldest(
    area: GrowingArea, kept: Mapping[int, Changes], day: date, low: float, high: float
) -> float:
    return float(felt(area_air(area, layers_now(area, kept, day)), low, high)[0])


def _night(
    session: Session,
    area: GrowingArea,
    batches: Sequence[Batch],
    setting: ShadeSetting,
    day: date,
    coldest: float,
    rooms: dict[str, int],
) -> FrostNight:
    covered = coldest + setting.cover_c
    bring_in = covered <= FROST_C
    moves = (
        tuple(one for batch in batches for one in _moves(batch, area, rooms)) if bring_in else ()
    )
    trays = sum(batch.trays for batch in batches)
    minutes = setting.carry_minutes * trays if bring_in else setting.cover_minutes
    return FrostNight(
        area=area.name,
        day=day,
        felt_c=round(coldest, 1),
        covered_c=round(covered, 1),
        bring_in=bring_in,
        batches=tuple((batch.code, batch.crop.name, batch.trays) for batch in batches),
        moves=moves,
        minutes=math.ceil(minutes),
        persons=2 if bring_in and trays >= site(session).two_person_trays else 1,
        latest=day - timedelta(days=1),
    )


def _moves(batch: Batch, area: GrowingArea, rooms: dict[str, int]) -> list[Move]:
    """Onto the first bench that holds all of it; else split, the roomiest bench first."""
    size = batch.tray_format.places
    come_from = batch.bench.name if batch.bench is not None else area.name
    left, found = batch.trays, []
    while left:
        whole = [name for name, free in rooms.items() if free >= left * size]
        roomiest = max(rooms, key=lambda one: rooms[one], default="")
        name = whole[0] if whole else roomiest
        taken = min(left, rooms.get(name, 0) // size)
        if not taken:
            found.append(Move(batch.code, batch.crop.name, left, left * size, come_from, ""))
            break
        rooms[name] -= taken * size
        left -= taken
        found.append(Move(batch.code, batch.crop.name, taken, taken * size, come_from, name))
    return found


def _free_places(
    session: Session,
    areas: Iterable[GrowingArea],
    kept: Mapping[int, Changes],
    day: date,
    low: float,
    high: float,
) -> dict[str, int]:
    """How many places are free on each bench indoors that stays above freezing that night?

    Benches of the first kind of `INDOORS` that has any free come first.
    """
    warm = [
        area
        for kind in INDOORS
        for area in areas
        if area.kind is kind and _coldest(area, kept, day, low, high) > FROST_C
    ]
    benches = [bench for area in warm for bench in area.benches]
    return _left(session, benches, day)


def _left(session: Session, benches: Sequence[Bench], day: date) -> dict[str, int]:
    """Places less those that batches stand on; batches on no bench take from their kind's last."""
    left = {
        bench.id or 0: 0 if _out_of_use(bench, day) else bench.places for bench in reversed(benches)
    }
    kinds = {bench.id or 0: bench.area.kind for bench in benches}
    for batch in session.exec(select(Batch).where(col(Batch.closed_on).is_(None))).all():
        needs = batch.trays * batch.tray_format.places
        if batch.bench_id is not None:
            if batch.bench_id in left:
                left[batch.bench_id] -= needs
            continue
        for key in left if batch.ready_on is None else ():
            if needs and kinds[key] is batch.stage.area_kind:
                taken = min(needs, max(0, left[key]))
                left[key] -= taken
                needs -= taken
    return {bench.name: max(0, left[bench.id or 0]) for bench in benches}


def _out_of_use(bench: Bench, day: date) -> bool:
    if bench.out_from is None and bench.out_until is None:
        return False
    begun = bench.out_from is None or bench.out_from <= day
    return begun and (bench.out_until is None or day <= bench.out_until)


def _tenderest_first(session: Session, batches: Iterable[Batch]) -> list[Batch]:
    """By the frost that the crop's products stand on the way; those of no product come first."""
    limits: dict[int, float] = {}
    for product in session.exec(select(Product)).all():
        least = limits.get(product.crop_id, -99.0)
        limits[product.crop_id] = max(least, product.frost_limit_c)
    return sorted(batches, key=lambda batch: (-limits.get(batch.crop_id, 99.0), batch.code))
