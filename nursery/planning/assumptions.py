"""What is assumed of a crop where nobody typed it, why, and what in a plan hangs on it.

The short form of the workbook asks for six things a crop. Everything else comes from here, by
propagation method, and is stored with the rows: `Protocol.assumed` names what was assumed. A
value that somebody has typed over since is no longer an assumption, nor is one in whose place the
nursery's own is used (`growing.learning`, or seed that was tested).
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace

from sqlmodel import Session, select

from nursery.crop import AreaKind, Method, Protocol, Stage, StageKind
from nursery.database import today
from nursery.demand import Demand, DemandKind
from nursery.growing.growth import growing_stages
from nursery.growing.sowing import seed_book
from nursery.growing_area import GrowingArea, Site
from nursery.planning.by_consent import crop_key_of
from nursery.weeks import Week

NO_SOURCE = "common practice, no source"
MEMORY = "from memory, an estimate"


@dataclass(frozen=True)
class Assumption:
    """Which value was assumed, and why? `affects` says what changes where it is wrong.

    `key` is stable for programs ("seed/survival/strike"); `crops` are those it stands for.
    """

    key: str
    name: str
    value: str
    unit: str
    why: str
    affects: str
    crops: tuple[str, ...] = ()


@dataclass(frozen=True)
class Step:
    """One assumed stage: its share of the weeks to ready or its days, and who survives it."""

    kind: StageKind
    area: AreaKind
    days: int = 0
    share: float = 0.0
    survival: float = 1.0
    minutes_per_100_cells: float = 0.0
    minutes_a_tray: float = 0.0
    why: str = NO_SOURCE


@dataclass(frozen=True)
class Practice:
    """What is assumed of a propagation method. A step without days or share takes the rest."""

    steps: tuple[Step, ...]
    flush: str
    life_weeks: int
    cents_a_cell: float
    smallest_batch: int = 1
    flush_why: str = NO_SOURCE
    life_why: str = "2 to 4 weeks for soft plugs, from memory"
    extra: tuple[str, ...] = field(default=())


OVERDISPERSION = 0.03
TRAY_CENTS = 150
BATCH_MINUTES = 30
SALE_PATTERN = (5, 8, 12, 15, 15, 13, 12, 9, 7, 4)
"""Per cent of a season's plugs wanted in each week from the first sale week."""

_GROW = Step(
    StageKind.GROW_ON,
    AreaKind.GROWING,
    survival=0.89,
    minutes_a_tray=4,
    why="11 % lost in production in a survey of growers",
)
_HARDEN = Step(
    StageKind.HARDEN_OFF,
    AreaKind.FRAME,
    days=8,
    survival=0.97,
    minutes_a_tray=4,
    why="7 to 10 days and 2 to 5 % lost, from memory; sources disagree",
)


def _struck(share: float, survival: float, minutes: float, why: str) -> tuple[Step, ...]:
    strike = Step(
        StageKind.STRIKE,
        AreaKind.PROPAGATION,
        share=share,
        survival=survival,
        minutes_per_100_cells=minutes,
        why=why,
    )
    return strike, _GROW, _HARDEN


PRACTICE: dict[Method, Practice] = {
    Method.SEED: Practice(
        _struck(0.25, 0.80, 6, "20 % lost in propagation in a survey of growers"),
        "80/20",
        3,
        1.0,
        smallest_batch=2,
    ),
    Method.CUTTING: Practice(
        _struck(
            0.35, 0.80, 10, "20 % lost in propagation in a survey; 282 to 1,360 struck an hour"
        ),
        "85/15",
        3,
        0.5,
    ),
    Method.ROOT_CUTTING: Practice(
        _struck(0.40, 0.78, 8, "15 to 30 % lost, from memory"), "60/30/10", 4, 0.5
    ),
    Method.OFFSET: Practice(
        _struck(0.25, 0.88, 12, "10 to 15 % lost, from memory"), "70/30", 4, 0.5
    ),
    Method.DIVISION: Practice(_struck(0.25, 0.88, 15, "as offsets, from memory"), "80/20", 4, 0.5),
    Method.TISSUE_CULTURE: Practice(
        _struck(0.40, 0.85, 12, "80 to 90 % live through acclimatising, from memory"),
        "70/30",
        3,
        35.0,
    ),
    Method.BOUGHT_IN: Practice(
        (
            Step(StageKind.ON_ORDER, AreaKind.NONE, why="the rest of the weeks to ready"),
            Step(
                StageKind.ISOLATION,
                AreaKind.ISOLATION,
                days=21,
                survival=0.97,
                minutes_a_tray=4,
                why="2 to 4 weeks' isolation of incoming stock, from memory",
            ),
        ),
        "100",
        4,
        30.0,
    ),
}

FALLBACK: dict[AreaKind, tuple[AreaKind, ...]] = {
    AreaKind.PROPAGATION: (AreaKind.GROWING,),
    AreaKind.GROWING: (AreaKind.PROPAGATION, AreaKind.FRAME),
    AreaKind.FRAME: (AreaKind.GROWING, AreaKind.READY),
    AreaKind.ISOLATION: (AreaKind.GROWING, AreaKind.PROPAGATION),
    AreaKind.READY: (AreaKind.FRAME, AreaKind.GROWING),
    AreaKind.NONE: (),
}
"""Where a stage stands in a nursery that has no area of its kind."""


@dataclass(frozen=True)
class AssumedStage:
    """A stage with its days and minutes worked out for one crop's weeks and tray."""

    kind: StageKind
    area: AreaKind
    days: int
    survival: float
    minutes: float
    why: str


def assumed_stages(
    method: Method, weeks_to_ready: int, cells: int, areas: Iterable[AreaKind] = ()
) -> tuple[AssumedStage, ...]:
    """Which stages does a crop pass in these weeks, and for how many days each?

    Days sum to 7 * weeks. Steps with fixed days give way where the weeks are few: no stage
    takes more than half of them. A stage stands in an area of its kind, or where `areas` has
    none, in the next best.
    """
    total, there = 7 * weeks_to_ready, set(areas)
    steps = PRACTICE[method].steps
    fixed = [
        min(step.days, total // 2) if step.days else round(step.share * total) for step in steps
    ]
    rest = next(place for place, step in enumerate(steps) if not step.days and not step.share)
    fixed[rest] = total - sum(fixed)
    return tuple(
        AssumedStage(
            kind=step.kind,
            area=_stands(step.area, there),
            days=days,
            survival=step.survival,
            minutes=round(step.minutes_a_tray + step.minutes_per_100_cells * cells / 100, 1),
            why=step.why,
        )
        for step, days in zip(steps, fixed, strict=True)
    )


def _stands(kind: AreaKind, there: set[AreaKind]) -> AreaKind:
    if not there or kind in there:
        return kind
    return next((other for other in FALLBACK[kind] if other in there), kind)


def assumed_tray_cents(method: Method, cells: int) -> int:
    """What does a tray of this many cells cost to start, in cents: tray, compost and material?"""
    return round(TRAY_CENTS + PRACTICE[method].cents_a_cell * cells)


def spread(wanted: int, first: Week) -> dict[str, int]:
    """In which weeks are a season's plugs wanted? By `SALE_PATTERN`; sums to `wanted` exactly."""
    upto = [sum(SALE_PATTERN[: n + 1]) * wanted // 100 for n in range(len(SALE_PATTERN))]
    before = [0, *upto[:-1]]
    return {str(first + n): upto[n] - before[n] for n in range(len(upto))}


def assumed_text(method: Method) -> str:
    """What is written into `Protocol.assumed` of a crop from the short form?"""
    return (
        f"short form, by method {method.value}: stages, survival, overdispersion, minutes, flush,"
        " smallest batch, costs, life, spread of sales"
    )


def assumptions_of(session: Session) -> list[Assumption]:
    """Which assumptions do the rows still rest on? By method, then those of the whole nursery.

    Empty where nothing came from the short form, and without what was typed over or learned since.
    """
    protocols = [p for p in session.exec(select(Protocol)).all() if p.assumed]
    if not protocols:
        return []
    seed, day = seed_book(session), today(session)
    areas = [area.kind for area in session.exec(select(GrowingArea)).all()]
    found: dict[tuple[str, str], Assumption] = {}
    for protocol in sorted(protocols, key=lambda p: p.crop.name):
        tested = seed.germination(protocol, day) is not None
        for one in (
            *_of_stages(protocol, areas, tested),
            *_of_protocol(protocol),
            *_of_crop(protocol),
        ):
            same = found.get((one.key, one.value))
            crops = (*(same.crops if same else ()), crop_key_of(protocol))
            found[one.key, one.value] = replace(one, crops=crops)
    wide = [*_of_sales(session, protocols), *_of_site(session)]
    return [*sorted(found.values(), key=lambda one: one.key), *wide]


def _of_stages(protocol: Protocol, areas: list[AreaKind], tested: bool) -> list[Assumption]:
    stages: Sequence[Stage] = protocol.stages
    cells = next((stage.tray_format.cells for stage in stages if stage.tray_format), 1)
    weeks = round(sum(stage.clock_amount for stage in stages if stage.clock == "days") / 7)
    assumed = assumed_stages(protocol.method, weeks, cells, areas)
    if [stage.kind for stage in stages] != [stage.kind for stage in assumed]:
        return []
    made: list[Assumption] = []
    for stage, as_assumed in zip(stages, assumed, strict=True):
        measured = tested and stage.kind is StageKind.STRIKE
        made += _of_stage(protocol.method.value, stage, as_assumed, measured)
    own = {stage.overdispersion for stage in stages} != {OVERDISPERSION}
    if not own and any(stage.learned_overdispersion is None for stage in growing_stages(protocol)):
        key = f"{protocol.method.value}/overdispersion"
        affects = "how many trays more than the average are started, to be sure"
        made.append(Assumption(key, "overdispersion", f"{OVERDISPERSION}", "rho", MEMORY, affects))
    return made


def _of_stage(method: str, stage: Stage, assumed: AssumedStage, measured: bool) -> list[Assumption]:
    """What is assumed of a stage; `measured` where its seed was tested."""
    word = stage.kind.value
    made = []
    survival_learned = measured or stage.learned_survival is not None
    if stage.survival == assumed.survival and assumed.survival < 1 and not survival_learned:
        affects = "trays started, places and hours"
        made.append(
            Assumption(
                f"{method}/survival/{word}",
                f"survival of '{word}', {method}",
                f"{stage.survival:g}",
                "share",
                assumed.why,
                affects,
            )
        )
    days_learned = stage.learned_days is not None
    if stage.clock == "days" and stage.clock_amount == assumed.days and not days_learned:
        affects = "in which weeks which area is full"
        name = f"days of '{word}', {method}"
        key, value = f"{method}/days/{word}", f"{assumed.days}"
        made.append(Assumption(key, name, value, "days", assumed.why, affects))
    if stage.minutes == assumed.minutes and assumed.minutes and stage.learned_minutes is None:
        name, value = f"minutes of '{word}', {method}", f"{stage.minutes:g}"
        key = f"{method}/minutes/{word}"
        made.append(Assumption(key, name, value, "minutes a tray", NO_SOURCE, "hours of work"))
    return made


def _of_protocol(protocol: Protocol) -> list[Assumption]:
    method, practice = protocol.method, PRACTICE[protocol.method]
    cells = next((s.tray_format.cells for s in protocol.stages if s.tray_format), 1)
    made = []
    if protocol.flush == practice.flush and not protocol.learned_flush:
        affects = "how many plugs are ready in the first week, and how many later"
        made.append(
            Assumption(
                f"{method.value}/flush",
                f"flush, {method.value}",
                protocol.flush,
                "per cent a week",
                practice.flush_why,
                affects,
            )
        )
    for name, value, assumed, unit in (
        ("smallest batch", protocol.smallest_batch, practice.smallest_batch, "trays"),
        ("batch minutes", protocol.batch_minutes, BATCH_MINUTES, "minutes a batch"),
        ("tray cost", protocol.tray_cents, assumed_tray_cents(method, cells), "cents a tray"),
    ):
        if value == assumed:
            affects = "how often small batches are started, and their cost"
            key = f"{method.value}/{name}"
            title = f"{name}, {method.value}"
            made.append(Assumption(key, title, str(value), unit, MEMORY, affects))
    return made


def _of_crop(protocol: Protocol) -> list[Assumption]:
    crop, practice = protocol.crop, PRACTICE[protocol.method]
    made = []
    for name, value, assumed, unit, why, affects in (
        ("life", crop.life_weeks, practice.life_weeks, "weeks from ready to last sale",
         practice.life_why, "how far ahead of sales a batch may be ready; discards"),
        ("service level", crop.service_level, 0.9, "share", MEMORY,
         "trays started above the average"),
        ("cost of a plug unmet", crop.shortage_cents, 150.0, "cents a plug", MEMORY,
         "which crops are left unmet where room or hours are short"),
        ("lateness", crop.lateness_weeks, 2, "weeks customers wait", MEMORY,
         "what is late and what is unmet"),
    ):  # fmt: skip
        if value == assumed:
            key = f"{protocol.method.value}/{name}"
            title = f"{name}, {protocol.method.value}"
            made.append(Assumption(key, title, f"{value:g}", unit, why, affects))
    return made


def _of_sales(session: Session, protocols: list[Protocol]) -> list[Assumption]:
    """Crops whose expected sales still follow the assumed pattern."""
    follow = []
    for crop_id, name in sorted({(p.crop_id, p.crop.name) for p in protocols}):
        query = select(Demand).where(
            Demand.crop_id == crop_id, Demand.kind == DemandKind.EXPECTED_SALES, Demand.plugs > 0
        )
        rows = {row.week: row.plugs for row in session.exec(query).all()}
        if rows and spread(sum(rows.values()), Week.parse(min(rows))) == rows:
            follow.append(name)
    if not follow:
        return []
    return [
        Assumption(
            "sales/pattern",
            "spread of a season's plugs over the sale weeks",
            "/".join(map(str, SALE_PATTERN)),
            "per cent a week",
            MEMORY,
            "when batches are started, and which weeks are full",
            tuple(follow),
        )
    ]


def _of_site(session: Session) -> list[Assumption]:
    site = session.get(Site, 1)
    if site is None:
        return []
    made = []
    for name, field_name, unit, affects in (
        ("regular work", "regular_cents_per_minute", "cents a minute", "cost of hours"),
        ("overtime work", "overtime_cents_per_minute", "cents a minute", "when overtime pays"),
        ("batch starts", "starts_per_week", "batches a week", "how starts are spread"),
        ("overflow", "overflow_cents", "cents a place and week", "when a bench may be overfull"),
    ):
        value = getattr(site, field_name)
        if value == Site.model_fields[field_name].default:
            key = f"site/{name}"
            made.append(Assumption(key, name, f"{value:g}", unit, MEMORY, affects))
    return made
