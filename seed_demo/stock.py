"""What stands on the invented nursery's benches this morning, in every stage? From a seed."""

from dataclasses import dataclass, field
from datetime import date, timedelta

import numpy as np

from nursery.crop import AreaKind, Clock, StageKind
from nursery.workbook.sheet import Values
from seed_demo.nursery_data import AREAS, OPENING, PEOPLE, TODAY, TRAYS
from seed_demo.plants import PLANTS, WAYS, Plant, Step
from seed_demo.sheets import Rows, block_code

CELLS = {name: cells for name, cells, _, _ in TRAYS}
_COUNTED = OPENING.replace(tzinfo=None) - timedelta(days=3)
"""The last walk-round, on Friday."""
_GROWING = {
    StageKind.ON_ORDER: (0.7, 4.0),
    StageKind.ISOLATION: (0.8, 3.5),
    StageKind.STRIKE: (0.7, 2.8),
    StageKind.GROW_ON: (0.9, 3.8),
    StageKind.HARDEN_OFF: (0.85, 3.2),
}
"""Chance that a crop has a batch in this stage, and its plugs in weeks of sales."""
_READY = ((0.95, 5.4, 0.25), (0.35, 2.5, 0.7))
"""Chance of a ready batch, its plugs in weeks of sales, the share of its life that is over."""
VETOED = "Astilbe chinensis 'Low Tide'"
"""The crop whose ready batch waits for an inspection."""


@dataclass
class _Benches:
    """Where is there room? Trays are put on the emptiest bench of the stage's kind of area."""

    room: dict[str, int] = field(
        default_factory=lambda: {
            f"{area.name} {i + 1}": places
            for area in AREAS
            for i, places in enumerate(area.benches)
        }
    )

    def place(self, kind: AreaKind, trays: int) -> tuple[str | None, int]:
        """On which bench do they stand, and how many of them find room there?"""
        if kind is AreaKind.NONE:
            return None, trays
        name = next(area.name for area in AREAS if area.kind is kind)
        mine = {bench: room for bench, room in self.room.items() if bench.startswith(f"{name} ")}
        bench = max(mine, key=lambda each: mine[each])
        fits = min(trays, mine[bench])
        self.room[bench] -= fits
        return bench, fits


def stock_sheets(rng: np.random.Generator) -> Rows:
    """Batches in all stages with their last count, ready lots, and one veto."""
    rows: Rows = {"Batches": [], "Lots": [], "Vetoes": []}
    benches = _Benches()
    for plant in PLANTS:
        for turn, (chance, weeks, spent) in enumerate(_READY):
            if rng.random() < chance or (turn == 0 and plant.name == VETOED):
                _ready(rng, rows, benches, plant, weeks, spent)
        for position, step in enumerate(WAYS[plant.ways[0]].steps, start=1):
            chance, weeks = _GROWING[step.kind]
            if rng.random() < chance:
                _growing(rng, rows, benches, plant, position, weeks)
    _veto(rows)
    return rows


def _ready(
    rng: np.random.Generator,
    rows: Rows,
    benches: _Benches,
    plant: Plant,
    weeks: float,
    spent: float,
) -> None:
    """A batch on the sales benches, one lot of which is left of its life what is not spent."""
    steps = WAYS[plant.ways[0]].steps
    life = 7 * plant.life_weeks
    ready = TODAY - timedelta(days=int(life * spent * rng.uniform(0.6, 1.1)))
    cells = CELLS[steps[-1].tray]
    wanted = weeks * plant.plugs_a_week * rng.uniform(0.7, 1.3)
    bench, trays = benches.place(AreaKind.READY, max(1, round(wanted / cells / 0.9)))
    plugs = int(trays * cells * rng.uniform(0.82, 0.95))
    if plugs == 0:
        return
    entered = ready - timedelta(days=_usual_days(steps[-1]))
    batch = _batch(rows, plant, len(steps), steps[-1].tray, bench, trays, entered)
    batch["Ready on"] = ready
    rows["Lots"].append(
        {
            "Batch": batch["Code"],
            "Grade": "A",
            "Ready on": ready,
            "Last sale on": ready + timedelta(days=life - 1),
            "Counted plugs": plugs,
            "Counted at": _COUNTED,
            "Counter": PEOPLE[0].name,
        }
    )


def _growing(
    rng: np.random.Generator,
    rows: Rows,
    benches: _Benches,
    plant: Plant,
    position: int,
    weeks: float,
) -> None:
    """A batch in this stage, some way through it, counted on the last walk-round."""
    steps = WAYS[plant.ways[0]].steps
    step = steps[position - 1]
    cells = CELLS[step.tray]
    alive = float(np.prod([each.survival for each in steps[: position - 1]]))
    later = float(np.prod([each.survival for each in steps[position - 1 :]]))
    wanted = weeks * plant.plugs_a_week * rng.uniform(0.7, 1.3) / later
    bench, trays = benches.place(step.area, max(1, round(wanted / cells / alive)))
    if trays == 0:
        return
    entered = TODAY - timedelta(days=int(_usual_days(step) * rng.uniform(0.1, 0.85)) + 1)
    batch = _batch(rows, plant, position, step.tray, bench, trays, entered)
    batch["Counted plugs"] = int(trays * cells * min(1.0, alive * rng.uniform(0.94, 1.04)))
    batch["Counted at"] = _COUNTED
    batch["Counter"] = PEOPLE[0].name
    if step.kind is StageKind.ON_ORDER:
        batch["Lineage"] = "ordered from an invented laboratory"


def _batch(
    rows: Rows,
    plant: Plant,
    position: int,
    tray: str,
    bench: str | None,
    trays: int,
    entered: date,
) -> Values:
    way = plant.ways[0]
    before = sum(_usual_days(each) for each in WAYS[way].steps[: position - 1])
    started = entered - timedelta(days=before)
    values: Values = {
        "Code": _code(rows, plant, started),
        "Crop": plant.name,
        "Protocol": way,
        "Stage": position,
        "Tray format": tray,
        "Bench": bench,
        "Mother block": block_code(plant, way),
        "Trays": trays,
        "Started on": started,
        "Stage entered on": entered,
        "Origin": "NL",
        "Quarantine": "clear",
    }
    rows["Batches"].append(values)
    return values


def _code(rows: Rows, plant: Plant, started: date) -> str:
    """The crop, the year and week it was started in, and a letter: "CAL-2704A"."""
    year, week, _ = started.isocalendar()
    stem = f"{plant.code}-{year % 100}{week:02d}"
    same = sum(str(each["Code"]).startswith(stem) for each in rows["Batches"])
    return stem + "ABCDEFGH"[same]


def _usual_days(step: Step) -> int:
    """How long does a stage take in a winter, roughly? Only for dates that lie behind us."""
    if step.clock is Clock.WARMTH:
        return round(step.amount / 5)
    return round(step.amount * (1.0 if step.clock is Clock.DAYS else 1.3))


def _veto(rows: Rows) -> None:
    lots = {lot["Batch"] for lot in rows["Lots"]}
    batch = next(
        each for each in rows["Batches"] if each["Crop"] == VETOED and each["Code"] in lots
    )
    rows["Vetoes"].append(
        {
            "Batch": batch["Code"],
            "Kind": "inspection",
            "Set at": OPENING.replace(tzinfo=None) - timedelta(days=4),
            "Reason": "leaf spots seen on the walk-round; inspector asked to look",
            "Set by": PEOPLE[0].name,
            "Earliest end": TODAY + timedelta(days=3),
        }
    )
