"""The sheets of growing: the site, its weather, crops and protocols, areas, people, batches."""

from dataclasses import replace
from datetime import date, datetime
from functools import partial

from nursery.batch import Batch, Quarantine
from nursery.bench_slot import StandApart
from nursery.crop import Crop, Protocol, Stage, TrayFormat
from nursery.growing_area import Absence, Bench, GrowingArea, Person, Site
from nursery.mother_plant import MotherBlock, MotherPause
from nursery.seed import SeedLot
from nursery.stock import Grade, Lot, Veto
from nursery.weather import Forecast, MonthNormal, Station, WeatherDay
from nursery.week.recurring import RecurringWork
from nursery.workbook.sheet import Column, Reference, Sheet, Type, column, naming

MOST = 10**9
"""The largest whole number a sheet takes; both databases keep it in four bytes."""

_CROP = "Caltha palustris"
_crop = naming("Crop", _CROP, help="as in Crops: Botanical name 'Cultivar'")
_station = naming("Station", "Home", help="as in Stations")

_c = partial(column, Station)
STATIONS = Sheet(
    "Stations",
    Station,
    ("Name",),
    (
        _c("Name", "name", "Home"),
        _c("Latitude", "latitude", 52.4, unit="degrees north", low=-90, high=90),
    ),
    help="Places with weather: the nursery's own, and one for each zone you post to.",
)

_c = partial(column, Site)
SITE = Sheet(
    "Site",
    Site,
    (),
    (
        _c("Name", "name", "Low Meadow Plugs"),
        _c("Country", "country", "NL", help="ISO 3166 code of two letters"),
        _c("Holiday region", "holiday_region", "NL", help="country or country-subdivision"),
        _c("Time zone", "time_zone", "Europe/Amsterdam", help="IANA name"),
        naming("Station", "Home", needed=False, help="as in Stations"),
        _c("Passport registration", "passport_registration", "NL-123456789"),
        _c("Currency", "currency", "EUR"),
        _c("Allowance", "allowance", 0.05, type=Type.SHARE, low=0, below=1,
           help="share of counted plugs kept back for rejects and wrong counts"),
        _c("Confidence floor", "confidence_floor", 0.98, type=Type.SHARE, above=0, below=1,
           help="smallest chance of keeping its date that a quote may have"),
        _c("Hold risk", "hold_risk", 0.02, type=Type.SHARE, above=0, below=1,
           help="largest chance of heat or frost on a parcel's whole way: above it a day is held; "
           "most parcels are far below it; above 1 less Confidence floor it opens no more days"),
        _c("Safe quantile", "safe_quantile", 0.9, type=Type.SHARE, low=0.5, below=1,
           help="share of weather years in which a promised batch is ready in time"),
        _c("Reservation", "reservation_minutes", 30, unit="minutes", low=1, high=100_000),
        _c("Horizon", "horizon_days", 180, unit="days", low=1, high=3660),
        _c("Packing minutes", "packing_minutes_a_day", 480, unit="minutes a day",
           low=0, high=MOST),
        _c("Parcel minutes", "parcel_minutes", 4, unit="minutes a parcel", low=0, high=MOST),
        _c("Plugs a ready place", "plugs_per_ready_place", 100, unit="plugs a tray place",
           low=1, high=MOST),
        _c("Batch starts", "starts_per_week", 20, unit="batches a week", low=0, high=MOST),
        _c("Overflow", "overflow_cents", 600, unit="cents a place and week", low=0, high=MOST),
        _c("Regular work", "regular_cents_per_minute", 25.0, unit="cents a minute",
           low=0, high=MOST),
        _c("Overtime work", "overtime_cents_per_minute", 45.0, unit="cents a minute",
           low=0, high=MOST),
        _c("Forecast shelf life", "forecast_shelf_hours", 36, unit="hours", low=1, high=8784),
        _c("Forecast error", "forecast_error_c", 1.2, unit="°C", low=0, high=20,
           help="how far a day usually lies from its forecast on the day of issue"),
        _c("Forecast drift", "forecast_drift_c", 0.35, unit="°C more a day ahead", low=0, high=5),
        _c("Frost reserve", "frost_reserve", 0.2, type=Type.SHARE, low=0, high=1,
           help="share of the frames' places kept free indoors in weeks with frost"),
        _c("Gap up below", "gap_up_below", 0.8, type=Type.SHARE, low=0, high=1,
           help="share of filled cells under which a young batch is gapped up"),
        _c("Hot day", "hot_day_c", 28.0, unit="°C", celsius=True, above=-60, high=60,
           help="outdoor maximum from which nothing heavy is carried; local rules rule"),
        _c("Two people from", "two_person_trays", 20, unit="trays", low=1, high=MOST,
           help="so many trays are carried by two; local rules rule"),
        _c("Heavy from", "heavy_trays", 10, unit="trays", low=1, high=MOST,
           help="carrying so many trays is heavy work; local rules rule"),
        _c("Longest task", "longest_task_minutes", 240, unit="minutes", low=1, high=MOST,
           help="a longer one is cut into parts that may fall on several days"),
        _c("Cleaning a place", "clean_minutes_a_place", 1.0, unit="minutes a tray place",
           low=0, high=1440),
        _c("Count every", "count_every_days", 28, unit="days", low=1, high=3660),
        _c("Counting", "count_minutes_a_tray", 0.5, unit="minutes a tray", low=0, high=1440),
        _c("Discount", "discount_days", 14, unit="days before the last sale", low=0, high=3660),
        _c("Working days", "working_days", "1111100",
           help="Monday first, 1 = people work then; public holidays are free besides"),
        _c("Trolley", "trolley_trays", 12, unit="trays a trolley holds", low=1, high=1000),
        _c("Packing table", "table_x_m", 0.0, unit="m, X of the packing table",
           low=-10_000, high=10_000),
        _c("Lift", "lift_g", 15_000, unit="g, the heaviest a packed box may be", low=1,
           high=10**6, help="local rules on lifting rule"),
        _c("Erase after", "erase_after_days", 0, unit="days after an order is over",
           low=0, high=36_600,
           help="its reference, postcode and label reference; 0 = never by itself"),
        _c("Promise planned starts", "promise_planned_starts", False,
           help="yes: starts that are only planned may be promised on as pre-orders"),
    ),
    (Reference("station_id", "Stations", ("Station",), needed=False),),
    help="The nursery itself: one row.",
)  # fmt: skip


def _degrees(model: type[MonthNormal | WeatherDay | Forecast]) -> tuple[Column, Column]:
    # Too hot is judged for the whole series, which may be in °F (group_rules.in_celsius).
    at = partial(column, model, unit="°C", celsius=True, above=-90)
    return at("Minimum", "min_c", 1.0), at("Maximum", "max_c", 6.5)


_at_station = (Reference("station_id", "Stations", ("Station",)),)
_c = partial(column, MonthNormal)
NORMALS = Sheet(
    "Normals",
    MonthNormal,
    ("Station", "Month"),
    (
        _station,
        _c("Month", "month", 1, low=1, high=12, help="1 = January"),
        *_degrees(MonthNormal),
        _c("Minimum deviation", "min_sd_c", 3.0, unit="°C", low=0, high=30,
           help="standard deviation of daily minima"),
        _c("Maximum deviation", "max_sd_c", 3.5, unit="°C", low=0, high=30,
           help="standard deviation of daily maxima"),
    ),
    _at_station,
    help="Twelve rows a station: means of daily minimum and maximum in each month.",
)  # fmt: skip
WEATHER = Sheet(
    "Weather",
    WeatherDay,
    ("Station", "Day"),
    (_station, column(WeatherDay, "Day", "day", date(2026, 1, 1)), *_degrees(WeatherDay)),
    _at_station,
    help="Observed days. Two years or more make the plan's growth forecasts yours.",
)
_c = partial(column, Forecast)
FORECASTS = Sheet(
    "Forecasts",
    Forecast,
    ("Station", "Day", "Issued at"),
    (
        _station,
        _c("Day", "day", date(2027, 3, 2)),
        _c("Issued at", "issued_at", datetime(2027, 3, 1, 6, 0)),
        *_degrees(Forecast),
    ),
    _at_station,
    help="What was forecast, and when: a forecast past its shelf life is not used.",
)

_c = partial(column, TrayFormat)
TRAYS = Sheet(
    "Tray formats",
    TrayFormat,
    ("Name",),
    (
        _c("Name", "name", "104"),
        _c("Cells", "cells", 104, unit="cells a tray", low=1, high=2000),
        _c("Places", "places", 1, unit="tray places", low=1, high=100),
        _c("Cost", "cost_cents", 60, unit="cents a tray", low=0, high=MOST),
    ),
)
_c = partial(column, Crop)
_cents = partial(column, Crop, unit="cents a plug", low=0, high=MOST)
CROPS = Sheet(
    "Crops",
    Crop,
    ("Botanical name", "Cultivar"),
    (
        _c("Botanical name", "botanical_name", _CROP),
        _c("Cultivar", "cultivar", "", help="without quotation marks; blank for the species"),
        _c("Group", "plant_group", "marsh"),
        _c("Life", "life_weeks", 4, unit="weeks from ready to last sale", low=1, high=520),
        _c("Lateness", "lateness_weeks", 2, unit="weeks customers wait", low=0, high=520),
        _c("Service level", "service_level", 0.9, type=Type.SHARE, above=0, below=1,
           help="chance that a batch gives the plugs wanted of it"),
        _cents("Unmet", "shortage_cents", 150.0, help="cost of a plug wanted and not there"),
        _cents("Late", "late_cents", 15.0, unit="cents a plug and week"),
        _cents("Store", "store_cents", 0.5, unit="cents a plug and week"),
        _cents("Discard", "discard_cents", 5.0),
        _c("Priority", "priority", 1.0, above=0, high=1000,
           help="2 = a plug unmet or late is as bad as two of another crop"),
        _c("Cold weeks", "cold_weeks", 2, unit="weeks held cold at most", low=0, high=104),
    ),
)  # fmt: skip
_c = partial(column, MotherBlock)
MOTHER_BLOCKS = Sheet(
    "Mother blocks",
    MotherBlock,
    ("Code",),
    (
        _c("Code", "code", "M-CALTHA"),
        _crop,
        _c("Plants", "plants", 60, unit="mother plants", low=0, high=MOST),
        _c("Reserve", "reserve", 10, unit="mother plants never cut", low=0, high=MOST),
        _c("Yield", "propagules_a_week", 4.0, unit="propagules a plant and week",
           low=0, high=10**6),
        _c("Use from", "use_from", None),
        _c("Use until", "use_until", None),
        _c("Renewal", "renewal_weeks", 8, unit="weeks before use ends", low=0, high=520,
           help="when young plants that take its place are wanted; 0: not renewed"),
    ),
    (Reference("crop_id", "Crops", ("Crop",)),),
)  # fmt: skip
_c = partial(column, MotherPause)
MOTHER_PAUSES = Sheet(
    "Mother pauses",
    MotherPause,
    ("Mother block", "First week"),
    (
        naming("Mother block", "M-CALTHA", help="as in Mother blocks"),
        _c("Kind", "kind", "blackout"),
        _c("First week", "first_week", 16, unit="week of the year", low=1, high=53),
        _c("Last week", "last_week", 21, unit="week of the year", low=1, high=53),
    ),
    (Reference("block_id", "Mother blocks", ("Mother block",)),),
    help="Weeks of every year in which nothing is taken; may run over new year.",
)
_c = partial(column, Protocol)
PROTOCOLS = Sheet(
    "Protocols",
    Protocol,
    ("Crop", "Protocol"),
    (
        _crop,
        _c("Protocol", "name", "division"),
        _c("Method", "method", "division"),
        naming("Mother block", None, needed=False, help="as in Mother blocks"),
        _c("Propagules a cell", "propagules_per_cell", 1.0, low=0, high=1000),
        _c("Smallest batch", "smallest_batch", 2, unit="trays", low=1, high=MOST),
        _c("Tray cost", "tray_cents", 400, unit="cents a tray", low=0, high=MOST),
        _c("Batch cost", "batch_cents", 500, unit="cents a batch", low=0, high=MOST),
        _c("Batch minutes", "batch_minutes", 40, unit="minutes a batch", low=0, high=MOST),
        _c("Extra weeks", "extra_weeks", 0, unit="weeks it may wait before ready",
           low=0, high=104),
        _c("Extra cost", "extra_cents", 0, unit="cents a tray and week", low=0, high=MOST),
        _c("Flush", "flush", "70/30", unit="per cent ready in each week, such as 70/20/10"),
        _c("Only by consent", "by_consent", None,
           help="sold as bought in, only to customers who agreed; blank: if the method says so"),
        _c("Assumed", "assumed", "", help="what nobody typed: written by the short form"),
    ),
    (
        Reference("crop_id", "Crops", ("Crop",)),
        Reference("mother_block_id", "Mother blocks", ("Mother block",), needed=False),
    ),
)  # fmt: skip
_protocol = naming("Protocol", "division", help="as in Protocols")
_c = partial(column, Stage)
STAGES = Sheet(
    "Stages",
    Stage,
    ("Crop", "Protocol", "Position"),
    (
        _crop,
        _protocol,
        _c("Position", "position", 1, low=1, high=99, help="1, 2, 3 ... without a gap"),
        _c("Kind", "kind", "strike"),
        _c("Area kind", "area_kind", "propagation house"),
        naming("Tray format", "104", needed=False, help="as in Tray formats"),
        _c("Clock", "clock", "days"),
        _c("Amount", "clock_amount", 21.0, unit="days or °C·d", low=0, high=100_000),
        _c("Base", "base_c", None, unit="°C", celsius=True, low=-40, high=50,
           help="warmth: counted above it; chill: at or below it; hardening: lowest night"),
        _c("Upper limit", "upper_c", None, unit="°C", celsius=True, low=-40, high=60),
        _c("Survival", "survival", 0.9, type=Type.SHARE, above=0, high=1,
           help="mean share that lives through the stage"),
        _c("Overdispersion", "overdispersion", 0.02, type=Type.SHARE, low=0, below=1,
           help="rho: how much trays of one batch live and die together"),
        _c("Minutes", "minutes", 30.0, unit="minutes a tray", low=0, high=10_000),
    ),
    (
        Reference("protocol_id", "Protocols", ("Crop", "Protocol")),
        Reference("tray_format_id", "Tray formats", ("Tray format",), needed=False),
    ),
)  # fmt: skip

_c = partial(column, GrowingArea)
AREAS = Sheet(
    "Areas",
    GrowingArea,
    ("Name",),
    (
        _c("Name", "name", "Mist house"),
        _c("Kind", "kind", "propagation house"),
        _c("Sink", "sink_c", 12.0, unit="°C", celsius=True, low=-40, high=45,
           help="what the air is drawn towards (water or ground)"),
        _c("Coupling", "coupling", 0.6, low=0, high=2, help="1 = outdoor air, 0 = the sink"),
        _c("Heated floor", "floor_c", 8.0, unit="°C", celsius=True, low=-40, high=45),
        _c("Vented ceiling", "ceiling_c", 30.0, unit="°C", celsius=True, low=-40, high=60),
        _c("Shade layers", "shade_layers", 0, low=0, high=9),
        _c("Shade", "shade_c", 2.0, unit="°C off the maximum, a layer", low=0, high=20),
        _c("Cleaning", "cleaning_days", 1, unit="days between two batches", low=0, high=60),
    ),
)  # fmt: skip
_c = partial(column, Bench)
BENCHES = Sheet(
    "Benches",
    Bench,
    ("Name",),
    (
        naming("Area", "Mist house", help="as in Areas"),
        _c("Name", "name", "Mist house 1"),
        _c("Places", "places", 40, unit="tray places", low=0, high=100_000),
        _c("X", "x_m", 0.0, unit="m", low=-10_000, high=10_000),
        _c("Y", "y_m", 0.0, unit="m", low=-10_000, high=10_000),
        _c("Walk order", "walk_order", 1, low=0, high=MOST),
        _c("Out from", "out_from", None, help="out of use from this day"),
        _c("Out until", "out_until", None, help="out of use until this day"),
    ),
    (Reference("area_id", "Areas", ("Area",)),),
)
_c = partial(column, Person)
PEOPLE = Sheet(
    "People",
    Person,
    ("Name",),
    (
        _c("Name", "name", "Ada"),
        _c("Minutes", "minutes_a_week", 2280, unit="minutes a week", low=0, high=10_080),
        _c("Overtime", "overtime_minutes", 300, unit="minutes a week", low=0, high=10_080),
        _c("Skills", "skills", ""),
    ),
)
_c = partial(column, Absence)
ABSENCES = Sheet(
    "Absences",
    Absence,
    ("Person", "First day"),
    (
        naming("Person", "Ada", help="as in People"),
        _c("First day", "first_day", date(2027, 5, 3)),
        _c("Last day", "last_day", date(2027, 5, 7), help="included"),
    ),
    (Reference("person_id", "People", ("Person",)),),
)

_c = partial(column, RecurringWork)
RECURRING = Sheet(
    "Recurring work",
    RecurringWork,
    ("Name",),
    (
        _c("Name", "name", "pest walk: slugs"),
        _c("Place", "place", "frames and floor"),
        _c("Days", "days", "1001000", help="Monday first, 1 = done on that day"),
        _c("Minutes", "minutes", 15.0, unit="minutes of each person", low=0, high=1440),
        _c("Persons", "persons", 1, low=1, high=100),
        _c("Skill", "skill", "", help="a word of People's skills; blank: anybody"),
        _c("First week", "first_week", 1, unit="week of the year", low=1, high=53),
        _c("Last week", "last_week", 53, unit="week of the year", low=1, high=53),
    ),
    help="Work that comes round every week. Without rows the usual work is assumed.",
)
_c = partial(column, StandApart)
STAND_APART = Sheet(
    "Stand apart",
    StandApart,
    ("Group",),
    (
        _c("Group", "plant_group", "marsh", help="as Group in Crops"),
        _c("Places", "places", None, unit="tray places between", low=1, high=100_000,
           help="blank: never on one bench"),
    ),
    help="Groups whose crops share a disease: batches of two crops of one stand apart.",
)  # fmt: skip
_c = partial(column, SeedLot)
SEED_LOTS = Sheet(
    "Seed lots",
    SeedLot,
    ("Code",),
    (
        _c("Code", "code", "S-27-01"),
        _crop,
        _c("Seeds", "seeds", 5000, unit="seeds when tested", low=0, high=MOST),
        _c("Germination", "germination", 0.85, type=Type.SHARE, above=0, high=1,
           help="share that came up in the test"),
        _c("Tested on", "tested_on", date(2027, 1, 11)),
        _c("Sow by", "sow_by", date(2028, 1, 31), help="nothing is sown of it later"),
    ),
    (Reference("crop_id", "Crops", ("Crop",)),),
)  # fmt: skip

_plugs = partial(Column, type=Type.WHOLE, unit="plugs", low=0, high=MOST)
_counted_at = Column(
    "Counted at", "", Type.MOMENT, datetime(2027, 3, 1, 8, 0), help="needed with a count"
)
_counter = Column("Counter", "", Type.TEXT, "Ada", longest=60, help="who counted")
COUNTED = ("Counted plugs", "Counted at", "Counter")
_c = partial(column, Batch)
BATCHES = Sheet(
    "Batches",
    Batch,
    ("Code",),
    (
        _c("Code", "code", "B2701", help="the traceability code"),
        _crop,
        _protocol,
        naming("Stage", 1, type=Type.WHOLE, help="Position in Stages where it is now"),
        naming("Tray format", "104", help="as in Tray formats"),
        naming("Bench", "Mist house 1", needed=False, help="as in Benches"),
        naming("Mother block", None, needed=False, help="as in Mother blocks"),
        naming("Seed lot", None, needed=False, help="as in Seed lots"),
        _c("Seeds sown", "seeds_sown", 0, unit="seeds of that lot", low=0, high=MOST),
        _c("Trays", "trays", 12, unit="trays (not plugs)", low=0, high=1_000_000),
        _c("Started on", "started_on", date(2027, 2, 15)),
        _c("Stage entered on", "stage_entered_on", date(2027, 2, 15)),
        _c("Ready on", "ready_on", None, help="if known"),
        _c("Lineage", "lineage", ""),
        _c("Origin", "origin_country", "NL", help="ISO 3166 code of two letters"),
        replace(
            _c(
                "Quarantine", "quarantine", "clear", help="blank is unknown, and unknown is blocked"
            ),
            needed=False,
            default=Quarantine.UNKNOWN.value,
        ),
        _c("Closed on", "closed_on", None, help="when nothing of it stands any more"),
        _plugs("Counted plugs", "", example=1100, help="still growing, not yet in a lot"),
        _counted_at,
        _counter,
    ),
    (
        Reference("crop_id", "Crops", ("Crop",)),
        Reference("protocol_id", "Protocols", ("Crop", "Protocol")),
        Reference("stage_id", "Stages", ("Crop", "Protocol", "Stage")),
        Reference("tray_format_id", "Tray formats", ("Tray format",)),
        Reference("bench_id", "Benches", ("Bench",), needed=False),
        Reference("mother_block_id", "Mother blocks", ("Mother block",), needed=False),
        Reference("seed_lot_id", "Seed lots", ("Seed lot",), needed=False),
    ),
    counted=COUNTED,
    help="Counted plugs is a count with a time: it goes to the ledger, it never resets it.",
)
_grade = tuple(grade.value for grade in Grade)
_batch = naming("Batch", "B2701", help="Code in Batches")
_c = partial(column, Lot)
LOTS = Sheet(
    "Lots",
    Lot,
    ("Batch", "Grade", "Ready on"),
    (
        _batch,
        Column("Grade", "", Type.WORD, "A", needed=True, words=_grade),
        _c("Ready on", "ready_on", date(2027, 3, 1)),
        _c("Last sale on", "last_sale_on", date(2027, 3, 28), help="included"),
        _plugs("Counted plugs", "", example=100, help="saleable plugs of this lot"),
        _counted_at,
        _counter,
    ),
    (Reference("batch_id", "Batches", ("Batch",)),),
    counted=COUNTED,
    help="Plugs of a batch that may be sold, each lot from its ready day to its last sale day.",
)
_c = partial(column, Veto)
VETOES = Sheet(
    "Vetoes",
    Veto,
    ("Batch", "Kind", "Set at"),
    (
        _batch,
        _c("Kind", "kind", "inspection"),
        _c("Set at", "set_at", datetime(2027, 3, 1, 9, 0)),
        Column("Lot grade", "", Type.WORD, None, words=_grade, help="blank: the whole batch"),
        Column("Lot ready on", "", Type.DAY, None, help="blank: the whole batch"),
        _c("Reason", "reason", "plant health inspection asked for"),
        _c("Set by", "set_by", "Ada"),
        _c("Earliest end", "earliest_end", date(2027, 3, 15), help="a hope, never an end"),
        _c("Signed off by", "signed_off_by", None, help="an authorised person"),
        _c("Signed off at", "signed_off_at", None),
        _c("Sign-off note", "sign_off_note", ""),
    ),
    (
        Reference("batch_id", "Batches", ("Batch",)),
        Reference("lot_id", "Lots", ("Batch", "Lot grade", "Lot ready on"), needed=False),
    ),
    help="Do not sell, do not move. Ends only when an authorised person signs it off.",
)
