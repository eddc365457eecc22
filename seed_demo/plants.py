"""Which crops does the invented nursery raise, how, and what do they stand on the way?

Botanical names are real, cultivars and figures invented.
"""

from typing import NamedTuple

from nursery.crop import AreaKind, Clock, Method, StageKind


class Step(NamedTuple):
    """A stage: where, in which tray, what it waits for (limits in °C), who lives, minutes."""

    kind: StageKind
    area: AreaKind
    tray: str
    clock: Clock
    amount: float
    base_c: float | None
    upper_c: float | None
    survival: float
    overdispersion: float
    minutes: float


def _days(kind: StageKind, tray: str, days: int, survival: float, minutes: float) -> Step:
    area = AreaKind.NONE if kind is StageKind.ON_ORDER else AreaKind.PROPAGATION
    return Step(kind, area, tray, Clock.DAYS, days, None, None, survival, 0.02, minutes)


def _grow(tray: str, warmth: float, survival: float, minutes: float) -> Step:
    return Step(
        StageKind.GROW_ON,
        AreaKind.GROWING,
        tray,
        Clock.WARMTH,
        warmth,
        4.0,
        24.0,
        survival,
        0.02,
        minutes,
    )


def _harden(tray: str, days: int, lowest_c: float) -> Step:
    return Step(
        StageKind.HARDEN_OFF,
        AreaKind.FRAME,
        tray,
        Clock.HARDENING,
        days,
        lowest_c,
        26.0,
        0.97,
        0.01,
        6,
    )


_CHILL = Step(StageKind.STRIKE, AreaKind.FRAME, "288", Clock.CHILL, 35, 8.0, None, 0.95, 0.01, 25)
"""Seed sown into the open frame waits for 35 days with a mean of at most 8 °C."""
_SPROUT = Step(
    StageKind.STRIKE, AreaKind.PROPAGATION, "288", Clock.WARMTH, 120, 4.0, 24.0, 0.78, 0.03, 5
)


class Way(NamedTuple):
    """A way to raise a crop: its method, whether mothers are cut, costs, flush, stages."""

    method: Method
    from_mothers: bool
    smallest_batch: int
    tray_cents: int
    batch_cents: int
    batch_minutes: int
    extra_weeks: int
    flush: str
    steps: tuple[Step, ...]


SPLIT, SOWN, CUT = "division", "seed with chill", "cutting"
ROOTS, BOUGHT = "root cutting", "tissue culture"

WAYS = {
    SPLIT: Way(
        Method.DIVISION, True, 1, 420, 700, 35, 2, "70/30",
        (
            _days(StageKind.STRIKE, "72", 14, 0.94, 40),
            _grow("72", 190, 0.94, 8),
            _harden("72", 8, 0.0),
        ),
    ),
    SOWN: Way(
        Method.SEED, False, 1, 380, 900, 30, 2, "50/30/20",
        (_CHILL, _SPROUT, _grow("72", 260, 0.92, 12), _harden("72", 8, 1.0)),
    ),
    CUT: Way(
        Method.CUTTING, True, 1, 360, 600, 25, 1, "80/20",
        (
            _days(StageKind.STRIKE, "104", 21, 0.86, 45),
            _grow("104", 230, 0.94, 8),
            _harden("104", 8, 1.0),
        ),
    ),
    ROOTS: Way(
        Method.ROOT_CUTTING, True, 1, 340, 700, 30, 2, "50/35/15",
        (
            _days(StageKind.STRIKE, "104", 35, 0.76, 40),
            _grow("104", 300, 0.93, 8),
            _harden("104", 8, 0.0),
        ),
    ),
    BOUGHT: Way(
        Method.TISSUE_CULTURE, False, 2, 3900, 2500, 20, 1, "90/10",
        (
            _days(StageKind.ON_ORDER, "72", 21, 1.0, 0),
            _days(StageKind.ISOLATION, "72", 35, 0.86, 35),
            _grow("72", 220, 0.95, 8),
            _harden("72", 11, 5.0),
        ),
    ),
}  # fmt: skip


class Plant(NamedTuple):
    """A crop: its ways (the first is the usual one), weekly sales, price, limits on the way."""

    botanical: str
    cultivar: str
    ways: tuple[str, ...]
    plugs_a_week: int
    price_cents: int
    life_weeks: int
    frost_c: float
    heat_c: float
    box_days: int
    flowers: tuple[int, int]

    @property
    def name(self) -> str:
        """What is this crop called on a page?"""
        return f"{self.botanical} '{self.cultivar}'"

    @property
    def code(self) -> str:
        """Which three letters stand in its product, batch and mother block codes?"""
        return f"{self.botanical[:2]}{self.cultivar[0]}".upper()


PLANTS = (
    Plant("Caltha palustris", "Lantern Ditch", (SPLIT,), 60, 280, 4, -8, 28, 4, (13, 17)),
    Plant("Caltha palustris", "Pale Lantern", (SOWN, SPLIT), 36, 310, 4, -8, 28, 4, (13, 17)),
    Plant("Primula rosea", "Rookery Pink", (SOWN,), 38, 260, 3, -6, 26, 3, (12, 16)),
    Plant("Primula japonica", "Ferry Red", (SOWN, SPLIT), 56, 270, 3, -6, 27, 4, (19, 24)),
    Plant("Primula bulleyana", "Amber Weir", (SOWN,), 40, 270, 3, -6, 27, 4, (21, 26)),
    Plant("Primula denticulata", "Drumlin", (ROOTS,), 36, 250, 4, -8, 28, 4, (12, 16)),
    Plant("Trollius europaeus", "Morning Bell", (SPLIT,), 44, 290, 4, -8, 28, 4, (18, 22)),
    Plant("Trollius chinensis", "Copper Weir", (SOWN, SPLIT), 32, 290, 4, -8, 28, 4, (22, 27)),
    Plant("Astilbe arendsii", "Dusk Plume", (BOUGHT,), 52, 340, 3, -3, 27, 3, (25, 30)),
    Plant("Astilbe chinensis", "Low Tide", (SPLIT,), 46, 300, 4, -5, 28, 4, (28, 33)),
    Plant("Filipendula ulmaria", "Mill Lace", (ROOTS, SPLIT), 40, 250, 4, -8, 29, 4, (24, 29)),
    Plant("Iris sibirica", "Night Barge", (SPLIT,), 54, 320, 5, -8, 30, 5, (20, 24)),
    Plant("Iris ensata", "Quiet Lock", (BOUGHT,), 44, 390, 4, -5, 29, 4, (24, 28)),
    Plant("Lysimachia clethroides", "Goose Walk", (CUT,), 40, 250, 3, -5, 28, 4, (27, 32)),
    Plant("Lysimachia nummularia", "Coin Brook", (CUT,), 66, 210, 3, -5, 28, 4, (23, 28)),
    Plant("Lythrum salicaria", "Towpath", (CUT,), 48, 240, 3, -5, 30, 4, (26, 31)),
    Plant("Myosotis scorpioides", "Pool Blue", (CUT,), 56, 220, 2, -4, 26, 3, (20, 24)),
    Plant("Geum rivale", "Heron Bell", (SPLIT,), 50, 270, 4, -8, 28, 4, (17, 21)),
    Plant("Anemone hupehensis", "Late Ferry", (ROOTS,), 42, 330, 4, -4, 28, 4, (32, 38)),
    Plant("Rodgersia podophylla", "Sluice", (BOUGHT, ROOTS), 30, 420, 4, -4, 27, 3, (23, 27)),
)  # fmt: skip

WOODLAND = frozenset({"Drumlin", "Dusk Plume", "Low Tide", "Late Ferry", "Sluice"})
"""The others want wet feet."""
BY_THE_DOZEN = frozenset(
    {
        "Lantern Ditch",
        "Rookery Pink",
        "Ferry Red",
        "Dusk Plume",
        "Mill Lace",
        "Night Barge",
        "Coin Brook",
        "Pool Blue",
        "Heron Bell",
    }
)
"""Sold in twelves as well as in sixes."""
