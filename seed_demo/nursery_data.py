"""What does the invented nursery grow, where, with whom, and to whom does it post?

Everything here is made up: the place, the people, the carriers, the cultivars and all the
figures. The genera are real marsh and woodland perennials; the figures are plausible only.
"""

from datetime import date, datetime, time
from typing import NamedTuple
from zoneinfo import ZoneInfo

from nursery.crop import AreaKind

ZONE_OF_TIME = "Europe/Amsterdam"
TODAY = date(2027, 3, 22)
"""The demo's day: a Monday, six days before Easter."""
OPENING = datetime.combine(TODAY, time(8), ZoneInfo(ZONE_OF_TIME))
"""Where the demo database's clock stands when it has been made."""

SITE_NAME = "Dwaallicht marsh plants"
HOME = "Dwaallicht"


class Place(NamedTuple):
    """A climate station: yearly mean and half swing of the daily mean, half the daily range."""

    name: str
    latitude: float
    mean_c: float
    swing_c: float
    half_range_c: float


STATIONS = (
    Place(HOME, 52.8, 10.2, 7.4, 4.0),
    Place("Zeebrink", 52.2, 10.9, 6.6, 3.0),
    Place("Hoogven", 50.3, 8.6, 8.0, 4.4),
    Place("Oberried", 48.1, 9.2, 9.3, 5.0),
)


class Zone(NamedTuple):
    """A zone: where it lies and the postcode prefixes that lead to it."""

    name: str
    country: str
    holiday_region: str
    station: str
    prefixes: tuple[str, ...]
    postcodes: tuple[str, ...]
    share: float


ZONES = (
    Zone("Coast", "NL", "NL", "Zeebrink", ("1", "2", "3", "4"), ("1075", "2512", "3811"), 0.26),
    Zone("Inland", "NL", "NL", HOME, ("",), ("9401", "7411", "6525"), 0.24),
    Zone("Flat Belgium", "BE", "BE", "Zeebrink", ("",), ("2000", "9000", "8500"), 0.14),
    Zone("High Belgium", "BE", "BE", "Hoogven", ("4", "5", "6"), ("4960", "6600"), 0.06),
    Zone("West Germany", "DE", "DE-NW", HOME, ("",), ("48143", "50667", "33602"), 0.20),
    Zone("Bavaria", "DE", "DE-BY", "Oberried", ("8", "9"), ("80331", "86150"), 0.10),
)


class Service(NamedTuple):
    """A carrier's service, and by zone the per cent of parcels on delivery day 1, 2, 3."""

    name: str
    collects: str
    delivers: str
    collection_time: time
    cut_off: time
    cut_off_days_before: int
    pack_same_day: bool
    price_cents: int
    transit: dict[str, tuple[float, ...]]


SERVICES = (
    Service(
        "Polder Van",
        "1111100",
        "1111110",
        time(16, 30),
        time(12),
        1,
        True,
        695,
        {"Coast": (96.0, 3.6, 0.4), "Inland": (97.0, 2.7, 0.3)},
    ),
    Service(
        "Three Rivers Standard",
        "1111100",
        "1111100",
        time(15, 30),
        time(12),
        1,
        True,
        850,
        {
            "Flat Belgium": (72.0, 26.5, 1.5),
            "High Belgium": (40.0, 58.3, 1.7),
            "West Germany": (65.0, 33.6, 1.4),
            "Bavaria": (5.0, 93.5, 1.5),
        },
    ),
    Service(
        "Kestrel Express",
        "1111000",
        "1111110",
        time(14),
        time(15),
        1,
        False,
        1590,
        {
            "Coast": (99.0, 1.0),
            "Inland": (99.0, 1.0),
            "Flat Belgium": (98.5, 1.5),
            "High Belgium": (96.0, 4.0),
            "West Germany": (98.4, 1.6),
            "Bavaria": (94.0, 5.6, 0.4),
        },
    ),
)


POSTAGE = (
    ("Polder Van", ("Coast", "Inland"), ((2000, 695), (5000, 825), (10000, 1095), (20000, 1590))),
    ("Three Rivers Standard", ("Flat Belgium", "High Belgium"), ((2000, 850), (10000, 1150))),
    ("Three Rivers Standard", ("West Germany", "Bavaria"), ((2000, 990), (10000, 1390))),
)
"""Bands of weight (g, cents) by service and zones; Kestrel Express asks one price for any box."""


class Area(NamedTuple):
    """A growing area, how its air differs from outside, and its benches' tray places."""

    name: str
    kind: AreaKind
    sink_c: float
    coupling: float
    floor_c: float | None
    ceiling_c: float | None
    shade_layers: int
    benches: tuple[int, ...]


AREAS = (
    Area("Mist house", AreaKind.PROPAGATION, 15.0, 0.35, 10.0, 26.0, 1, (14, 14, 12)),
    Area("Long house", AreaKind.GROWING, 12.0, 0.7, 4.0, 27.0, 1, (26, 24, 22, 16)),
    Area("Frames", AreaKind.FRAME, 11.0, 0.9, None, None, 1, (20, 18)),
    Area("Sales", AreaKind.READY, 11.0, 0.8, 0.0, None, 2, (28, 26, 22)),
)


class Worker(NamedTuple):
    """Somebody who gives propagation so many minutes a week, and overtime on top."""

    name: str
    minutes_a_week: int
    overtime_minutes: int
    skills: str


PEOPLE = (
    Worker("Imke", 560, 80, "division, cutting, vetoes"),
    Worker("Joren", 460, 60, "division, potting"),
    Worker("Tess", 300, 60, "seed, cutting"),
    Worker("Wout", 120, 0, "moving, packing"),
)
ABSENCES = (("Joren", date(2027, 4, 12), date(2027, 4, 23)),)

CLOSURES = (
    ("origin", "", date(2027, 5, 7), date(2027, 5, 7), "day after Ascension, nursery closed"),
    ("service", "Three Rivers Standard", date(2027, 4, 7), date(2027, 4, 7), "depot stocktaking"),
    ("zone", "High Belgium", date(2027, 4, 23), date(2027, 4, 23), "roads closed for a rally"),
)

TRAYS = (("288", 288, 1, 90), ("104", 104, 1, 70), ("72", 72, 1, 65))
"""Name, cells, tray places, cents."""
WRAPS = (
    ("moss and paper", 140.0, 35.0, 0.9, 24, 0.5),
    ("paper and hessian", 90.0, 30.0, 1.3, 15, 0.4),
    ("damp paper", 60.0, 30.0, 2.0, 8, 0.3),
)
"""Name, water held and least water (g), loss (g per hour and kPa), cents, minutes."""

MATERIALS = (
    ("trays 72", "trays", "pieces", "tray", 1.0, "72", None, 44.0, 4.0, 10, 25.0),
    ("trays 104", "trays", "pieces", "tray", 1.0, "104", None, 22.0, 4.0, 10, 25.0),
    ("trays 288", "trays", "pieces", "tray", 1.0, "288", None, 12.0, 2.0, 10, 25.0),
    ("compost, 72", "substrate", "litres", "tray", 3.1, "72", None, 140.0, 15.0, 14, 70.0),
    (
        "compost, 104",
        "substrate",
        "litres",
        "tray",
        3.0,
        "104",
        None,
        90.0,
        10.0,
        14,
        70.0,
    ),
    ("batch labels", "labels", "pieces", "tray", 1.0, None, None, 400.0, 20.0, 7, 250.0),
    ("moss", "wrap", "litres", "bundle", 0.5, None, "moss and paper", 120.0, 10.0, 21, 80.0),
    (
        "hessian",
        "wrap",
        "squares",
        "bundle",
        1.0,
        None,
        "paper and hessian",
        700.0,
        50.0,
        21,
        500.0,
    ),
    ("small box", "boxes", "pieces", "parcel", 1.0, None, None, 240.0, 20.0, 12, 100.0),
    ("middle box", "boxes", "pieces", "parcel", 1.0, None, None, 90.0, 10.0, 12, 50.0),
    ("large box", "boxes", "pieces", "parcel", 1.0, None, None, 40.0, 5.0, 12, 25.0),
)
"""Name, kind, unit, used for, amount, tray format, wrap, stock, spare, days on the way, pack."""

RECURRING = (
    ("pest walk: slugs", "frames and floor", "1001000", 8, 1, "", 1, 53),
    ("pest walk: aphids", "all benches", "0100000", 12, 1, "", 9, 44),
    ("walk-round count", "all benches", "0000100", 15, 1, "", 1, 53),
    ("watering", "all areas", "1111111", 10, 1, "", 1, 53),
    ("hygiene: floors, knives, foot bath", "all areas", "0000100", 15, 1, "", 1, 53),
)
"""Name, place, weekdays (Monday first), minutes, persons, skill, first and last week."""

SHADE = (
    ("Frames", 3, 20.0, 2.0, 25.0),
    ("Long house", 3, 19.0, 1.5, 20.0),
    ("Mist house", 2, 19.0, 1.0, 15.0),
    ("Sales", 3, 16.5, 2.0, 30.0),
)
"""Area, layers at most, limit (°C), what a cover keeps off (°C), minutes a layer and person."""
PACKS = (
    ("heat pack 72 h", "frost", 72.0, 4.0, -7.5, 240, 120, 40, 5, 9, 20),
    ("cold pack", "heat", 48.0, 3.0, 31.0, 110, 300, 24, 4, 9, 12),
)
"""Name, against, hours, covers (°C), trusted to (°C outside), cents, grams; in stock, spare, days
on the way, sold in."""
BOXES = (
    ("small box", 18, 160, 60, 1.0),
    ("lined box", 18, 190, 70, 0.4),
    ("middle box", 36, 260, 85, 1.0),
    ("large box", 72, 420, 140, 1.0),
)
"""Name, room (plugs), grams empty, cents, share of the vapour that gets out."""
IN_DAMP_PAPER = frozenset({"IRQ", "IRN"})
"""Plants whose plugs are listed in damp paper alone: it lasts to the next day, not always more."""
ON_THE_WAY = (("Bavaria", "Hoogven"),)
"""Zone, station whose weather its parcels meet: the carrier's night depot."""
BY_HAND = (
    (
        "Bavaria",
        date(2027, 3, 24),
        date(2027, 3, 24),
        False,
        "Imke",
        "the depot's heating is being repaired that night",
        datetime(2027, 3, 22, 7, 30),
    ),
)
"""Zone, first and last ship day, open or not, who decided it, why, when."""
TRIALS = (
    ("moss and paper", datetime(2027, 2, 1, 12), 512.0, 494.6, 24.0, 14.0, 0.55),
    ("moss and paper", datetime(2027, 2, 8, 12), 508.0, 489.0, 24.0, 15.0, 0.52),
    ("moss and paper", datetime(2027, 2, 15, 12), 515.0, 481.5, 48.0, 13.5, 0.54),
)
"""Wrap, first weighing, grams before and after, hours between, °C, relative humidity."""
SUBSTITUTES = (
    ("CAL-6", "CAP-6", 1),
    ("CAP-6", "CAL-6", 1),
    ("PRF-6", "PRA-6", 1),
    ("PRF-6", "PRR-6", 2),
)
"""What is ordered, what may be sent for it by consent, which of them first."""
CARE = (
    ("CAL-6", 3, "at the edge of water or in a pot that stands in it", "hardy once rooted"),
    ("PRR-6", 1, "", "flowers in its first spring only if it is never dry"),
)
"""Product, days until planted, how to plant, what else; the rest of each card is the usual."""
