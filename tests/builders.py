"""A small nursery for tests: invented, in the Netherlands, with a clock that stands at a day."""

from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

from sqlmodel import Session, select

from nursery.batch import Batch, Quarantine
from nursery.carrier import CarrierService, Transit, Zone, ZonePrefix
from nursery.crop import AreaKind, Clock, Crop, Method, Protocol, Stage, StageKind, TrayFormat
from nursery.database import now
from nursery.growing_area import Bench, GrowingArea, Person, Site
from nursery.order import CustomerOrder, OrderLine, Product, Wrap
from nursery.planned import PlanKind, PlanVersion
from nursery.pools import pool_of
from nursery.stock import Grade, Lot, Moved, Movement, Pool
from nursery.weather import MonthNormal, Station

MILD_MIN = (1, 1, 3, 5, 8, 11, 13, 13, 10, 7, 4, 2)
MILD_MAX = (6, 7, 10, 14, 18, 20, 22, 22, 19, 15, 10, 7)


def small_nursery(session: Session, at: date = date(2027, 3, 1), hour: int = 8) -> Site:
    """One site, two crops, one service to two zones; the clock stands at `at`, `hour` local."""
    station = Station(name="Home", latitude=52.4)
    session.add(station)
    session.flush()
    assert station.id is not None
    for month in range(12):
        session.add(
            MonthNormal(
                station_id=station.id,
                month=month + 1,
                min_c=MILD_MIN[month],
                max_c=MILD_MAX[month],
            )
        )
    site = Site(
        name="Test nursery",
        country="NL",
        holiday_region="NL",
        time_zone="Europe/Amsterdam",
        station_id=station.id,
        passport_registration="NL-123456789",
        frost_reserve=0.0,
        forecast_error_c=0.0,
        forecast_drift_c=0.0,
    )
    session.add(site)
    session.flush()
    set_clock(session, at, hour)
    _areas(session)
    for name, cultivar in (("Caltha palustris", ""), ("Primula rosea", "Gigas")):
        _crop(session, name, cultivar)
    _carrier(session, station.id)
    session.flush()
    return site


def set_clock(session: Session, at: date, hour: int = 8) -> None:
    """Let the database's clock stand at this local hour of this day (it goes on from there)."""
    site = session.get(Site, 1)
    assert site is not None
    wanted = datetime.combine(at, time(hour), ZoneInfo(site.time_zone)).astimezone(UTC)
    site.clock_shift_seconds = 0
    session.flush()
    site.clock_shift_seconds = round((wanted - now(session)).total_seconds())
    session.flush()


def _areas(session: Session) -> None:
    session.add(Person(name="Ada", minutes_a_week=2280, overtime_minutes=300))
    for order, (name, kind, places) in enumerate(
        (
            ("Mist house", AreaKind.PROPAGATION, 40),
            ("Long house", AreaKind.GROWING, 120),
            ("Frames", AreaKind.FRAME, 60),
            ("Sales bench", AreaKind.READY, 80),
        )
    ):
        area = GrowingArea(name=name, kind=kind, sink_c=12.0, coupling=0.6, cleaning_days=0)
        area.benches = [Bench(name=f"{name} 1", places=places, walk_order=order + 1)]
        session.add(area)
    session.add(TrayFormat(name="104", cells=104, places=1, cost_cents=60))
    session.add(Wrap(name="moss and paper", cost_cents=20))
    session.flush()


def _crop(session: Session, name: str, cultivar: str) -> Crop:
    tray = session.exec(select(TrayFormat)).one()
    wrap = session.exec(select(Wrap)).one()
    crop = Crop(botanical_name=name, cultivar=cultivar, plant_group="marsh")
    crop.protocols = [
        Protocol(
            name="division",
            method=Method.DIVISION,
            smallest_batch=2,
            batch_cents=500,
            tray_cents=400,
            batch_minutes=40,
            flush="70/30",
            stages=[
                _stage(1, StageKind.STRIKE, AreaKind.PROPAGATION, Clock.DAYS, 21, tray, 0.9, 30),
                _stage(2, StageKind.GROW_ON, AreaKind.GROWING, Clock.WARMTH, 300, tray, 0.92, 6),
                _stage(3, StageKind.HARDEN_OFF, AreaKind.FRAME, Clock.HARDENING, 8, tray, 0.97, 5),
            ],
        )
    ]
    session.add(crop)
    session.flush()
    assert crop.id is not None and wrap.id is not None
    session.add(Pool(crop_id=crop.id, grade=Grade.A))
    code = "".join(word[0] for word in crop.name.replace("'", "").split()).upper()
    session.add(
        Product(
            code=f"{code}-6",
            name=f"{crop.name}, 6 plugs",
            crop_id=crop.id,
            plugs=6,
            wrap_id=wrap.id,
            price_cents=1450,
        )
    )
    session.flush()
    return crop


def _stage(
    position: int,
    kind: StageKind,
    area: AreaKind,
    clock: Clock,
    amount: float,
    tray: TrayFormat,
    survival: float,
    minutes: float,
) -> Stage:
    limits = {Clock.WARMTH: (4.0, 25.0), Clock.HARDENING: (2.0, 25.0)}.get(clock, (None, None))
    return Stage(
        position=position,
        kind=kind,
        area_kind=area,
        clock=clock,
        clock_amount=amount,
        base_c=limits[0],
        upper_c=limits[1],
        tray_format_id=tray.id,
        survival=survival,
        overdispersion=0.02,
        minutes=minutes,
    )


def _carrier(session: Session, station_id: int) -> None:
    service = CarrierService(name="Van", price_cents=795)
    session.add(service)
    zones = (("Low land", "NL", "NL", ""), ("Hill land", "DE", "DE-NW", ""))
    session.flush()
    assert service.id is not None
    for name, country, region, prefix in zones:
        zone = Zone(name=name, country=country, holiday_region=region, station_id=station_id)
        session.add(zone)
        session.flush()
        assert zone.id is not None
        session.add(ZonePrefix(zone_id=zone.id, country=country, prefix=prefix))
        shares = ((1, 97.0), (2, 2.5), (3, 0.5)) if country == "NL" else ((2, 98.5), (3, 1.5))
        for days, percent in shares:
            session.add(
                Transit(service_id=service.id, zone_id=zone.id, delivery_days=days, percent=percent)
            )


def crop_named(session: Session, name: str) -> Crop:
    """The crop whose botanical name this is."""
    return session.exec(select(Crop).where(Crop.botanical_name == name)).one()


def product_of(session: Session, crop: Crop) -> Product:
    """The one product of this crop."""
    return session.exec(select(Product).where(Product.crop_id == crop.id)).one()


def ready_lot(
    session: Session,
    crop: Crop,
    plugs: int,
    ready_on: date,
    last_sale_on: date,
    code: str | None = None,
) -> Lot:
    """A batch that stands on the sales bench with one lot of counted, clear, saleable plugs."""
    pool = pool_of(session, crop.id or 0, Grade.A)
    tray = session.exec(select(TrayFormat)).one()
    bench = session.exec(select(Bench).where(Bench.name == "Sales bench 1")).one()
    protocol = crop.protocols[0]
    made = len(session.exec(select(Batch)).all()) + 1
    assert crop.id and pool.id and tray.id and protocol.id and protocol.stages[-1].id
    batch = Batch(
        code=code or f"B{made:04d}",
        crop_id=crop.id,
        protocol_id=protocol.id,
        stage_id=protocol.stages[-1].id,
        tray_format_id=tray.id,
        bench_id=bench.id,
        trays=-(-plugs // tray.cells),
        started_on=ready_on - timedelta(weeks=12),
        stage_entered_on=ready_on - timedelta(weeks=2),
        ready_on=ready_on,
        origin_country="NL",
        quarantine=Quarantine.CLEAR,
    )
    session.add(batch)
    session.flush()
    assert batch.id is not None
    lot = Lot(
        batch_id=batch.id,
        pool_id=pool.id,
        ready_on=ready_on,
        last_sale_on=last_sale_on,
        plugs=plugs,
    )
    session.add(lot)
    session.flush()
    moment = now(session)
    session.add(
        Movement(
            batch_id=batch.id,
            lot_id=lot.id,
            sequence=1,
            kind=Moved.COUNTED,
            plugs=plugs,
            balance=plugs,
            actor="builder",
            happened_at=moment,
            recorded_at=moment,
        )
    )
    session.flush()
    return lot


def open_order(
    session: Session,
    reference: str,
    product: Product,
    quantity: int = 1,
    country: str = "NL",
    postcode: str = "1011AB",
) -> CustomerOrder:
    """An order on the book with one line and no promise yet."""
    zone = session.exec(select(Zone).where(Zone.country == country)).first()
    assert zone is not None and zone.id is not None and product.id is not None
    order = CustomerOrder(
        reference=reference,
        placed_at=now(session),
        country=country,
        postcode=postcode,
        zone_id=zone.id,
        lines=[OrderLine(product_id=product.id, quantity=quantity)],
    )
    session.add(order)
    session.flush()
    return order


def accepted_plan(session: Session, first_day: date) -> PlanVersion:
    """A plan that the lead has accepted, from this day on, with no start in it yet."""
    day_before = datetime.combine(first_day - timedelta(days=1), time(), UTC)
    plan = PlanVersion(
        kind=PlanKind.PROPAGATION,
        version=1,
        made_at=day_before,
        first_day=first_day,
        periods=26,
        fingerprint="0",
        problem="{}",
        plan="{}",
        cost=0,
        bound=0,
        rule_of_thumb_cost=0,
        accepted_at=day_before,
        accepted_by="Lea",
    )
    session.add(plan)
    session.flush()
    return plan
