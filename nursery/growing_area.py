"""The nursery's site, its growing areas and benches, and the people who work there."""

from datetime import date

from sqlalchemy import UniqueConstraint
from sqlmodel import Field, Relationship, SQLModel

from nursery.columns import Kind, check, one_of
from nursery.crop import AreaKind
from nursery.weather import Station

WORKING_DAYS = (
    "length(working_days) = 7 AND working_days <> '0000000'"
    " AND replace(replace(working_days, '0', ''), '1', '') = ''"
)
"""Seven 0s and 1s, of which at least one 1."""


class Site(SQLModel, table=True):
    """The nursery itself: one row. A group of nurseries keeps one database each.

    Chances are shares (0.98 = 98 %); `clock_shift_seconds` moves this database's clock
    for rehearsals, demos and a shop's tests, and is 0 in real life. `frost_reserve` is the share
    of the frames' places that is kept free indoors in weeks with frost, `gap_up_below` the share
    of filled cells under which a young batch is gapped up (both from memory, estimates).

    The week's work (common practice or estimates, no source; local rules stand above them): no
    heavy work from an outdoor maximum of `hot_day_c` on; carrying `heavy_trays` is heavy,
    `two_person_trays` are carried by two; a task longer than `longest_task_minutes` is cut into
    parts; a place takes `clean_minutes_a_place` to disinfect; growing batches are counted every
    `count_every_days`, for `count_minutes_a_tray`; plugs too many are discounted `discount_days`
    before their last sale. `working_days` are the weekdays on which people work (Monday first,
    1 = worked); public holidays are free besides.

    A day lies `forecast_error_c` °C from its forecast on the day of issue, and `forecast_drift_c`
    more for each day ahead (standard deviations; estimates from memory).

    So many days after an order is over, its reference, postcode and label reference are erased
    (`shed.erasing`); 0: never by itself.
    """

    __tablename__ = "site"
    __table_args__ = (
        check("site", "one_row", "id = 1"),
        check("site", "country", "length(country) = 2"),
        check("site", "allowance", "allowance >= 0 AND allowance < 1"),
        check("site", "confidence", "confidence_floor > 0 AND confidence_floor < 1"),
        check("site", "hold_risk", "hold_risk > 0 AND hold_risk < 1"),
        check("site", "safe", "safe_quantile >= 0.5 AND safe_quantile < 1"),
        check("site", "reservation", "reservation_minutes >= 1"),
        check("site", "horizon", "horizon_days >= 1"),
        check("site", "packing", "packing_minutes_a_day >= 0 AND parcel_minutes >= 0"),
        check("site", "peaks", "plugs_per_ready_place >= 1"),
        check("site", "starts", "starts_per_week >= 0"),
        check("site", "forecast", "forecast_shelf_hours >= 1"),
        check("site", "frost", "frost_reserve >= 0 AND frost_reserve <= 1"),
        check("site", "gap_up", "gap_up_below >= 0 AND gap_up_below <= 1"),
        check("site", "hot_day_c", "hot_day_c > -60"),
        check("site", "two_person_trays", "two_person_trays >= 1"),
        check("site", "heavy_trays", "heavy_trays >= 1"),
        check("site", "longest_task_minutes", "longest_task_minutes >= 1"),
        check("site", "clean_minutes_a_place", "clean_minutes_a_place >= 0"),
        check("site", "count_every_days", "count_every_days >= 1"),
        check("site", "count_minutes_a_tray", "count_minutes_a_tray >= 0"),
        check("site", "discount_days", "discount_days >= 0"),
        check("site", "working_days", WORKING_DAYS),
        check("site", "trolley_trays", "trolley_trays >= 1"),
        check("site", "lift_g", "lift_g >= 1"),
        check("site", "erase_after_days", "erase_after_days >= 0"),
        check("site", "forecast_error_c", "forecast_error_c >= 0 AND forecast_error_c <= 20"),
        check("site", "forecast_drift_c", "forecast_drift_c >= 0 AND forecast_drift_c <= 5"),
    )
    id: int = Field(default=1, primary_key=True)
    name: str = Field(min_length=1, max_length=120)
    country: str
    holiday_region: str = Field(max_length=12)
    time_zone: str = Field(max_length=60)
    station_id: int | None = Field(default=None, foreign_key="station.id")
    passport_registration: str = Field(default="", max_length=40)
    currency: str = Field(default="EUR", max_length=3)
    allowance: float = 0.05
    confidence_floor: float = 0.98
    hold_risk: float = 0.02
    safe_quantile: float = 0.9
    reservation_minutes: int = 30
    horizon_days: int = 180
    packing_minutes_a_day: int = 480
    parcel_minutes: int = 4
    plugs_per_ready_place: int = 100
    starts_per_week: int = 20
    overflow_cents: int = 600
    regular_cents_per_minute: float = 25.0
    overtime_cents_per_minute: float = 45.0
    forecast_shelf_hours: int = 36
    frost_reserve: float = 0.2
    gap_up_below: float = 0.8
    hot_day_c: float = Field(default=28.0, sa_column_kwargs={"server_default": "28.0"})
    two_person_trays: int = Field(default=20, sa_column_kwargs={"server_default": "20"})
    heavy_trays: int = Field(default=10, sa_column_kwargs={"server_default": "10"})
    longest_task_minutes: int = Field(default=240, sa_column_kwargs={"server_default": "240"})
    clean_minutes_a_place: float = Field(default=1.0, sa_column_kwargs={"server_default": "1.0"})
    count_every_days: int = Field(default=28, sa_column_kwargs={"server_default": "28"})
    count_minutes_a_tray: float = Field(default=0.5, sa_column_kwargs={"server_default": "0.5"})
    discount_days: int = Field(default=14, sa_column_kwargs={"server_default": "14"})
    working_days: str = Field(
        default="1111100", max_length=7, sa_column_kwargs={"server_default": "1111100"}
    )
    forecast_error_c: float = Field(default=1.2, sa_column_kwargs={"server_default": "1.2"})
    forecast_drift_c: float = Field(default=0.35, sa_column_kwargs={"server_default": "0.35"})
    trolley_trays: int = Field(default=12, sa_column_kwargs={"server_default": "12"})
    table_x_m: float = Field(default=0.0, sa_column_kwargs={"server_default": "0.0"})
    lift_g: int = Field(default=15_000, sa_column_kwargs={"server_default": "15000"})
    erase_after_days: int = Field(default=0, sa_column_kwargs={"server_default": "0"})
    promise_planned_starts: bool = False
    clock_shift_seconds: int = 0
    station: Station | None = Relationship()


class GrowingArea(SQLModel, table=True):
    """Where trays stand, and how its air differs from the air outside (design: 4.1).

    Felt = sink_c + coupling * (air - sink_c), then a heated floor (`floor_c`), a vented
    ceiling (`ceiling_c`), and `shade_c` off the day's maximum per shade layer. °C. A place
    stands empty for `cleaning_days` between two batches (1 to 3 days, from memory).
    """

    __tablename__ = "growing_area"
    __table_args__ = (
        one_of("growing_area", "kind", AreaKind),
        check("growing_area", "coupling", "coupling >= 0 AND coupling <= 2"),
        check("growing_area", "shade", "shade_layers >= 0 AND shade_c >= 0"),
        check("growing_area", "cleaning", "cleaning_days >= 0"),
        check(
            "growing_area",
            "ceiling",
            "ceiling_c IS NULL OR floor_c IS NULL OR ceiling_c > floor_c",
        ),
    )
    id: int | None = Field(default=None, primary_key=True)
    name: str = Field(unique=True, min_length=1, max_length=60)
    kind: AreaKind = Field(sa_type=Kind(AreaKind))
    sink_c: float = 0.0
    coupling: float = 1.0
    floor_c: float | None = None
    ceiling_c: float | None = None
    shade_layers: int = 0
    shade_c: float = 2.0
    cleaning_days: int = 1
    benches: list["Bench"] = Relationship(
        back_populates="area", sa_relationship_kwargs={"order_by": "Bench.walk_order"}
    )


class Bench(SQLModel, table=True):
    """A bench: tray places, where it stands (metres), its turn in the walk round."""

    __tablename__ = "bench"
    __table_args__ = (
        check("bench", "places", "places >= 0"),
        check(
            "bench",
            "out_of_use",
            "out_from IS NULL OR out_until IS NULL OR out_until >= out_from",
        ),
    )
    id: int | None = Field(default=None, primary_key=True)
    area_id: int = Field(foreign_key="growing_area.id", index=True)
    name: str = Field(unique=True, min_length=1, max_length=60)
    places: int
    x_m: float = 0.0
    y_m: float = 0.0
    walk_order: int = 0
    out_from: date | None = None
    out_until: date | None = None
    area: GrowingArea = Relationship(back_populates="benches")


class Person(SQLModel, table=True):
    """Somebody who works in propagation: minutes a week, and overtime on top."""

    __tablename__ = "person"
    __table_args__ = (check("person", "minutes", "minutes_a_week >= 0 AND overtime_minutes >= 0"),)
    id: int | None = Field(default=None, primary_key=True)
    name: str = Field(unique=True, min_length=1, max_length=60)
    minutes_a_week: int
    overtime_minutes: int = 0
    skills: str = Field(default="", max_length=200)


class Absence(SQLModel, table=True):
    """Days on which a person is away; both days included."""

    __tablename__ = "absence"
    __table_args__ = (
        UniqueConstraint("person_id", "first_day", name="uq_absence_first_day"),
        check("absence", "days", "last_day >= first_day"),
    )
    id: int | None = Field(default=None, primary_key=True)
    person_id: int = Field(foreign_key="person.id", index=True)
    first_day: date
    last_day: date
    person: Person = Relationship()
