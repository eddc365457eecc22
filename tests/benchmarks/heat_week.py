"""What happens to open orders in a heat week, and what would the rule of thumb have done?

    python -m tests.benchmarks.heat_week [--first DAY] [--days N] [--home CITY] [--seed K]
        [--orders N] [--risk 0.1] [--worse 1.5] [--caution C] [--seconds S] [--out DIR]

Real weather (`heat_weather`), invented orders. A nursery in Seattle posts to Seattle, New York and
Clemson; in other years than 2013 to Seattle and Clemson alone, whose days of those are known. With
`--home Clemson` it stands there, and any year from 1945 to 2019 may be played. In winter (`--first
2014-01-06`) it is frost that holds.
Every morning the forecast comes in, the dispatch is planned again and what leaves that day is
picked and handed over; then customers ask for a day, some for weeks ahead, and take the best
offered. All of it through the real services on a database. In the end every parcel is judged by the
weather that came. One JSON line an order that moved, one a ship day, last line the summary.

A parcel counts as over if, on any day from its ship day to the day after its last promised arrival,
the nursery or the destination had a maximum at or over its plants' limit, or a minimum at or under
their frost limit: what the stated risk is about. `met_heat` counts those that were in it while
under way: the nursery on the ship day,
the destination after it until the parcel was there. `without_a_day_though_calm` counts orders that
were given no day although one was calm, as only hindsight tells; why each got none is counted in
`without_a_day_because` (see `heat_week_why`). `--worse` makes the forecasts'
errors so many times larger than the site's settings say, `--caution` is the plants' caution band
(shown only; nothing is held by it). `--at-once` moves a promise on any morning on which its day is
over the risk, to count what it saves to wait until that is as good as sure, or the eve.
"""

from __future__ import annotations

import argparse
import json
import time
from collections import Counter
from dataclasses import dataclass, field
from datetime import date, timedelta
from math import sqrt
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import numpy as np
from sqlmodel import Session, select

from nursery.carrier import CarrierService, Transit, Zone, ZonePrefix
from nursery.database import Database, migrate, now, open_database
from nursery.dispatching.dispatch import DispatchReport, plan_dispatch
from nursery.growing.forecasting import record_forecast
from nursery.order import (
    CustomerOrder,
    EventKind,
    OrderLine,
    Product,
    Promise,
    PromiseEvent,
    State,
)
from nursery.promising import holds
from nursery.promising.basket import Basket, BasketLine, Destination, Window, limits_of
from nursery.promising.lanes import read_lanes
from nursery.promising.promise import confirm, reserve
from nursery.promising.quote import quote
from nursery.promising.ship_days import Ask, Reason, Way, read_rules
from nursery.promising.ship_days import judge as judge_way
from nursery.shed.handover import hand_over
from nursery.shed.picking import record_pick
from nursery.stock import Lot
from nursery.weather import MonthNormal, Station, WeatherDay
from solver.run import Limits
from tests.benchmarks.heat_weather import (
    NEW_YORK_MAX_F,
    NEW_YORK_MIN_F,
    NEW_YORK_SPREAD_C,
    City,
    Forecaster,
    cities,
)
from tests.benchmarks.heat_week_why import Days
from tests.builders import crop_named, ready_lot, set_clock, small_nursery

FIRST, DAYS = date(2013, 4, 29), 47
PLACES = {
    "Seattle": ("US-WA", "98", ((1, 97.0), (2, 3.0))),
    "New York": ("US-NY", "1", ((2, 70.0), (3, 29.0), (4, 1.0))),
    "Clemson": ("US-SC", "29", ((2, 60.0), (3, 38.0), (4, 2.0))),
}
"""City, holiday region, beginning of its postcodes, share of parcels by delivery day (invented)."""
SHARES = (0.5, 0.35, 0.15)
"""Of customers, by place (invented)."""
HOME = "Seattle"
LIMITS = {"CP-6": 28.0, "PRG-6": 32.0}
"""What the plants stand, °C: a bog plant and a tougher one (invented)."""
FROST_C = -3.0
"""The lowest that both stand, °C (the trade's usual limit, from memory)."""
FIXED_C = 25.0
"""The fixed threshold of the second rule of thumb: nothing leaves if the nursery's own forecast of
the ship day is at or over it."""
ERROR_C, DRIFT_C = 1.2, 0.35
FLOOR = 0.85
PATIENCE_DAYS = 21
_AFTER = 10
"""Days after the season on which its last parcels may still be under way."""


@dataclass(frozen=True)
class Wish:
    """What a customer asks for, when and where."""

    reference: str
    placed_on: date
    place: str
    code: str
    quantity: int
    not_before: date | None


@dataclass
class Season:
    """A run as it goes on."""

    db: Database
    weather: dict[str, City]
    forecasters: dict[str, Forecaster]
    wishes: dict[date, list[Wish]]
    seconds: float
    home: str = HOME
    forecast_home: dict[date, float] = field(default_factory=dict)
    moved: list[dict[str, Any]] = field(default_factory=list)
    shipped: dict[str, date] = field(default_factory=dict)
    stated: list[float] = field(default_factory=list)
    looked: Days = field(default_factory=Days)
    planning: list[float] = field(default_factory=list)


def open_season(db: Database, asked: argparse.Namespace) -> Season:
    """The nursery in Seattle with its stock, its stations and its customers' wishes."""
    weather = known_cities(asked.first, asked.days)
    if asked.home not in weather:
        raise SystemExit(f"{asked.home} has days missing in this season: choose another --first")
    with db.writing() as session:
        _nursery(session, weather, asked)
    forecasters = {
        name: Forecaster(city, ERROR_C * asked.worse, DRIFT_C * asked.worse, asked.seed + number)
        for number, (name, city) in enumerate(weather.items())
    }
    wishes = _wishes(list(weather), asked.first, asked.days, asked.orders, asked.seed)
    return Season(db, weather, forecasters, wishes, asked.seconds, asked.home)


def known_cities(first: date, days: int) -> dict[str, City]:
    """Which of the cities have every day of this season, and the days after it on the way?"""
    season = [first + timedelta(days=i) for i in range(days + _AFTER)]
    return {
        name: city
        for name, city in cities().items()
        if name in PLACES and all(day in city.days for day in season)
    }


def _nursery(session: Session, weather: dict[str, City], asked: argparse.Namespace) -> None:
    first = asked.first
    here = small_nursery(session, first, 6)
    here.country, here.holiday_region, here.time_zone = "US", "US-WA", "America/Los_Angeles"
    here.hold_risk, here.confidence_floor, here.allowance = asked.risk, FLOOR, 0.0
    here.forecast_error_c, here.forecast_drift_c = ERROR_C, DRIFT_C
    here.passport_registration = "US-1"
    set_clock(session, first, 6)
    for table in (Transit, ZonePrefix, Zone, MonthNormal):
        for row in session.exec(select(table)):
            session.delete(row)
    session.flush()
    stations = {asked.home: here.station_id}
    for name in weather:
        if name != asked.home:
            station = Station(name=name)
            session.add(station)
            session.flush()
            stations[name] = station.id
    home = session.get_one(Station, here.station_id)
    home.name = asked.home
    for name, station_id in stations.items():
        _known(session, weather[name], station_id or 0, first)
        _zone(session, name, station_id or 0)
    for crop, code in (("Caltha palustris", "CP-6"), ("Primula rosea", "PRG-6")):
        product = session.exec(select(Product).where(Product.code == code)).one()
        product.heat_limit_c, product.max_days_in_box = LIMITS[code], 6
        product.caution_c, product.frost_limit_c = asked.caution, FROST_C
        ready_lot(session, crop_named(session, crop), 60_000, first, first + timedelta(days=300))


def _known(session: Session, city: City, station_id: int, first: date) -> None:
    """What the nursery could know before the season: observed days, or monthly normals."""
    if city.name == "New York":
        for month in range(12):
            session.add(
                MonthNormal(
                    station_id=station_id,
                    month=month + 1,
                    min_c=(NEW_YORK_MIN_F[month] - 32) / 1.8,
                    max_c=(NEW_YORK_MAX_F[month] - 32) / 1.8,
                    min_sd_c=NEW_YORK_SPREAD_C,
                    max_sd_c=NEW_YORK_SPREAD_C,
                )
            )
        return
    session.add_all(
        WeatherDay(station_id=station_id, day=day, min_c=low, max_c=high)
        for day, low, high in city.before(first)
    )


def _zone(session: Session, name: str, station_id: int) -> None:
    region, prefix, shares = PLACES[name]
    zone = Zone(name=name, country="US", holiday_region=region, station_id=station_id)
    session.add(zone)
    session.flush()
    assert zone.id is not None
    session.add(ZonePrefix(zone_id=zone.id, country="US", prefix=prefix))
    service = session.exec(select(CarrierService)).one()
    assert service.id is not None
    for days, percent in shares:
        session.add(
            Transit(service_id=service.id, zone_id=zone.id, delivery_days=days, percent=percent)
        )
    session.flush()


def _wishes(
    places: list[str], first: date, days: int, a_day: float, seed: int
) -> dict[date, list[Wish]]:
    """Who asks for what on each day? Half of them for a day some weeks ahead."""
    shares = np.array([share for name, share in zip(PLACES, SHARES, strict=True) if name in places])
    rng = np.random.default_rng((seed, 7))
    found: dict[date, list[Wish]] = {}
    for ahead in range(days):
        day = first + timedelta(days=ahead)
        for number in range(int(rng.poisson(a_day))):
            later = int(rng.integers(4, 29)) if rng.random() < 0.5 else 0
            wish = Wish(
                f"W-{day:%m%d}-{number}",
                day,
                str(rng.choice(places, p=shares / shares.sum())),
                str(rng.choice(list(LIMITS))),
                int(rng.integers(1, 4)),
                day + timedelta(days=later) if later else None,
            )
            found.setdefault(day, []).append(wish)
    return found


def live_through(season: Season, day: date) -> None:
    """One day: forecasts in, dispatch planned again, parcels out, customers answered."""
    with season.db.writing() as session:
        set_clock(session, day, 6)
        for name, forecaster in season.forecasters.items():
            days = forecaster.issued(day)
            record_forecast(session, name, now(session), days)
            if name == season.home:
                season.forecast_home[day] = days[0].max_c
    start = time.perf_counter()
    report = plan_dispatch(season.db, Limits(season.seconds, threads=1), "heat week")
    season.planning.append(time.perf_counter() - start)
    _note(season, report, day)
    with season.db.writing() as session:
        _send(season, session, day)
    with season.db.writing() as session:
        set_clock(session, day, 10)
    for wish in season.wishes.get(day, ()):
        with season.db.writing() as session:
            _ask(session, wish)
    with season.db.reading() as session:
        season.looked.look(session, day)


def _note(season: Season, report: DispatchReport, day: date) -> None:
    for one in report.moved:
        season.moved.append(
            {
                "kind": "moved",
                "order": one.reference,
                "said_on": str(day),
                "from": str(one.from_day),
                "to": str(one.to_day),
                "days": (one.to_day - one.from_day).days,
                "reason": one.reason,
            }
        )


def _send(season: Season, session: Session, day: date) -> None:
    """Everything promised for today is picked and handed over."""
    lots = {lot.pool_id: lot for lot in session.exec(select(Lot))}
    rules = read_rules(session, [zone.id or 0 for zone in session.exec(select(Zone))])
    rows = session.exec(
        select(Promise).where(Promise.ship_on == day, Promise.state == State.CONFIRMED)
    ).all()
    for promise in rows:
        for line in promise.lines:
            record_pick(session, line, lots[line.pool_id], line.plugs - line.picked, "packer")
        (lane,) = rules.lanes[promise.order.zone_id]
        product = promise.lines[0].product
        way = judge_way(rules, lane, day, Ask(limits_of(product), 0))
        season.stated.append(_hold_chance(way))
        hand_over(session, promise.id or 0, f"T-{promise.id}", "packer")
        season.shipped[promise.order.reference] = day


def _hold_chance(way: Way | tuple[Reason, ...]) -> float:
    """What is stated when a parcel leaves: the chance of heat or frost on its way."""
    if isinstance(way, Way):
        return 1 - (1 - way.heat_chance) * (1 - way.frost_chance)
    return 1.0


def _ask(session: Session, wish: Wish) -> None:
    """The customer takes the best day that is offered, or leaves the order with the nursery."""
    basket = Basket((BasketLine(wish.code, wish.quantity),))
    there = Destination("US", f"{PLACES[wish.place][1]}00000"[:5])
    window = Window(not_before=wish.not_before)
    until = (wish.not_before or wish.placed_on) + timedelta(days=PATIENCE_DAYS)
    best = quote(session, basket, there, None, until, window, most=1).options
    if best:
        made = reserve(
            session, wish.reference, basket, there, best[0].ship_on, best[0].service, "shop", window
        )
        confirm(session, made.id or 0, "shop")
        return
    zone = session.exec(select(Zone).where(Zone.name == wish.place)).one()
    product = session.exec(select(Product).where(Product.code == wish.code)).one()
    session.add(
        CustomerOrder(
            reference=wish.reference,
            placed_at=now(session),
            country="US",
            postcode=there.postcode,
            zone_id=zone.id or 0,
            not_before=wish.not_before,
            lines=[OrderLine(product_id=product.id or 0, quantity=wish.quantity)],
        )
    )


@dataclass(frozen=True)
class Sent:
    """A parcel as the weather judges it."""

    wish: Wish
    ship_on: date
    arrives_until: date
    arrived_on: date


class Judge:
    """Which parcels met heat, by the weather that came?"""

    def __init__(self, season: Season, session: Session, seed: int) -> None:
        self._weather, self._seed, self._home = season.weather, seed, season.home
        zones = {zone.name: zone.id or 0 for zone in session.exec(select(Zone))}
        lanes = read_lanes(session, list(zones.values()))
        self._lanes = {name: lanes[zone][0] for name, zone in zones.items()}
        self._numbers = {
            wish.reference: number
            for number, wish in enumerate(one for each in season.wishes.values() for one in each)
        }

    def sent(self, wish: Wish, ship_on: date, floor: float = FLOOR) -> Sent:
        """When is a parcel that leaves on this day there? Drawn once an order, whoever sends it."""
        chances = self._lanes[wish.place].leg(ship_on).chances
        shares = np.cumsum([share for _, share in chances])
        drawn = np.random.default_rng((self._seed, 11, self._numbers[wish.reference])).random()
        until = chances[int(np.argmax(shares >= floor - 1e-9))][0]
        return Sent(wish, ship_on, until, chances[int(np.argmax(shares >= drawn))][0])

    def is_open(self, wish: Wish, day: date) -> bool:
        """Does the carrier collect on this day?"""
        return self._lanes[wish.place].leg(day).closed is None

    def over(self, parcel: Sent) -> bool:
        """Was a limit reached at either end, to the day after the last promised arrival?"""
        days = (parcel.arrives_until - parcel.ship_on).days + 2
        return any(
            self._hot(place, parcel.ship_on + timedelta(days=i), parcel.wish.code)
            for i in range(days)
            for place in (self._home, parcel.wish.place)
        )

    def met_heat(self, parcel: Sent) -> bool:
        """Was it too hot or too cold where the parcel was?"""
        under_way = (parcel.arrived_on - parcel.ship_on).days
        return self._hot(self._home, parcel.ship_on, parcel.wish.code) or any(
            self._hot(parcel.wish.place, parcel.ship_on + timedelta(days=i + 1), parcel.wish.code)
            for i in range(under_way)
        )

    def _hot(self, place: str, day: date, code: str) -> bool:
        known = self._weather[place].days.get(day)
        return known is not None and (known[1] >= LIMITS[code] or known[0] <= FROST_C)


def by_thumb(season: Season, judge: Judge, wish: Wish, last: date, fixed: bool) -> Sent | None:
    """Monday to Wednesday, the first that arrives when it is wanted; `fixed`: the nursery's own
    forecast of the ship day under `FIXED_C` as well."""
    day = wish.placed_on + timedelta(days=1)
    while day <= last:
        hot = fixed and season.forecast_home.get(day, 0.0) >= FIXED_C
        if day.weekday() <= 2 and judge.is_open(wish, day) and not hot:
            parcel = judge.sent(wish, day)
            if wish.not_before is None or parcel.arrives_until >= wish.not_before:
                return parcel
        day += timedelta(days=1)
    return None


def calm_day(judge: Judge, wish: Wish, last: date) -> date | None:
    """On which day could it have left without meeting heat, had anybody known the weather?"""
    days = (wish.placed_on + timedelta(days=i) for i in range(1, (last - wish.placed_on).days + 1))
    sent = (judge.sent(wish, day) for day in days if judge.is_open(wish, day))
    asked = wish.not_before or date.min
    return next(
        (one.ship_on for one in sent if one.arrives_until >= asked and not judge.over(one)), None
    )


def counted(judge: Judge, parcels: list[Sent]) -> dict[str, Any]:
    """How many parcels, how many over, and how long after they were wanted did they leave?"""
    waits = [
        (one.ship_on - max(one.wish.placed_on, one.wish.not_before or date.min)).days
        for one in parcels
    ]
    return {
        "parcels": len(parcels),
        "over": sum(judge.over(one) for one in parcels),
        "met_heat": sum(judge.met_heat(one) for one in parcels),
        "mean_days_after_wish": round(float(np.mean(waits)), 2) if waits else None,
    }


def told(session: Session) -> Counter[int]:
    """How many customers were told of another day, by how often each was?"""
    rows = session.exec(
        select(PromiseEvent.promise_id).where(PromiseEvent.kind == EventKind.RE_DATED)
    )
    return Counter(Counter(rows).values())


def moved_back(moves: list[dict[str, Any]]) -> int:
    """How many moves took a promise back to a sooner day than it had?"""
    return sum(one["days"] < 0 for one in moves)


def summary(season: Season, first: date, days: int, risk: float, seed: int) -> dict[str, Any]:
    """The figures of the whole run."""
    last = first + timedelta(days=days - 1)
    wishes = {one.reference: one for each in season.wishes.values() for one in each}
    with season.db.reading() as session:
        judge, often = Judge(season, session, seed), told(session)
        promised = len(session.exec(select(Promise.id)).all())
        with_day = set(
            session.exec(
                select(CustomerOrder.reference)
                .join(Promise)
                .where(Promise.state == State.CONFIRMED, Promise.ship_on > last)
            )
        )
        references = set(session.exec(select(CustomerOrder.reference)))
        open_orders = references - set(season.shipped) - with_day
    groups = {
        key: f"{wishes[key].place}, {LIMITS[wishes[key].code]:g} °C" for key in sorted(open_orders)
    }

    def over(key: str, day: date) -> bool:
        return judge.over(judge.sent(wishes[key], day))

    ours = [judge.sent(wishes[key], day) for key, day in season.shipped.items()]
    names = set(season.shipped)
    found = counted(judge, ours)
    allowed = risk * len(ours)
    error = sqrt(len(ours) * risk * (1 - risk))
    thumbs: dict[str, Any] = {}
    for name, fixed in (("monday_to_wednesday", False), ("fixed_threshold", True)):
        parcels = [
            parcel
            for wish in wishes.values()
            if (parcel := by_thumb(season, judge, wish, last, fixed)) is not None
        ]
        thumbs[name] = counted(judge, parcels)
        same = [one for one in parcels if one.wish.reference in names]
        thumbs[f"{name}_same_orders"] = counted(judge, same)
    return {
        "kind": "summary",
        "name": f"heat weeks {first} to {last}",
        "orders": len(wishes),
        "promised": promised,
        "promised_for_later": len(with_day),
        "without_a_day": len(open_orders),
        "without_a_day_though_calm": sum(
            calm_day(judge, wishes[key], last) is not None for key in open_orders
        ),
        "without_a_day_because": season.looked.classes(groups, over),
        "days_held_from_them": season.looked.held_days(groups, over),
        "moved": sum(often.values()),
        "told_once": often[1],
        "told_more_often": sum(often.values()) - often[1],
        "moved_back": moved_back(season.moved),
        "moved_because": dict(Counter(one["reason"] for one in season.moved)),
        "days_moved": dict(sorted(Counter(one["days"] for one in season.moved).items())),
        "stated_risk": risk,
        **found,
        "sum_of_stated_chances": round(sum(season.stated), 1),
        "allowed_by_the_risk": round(allowed, 1),
        "binomial_error": round(error, 1),
        "within_the_risk": found["over"] <= allowed + 2 * error,
        "rules_of_thumb": thumbs,
        "seconds_a_replan": round(float(np.mean(season.planning)), 2),
    }


def ship_days(season: Season, first: date, days: int, forecasts: dict[str, City]) -> list[Any]:
    """The level of each day on which something left, beside the weather of the day."""
    levels = Counter(season.shipped.values())
    found = []
    for ahead in range(days):
        day = first + timedelta(days=ahead)
        if levels[day] or any(one["from"] == str(day) for one in season.moved):
            hottest = {n: round(c.days[day][1], 1) for n, c in forecasts.items() if day in c.days}
            away = sum(one["from"] == str(day) for one in season.moved)
            found.append(
                {
                    "kind": "day",
                    "day": str(day),
                    "parcels": levels[day],
                    "moved_away": away,
                    "maximum_c": hottest,
                }
            )
    return found


def run(asked: argparse.Namespace, folder: Path) -> list[dict[str, Any]]:
    """The lines of a run: what moved, the days, the summary."""
    db = open_database(str(folder / "nursery.sqlite"))
    usual = holds.AS_GOOD_AS_SURE
    if asked.at_once:
        holds.AS_GOOD_AS_SURE = 0.0
    try:
        migrate(db)
        season = open_season(db, asked)
        for ahead in range(asked.days):
            live_through(season, asked.first + timedelta(days=ahead))
        days = ship_days(season, asked.first, asked.days, season.weather)
        return [
            *season.moved,
            *days,
            summary(season, asked.first, asked.days, asked.risk, asked.seed),
        ]
    finally:
        holds.AS_GOOD_AS_SURE = usual
        db.close()


def arguments(given: list[str] | None = None) -> argparse.Namespace:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    parser.add_argument("--first", type=date.fromisoformat, default=FIRST)
    parser.add_argument("--days", type=int, default=DAYS)
    parser.add_argument("--home", choices=("Seattle", "Clemson"), default=HOME)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--orders", type=float, default=12.0, help="a day, on average")
    parser.add_argument("--risk", type=float, default=0.1)
    parser.add_argument("--worse", type=float, default=1.0, help="than the settings say")
    parser.add_argument("--caution", type=float, default=1.0, help="°C under the limits")
    parser.add_argument("--at-once", action="store_true", help="move what is over the risk at once")
    parser.add_argument("--seconds", type=float, default=0.3, help="for each replan")
    parser.add_argument("--out", type=Path, help="folder for heat_week.jsonl")
    return parser.parse_args(given)


def main() -> None:
    asked = arguments()
    with TemporaryDirectory() as folder:
        lines = run(asked, Path(folder))
    text = "\n".join(json.dumps(line, ensure_ascii=False) for line in lines)
    print(text)
    if asked.out:
        asked.out.mkdir(parents=True, exist_ok=True)
        (asked.out / "heat_week.jsonl").write_text(text + "\n")


if __name__ == "__main__":
    main()
