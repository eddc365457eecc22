"""Which frames are covered before which night, and which trays are brought in, and where to?

From a fresh forecast of the site's own station, as the air of each frame feels it. A cover keeps a
stated few degrees off (sheet Shade); where that is too little the trays go indoors, the tenderest
first, onto places that the bench map says are free on that evening and the morning after it (the
plan keeps some, the site's "Frost reserve"), in areas that stay above freezing that night: what
moves in or is started before then, and places that are being cleaned, are not free. Without a
forecast nothing is said here: a person decides.
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
from nursery.database import now, site, today
from nursery.growing.air import area_air
from nursery.growing.frames import standing
from nursery.growing.hardening import FROST_C
from nursery.growing.shade_layers import Changes, kept_changes, layers_now
from nursery.growing_area import Bench, GrowingArea
from nursery.order import Product
from nursery.planning.bench_map import BenchMap, bench_map
from nursery.promising.holds import Outlook, read_outlook
from nursery.shading import ShadeSetting
from nursery.weeks import Week

AHEAD_DAYS = 8
"""Today and a week: so far a fresh forecast is looked at."""
Rooms = dict[str, list[int]]
"""By bench the places that are free, in order."""
_MAP_WEEKS = 3
INDOORS = (AreaKind.GROWING, AreaKind.PROPAGATION)
"""Where trays from the frames go, the first kind first; as the plan's frost reserve does."""


@dataclass(frozen=True, slots=True)
class Move:
    """Trays of a batch that go indoors for a night; no `go_to`: no place is free for them.

    `on` names the places of the bench ("places 81-100"), by the bench map of that night.
    """

    batch: str
    crop: str
    trays: int
    places: int
    come_from: str
    go_to: str
    on: str = ""


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

    @property
    def told(self) -> str:
        """How many places are there, in words, and are those taken that plans keep?"""
        said = f"Indoor places for trays from the frames: {self.free} free now by the bench map"
        if not self.reserve:
            return f"{said}; none are kept (Site sheet, Frost reserve)."
        if self.free >= self.reserve:
            return f"{said}, {self.reserve} of them kept by the plans."
        gone = self.reserve - self.free
        return f"{said}; plans keep {self.reserve}, {gone} of them are taken: `nursery benches`."


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
    taken = Taken(session)
    for ahead in range(1, AHEAD_DAYS):
        day = today + timedelta(days=ahead)
        for _, low, high in known.said([station], day):
            rooms: Rooms = {}
            if any(_coldest(area, kept, day, low, high) <= FROST_C for area, _ in frames):
                rooms = _free_places(taken, areas, kept, day, low, high)
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
    free = sum(len(places) for places in _left(Taken(session), benches, today).values())
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
    rooms: Rooms,
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


def _moves(batch: Batch, area: GrowingArea, rooms: Rooms) -> list[Move]:
    """Onto the first bench that holds all of it; else split, the roomiest bench first."""
    size = batch.tray_format.places
    come_from = batch.bench.name if batch.bench is not None else area.name
    left, found = batch.trays, []
    while left:
        whole = [name for name, free in rooms.items() if len(free) >= left * size]
        roomiest = max(rooms, key=lambda one: len(rooms[one]), default="")
        name = whole[0] if whole else roomiest
        trays = min(left, len(rooms.get(name, ())) // size)
        if not trays:
            found.append(Move(batch.code, batch.crop.name, left, left * size, come_from, ""))
            break
        here = rooms[name][: trays * size]
        del rooms[name][: trays * size]
        left -= trays
        found.append(
            Move(batch.code, batch.crop.name, trays, len(here), come_from, name, _named(here))
        )
    return found


def _named(places: Sequence[int]) -> str:
    """Which places are these? "place 4", "places 4-9, 12"."""
    runs: list[tuple[int, int]] = []
    for place in places:
        if runs and runs[-1][1] == place - 1:
            runs[-1] = (runs[-1][0], place)
        else:
            runs.append((place, place))
    told = ", ".join(str(a) if a == b else f"{a}-{b}" for a, b in runs)
    return f"place {told}" if len(places) == 1 else f"places {told}"


def _free_places(
    taken: Taken,
    areas: Iterable[GrowingArea],
    kept: Mapping[int, Changes],
    day: date,
    low: float,
    high: float,
) -> Rooms:
    """Which places are free on each bench indoors that stays above freezing that night?

    Benches of the first kind of `INDOORS` that has any free come first.
    """
    warm = [
        area
        for kind in INDOORS
        for area in areas
        if area.kind is kind and _coldest(area, kept, day, low, high) > FROST_C
    ]
    return _left(taken, [bench for area in warm for bench in area.benches], day)


def _left(taken: Taken, benches: Sequence[Bench], day: date) -> Rooms:
    """The places that are free from the evening before this day until its morning."""
    night = (day - timedelta(days=1), day)
    return {
        bench.name: []
        if any(_out_of_use(bench, one) for one in night)
        else sorted(set(range(1, bench.places + 1)) - taken.on(bench, night))
        for bench in benches
    }


class Taken:
    """Which places are taken, by the bench map? It is read when first asked."""

    def __init__(self, session: Session) -> None:
        self._session = session
        self._map: BenchMap | None = None

    def on(self, bench: Bench, night: Sequence[date]) -> set[int]:
        """The places of this bench that are taken, or being cleaned, on one of these days."""
        if self._map is None:
            self._map = bench_map(self._session, Week.of(today(self._session)), _MAP_WEEKS)
        gap = next((b.cleaning_days for b in self._map.benches if b.bench == bench.name), 0)
        return {
            place
            for slot in self._map.all_slots
            if slot.bench == bench.name
            and any(slot.enters_on <= day < slot.leaves_on + timedelta(days=gap) for day in night)
            for place in range(slot.first_place, slot.last_place + 1)
        }


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
