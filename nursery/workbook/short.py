"""The short form made whole: what was typed, and what is assumed by propagation method."""

import re
from datetime import date, timedelta

from nursery.calendars import Region
from nursery.crop import AreaKind, Method
from nursery.demand import DemandKind
from nursery.errors import Fault
from nursery.planning.assumptions import (
    BATCH_MINUTES,
    OVERDISPERSION,
    PRACTICE,
    AssumedStage,
    assumed_stages,
    assumed_text,
    assumed_tray_cents,
    spread,
)
from nursery.weeks import Week
from nursery.workbook.cells import candidates
from nursery.workbook.draft import Draft, Record
from nursery.workbook.reading import Book
from nursery.workbook.sheet import Value, Values
from nursery.workbook.specification import BY_NAME

HANDS = "All hands"
"""The one person of the short form, who has all its hours."""


def expand(draft: Draft, book: Book) -> None:
    """Take the rows of a short form into the draft, each made into the rows it stands for."""
    typed: dict[str, list[Record]] = {"Site": [], "Crops": [], "Areas": [], "Batches": []}
    for name, raw in book.sheets.items():
        typed[name] = _once(draft, draft.parse(raw))
    short = _Short(draft, typed)
    for record in typed["Site"]:
        short.site(record)
    for record in typed["Areas"]:
        short.area(record)
    for record in typed["Crops"]:
        short.crop(record)
    for record in typed["Batches"]:
        short.batch(record)
    if draft.faults or not any(typed.values()):
        return
    draft.notes.append(
        "Short form: stages, survival, work and costs are assumed by method; the plan names the"
        " assumptions that matter most."
    )


def _once(draft: Draft, records: list[Record]) -> list[Record]:
    """A row written twice is read once; two rows of one name that differ are a fault."""
    seen: dict[object, Record] = {}
    kept = []
    for record in records:
        key = record.key
        first = None if key is None else seen.setdefault(key, record)
        if first is None or first is record:
            kept.append(record)
        elif first.values == record.values:
            draft.notes.append(
                f"{record.source}, row {record.row}: the same as row {first.row}; read once."
            )
        else:
            heading = record.sheet.key[-1] if record.sheet.key else "Name"
            rule = f"is in row {first.row} already, with other values"
            draft.blame(record, heading, rule, "keep one of the two rows")
            first.bad = True
            first.because = first.because or f"row {record.row} has the same name"
            kept.append(record)
    return kept


class _Short:
    def __init__(self, draft: Draft, typed: dict[str, list[Record]]) -> None:
        self.draft = draft
        self.today = draft.now.astimezone(draft.zone).date()
        self.crops = {str(r.values["Name"]): r for r in typed["Crops"] if "Name" in r.values}
        self.countries = [str(r.values["Country"]) for r in typed["Site"] if "Country" in r.values]
        self.areas = [
            AreaKind(str(r.values["Kind"]))
            for r in typed["Areas"]
            if r.values.get("Kind") is not None
        ]
        self.benches = 0
        self.trays: set[str] = set()

    def put(
        self, typed: Record, sheet: str, given: Values, assumed: Values | None = None
    ) -> Record:
        """One row of the full form. What is only assumed never changes a row that is there."""
        record = Record(
            BY_NAME[sheet],
            typed.row,
            {**(assumed or {}), **given},
            frozenset(given),
            typed.source,
            bad=typed.bad,
            because=typed.because,
        )
        self.draft.add([record])
        return record

    def site(self, typed: Record) -> None:
        values = typed.values
        country = str(values.get("Country") or "")
        given: Values = {h: values[h] for h in ("Name", "Country", "Time zone") if h in values}
        if typed.bad:
            return
        self.put(typed, "Site", given, {"Holiday region": self._region(country)})
        hours = values["Hours a week"]
        minutes = round(float(str(hours)) * 60)
        # One person has at most the minutes of a week in the full form; more hands are more rows.
        for place, part in enumerate(_parts(minutes, 10_080), start=1):
            name = HANDS if place == 1 else f"{HANDS} {place}"
            self.put(typed, "People", {"Name": name, "Minutes": part})

    def _region(self, country: str) -> str:
        try:
            return str(Region.parse(country))
        except Fault as fault:
            parts = re.findall(rf"{re.escape(country)}-[A-Z0-9]+", fault.next)
            if not parts:
                return country
            self.draft.notes.append(
                f"Site: public holidays are assumed to be those of {parts[0]}; correct it in the"
                " full form (`nursery export`) if the nursery lies elsewhere."
            )
            return str(parts[0])

    def area(self, typed: Record) -> None:
        if typed.bad:
            return
        values = typed.values
        self.benches += 1
        self.put(typed, "Areas", {"Name": values["Name"], "Kind": values["Kind"]})
        bench: Values = {
            "Area": values["Name"],
            "Name": values["Name"],
            "Places": values["Places"],
        }
        self.put(typed, "Benches", bench, {"Walk order": self.benches})

    def crop(self, typed: Record) -> None:
        name = typed.values.get("Name")
        if not isinstance(name, str):
            return
        botanical, cultivar = split_name(name)
        method = typed.values.get("Method")
        practice = PRACTICE[Method(str(method))] if method is not None else None
        life: Values = {"Life": practice.life_weeks} if practice else {}
        self.put(typed, "Crops", {"Botanical name": botanical, "Cultivar": cultivar}, life)
        if not typed.bad:
            self._protocol(typed, name, Method(str(method)))
            self._demand(typed, name)

    def _protocol(self, typed: Record, crop: str, method: Method) -> None:
        cells, weeks = int(str(typed.values["Cells"])), int(str(typed.values["Weeks to ready"]))
        practice = PRACTICE[method]
        tray = str(cells)
        if tray not in self.trays:
            self.trays.add(tray)
            self.put(typed, "Tray formats", {"Name": tray, "Cells": cells})
        given: Values = {"Crop": crop, "Protocol": method.value, "Method": method.value}
        assumed: Values = {
            "Smallest batch": practice.smallest_batch,
            "Tray cost": assumed_tray_cents(method, cells),
            "Batch minutes": BATCH_MINUTES,
            "Flush": practice.flush,
            "Assumed": assumed_text(method),
        }
        protocol = self.put(typed, "Protocols", given, assumed)
        stages = assumed_stages(method, weeks, cells, self.areas)
        if protocol.stored is not None and not self._still_assumed(crop, method, stages):
            return
        for position, stage in enumerate(stages, start=1):
            self._stage(typed, given, position, stage, tray)

    def _still_assumed(self, crop: str, method: Method, stages: tuple[AssumedStage, ...]) -> bool:
        """Are the stages in the database still those of the short form (days, same kinds)?"""
        rows = [
            stored.values
            for key, stored in self.draft.picture.rows(BY_NAME["Stages"]).items()
            if key[:2] == (crop, method.value)
        ]
        rows.sort(key=lambda values: int(str(values["Position"])))
        return [(v["Kind"], v["Clock"]) for v in rows] == [(s.kind.value, "days") for s in stages]

    def _stage(
        self, typed: Record, protocol: Values, position: int, stage: AssumedStage, tray: str
    ) -> None:
        given: Values = {
            "Crop": protocol["Crop"],
            "Protocol": protocol["Protocol"],
            "Position": position,
            "Kind": stage.kind.value,
            "Clock": "days",
            "Amount": float(stage.days),
            "Tray format": None if stage.area is AreaKind.NONE else tray,
        }
        assumed: Values = {
            "Area kind": stage.area.value,
            "Survival": stage.survival,
            "Overdispersion": OVERDISPERSION,
            "Minutes": stage.minutes,
        }
        self.put(typed, "Stages", given, assumed)

    def _demand(self, typed: Record, crop: str) -> None:
        wanted, first = int(str(typed.values["Wanted"])), str(typed.values["First week"])
        kind = DemandKind.EXPECTED_SALES.value
        there = {
            str(key[1]): stored.values["Plugs"]
            for key, stored in self.draft.picture.rows(BY_NAME["Demand"]).items()
            if key[0] == crop and key[2] == kind
        }
        sold = {week: int(str(plugs)) for week, plugs in there.items() if plugs}
        if sum(sold.values()) == wanted and min(sold, default="") == first:
            return  # spread over weeks as somebody has it by now
        weeks = {**dict.fromkeys(sold, 0), **spread(wanted, Week.parse(first))}
        for week, plugs in sorted(weeks.items()):
            self.put(typed, "Demand", {"Crop": crop, "Week": week, "Kind": kind, "Plugs": plugs})

    def batch(self, typed: Record) -> None:
        values = typed.values
        crop = values.get("Crop")
        row = self.crops.get(str(crop))
        if typed.bad or not isinstance(crop, str):
            return
        if row is None or row.bad:
            known = sorted(self.crops)
            if row is None:
                next = candidates(crop, known) or "add it to sheet Crops, or correct it"
                self.draft.blame(typed, "Crop", "is not in sheet Crops", next)
            else:
                typed.bad, typed.because = True, f"it needs row {row.row} of Crops, left out"
            self._only_code(typed)
            return
        method = Method(str(row.values["Method"]))
        stages = assumed_stages(
            method,
            int(str(row.values["Weeks to ready"])),
            int(str(row.values["Cells"])),
            self.areas,
        )
        position, entered = stage_on(stages, values.get("Started on"), self.today)
        given: Values = {
            "Code": values["Code"],
            "Crop": crop,
            "Trays": values["Trays"],
            "Started on": values["Started on"],
            "Quarantine": values.get("Quarantine"),
            "Counted plugs": values.get("Plugs"),
        }
        assumed: Values = {
            "Protocol": method.value,
            "Stage": position,
            "Stage entered on": entered,
            "Tray format": str(row.values["Cells"]),
            "Origin": self.countries[0] if self.countries else "",
        }
        self.put(typed, "Batches", given, assumed)

    def _only_code(self, typed: Record) -> None:
        """Keep the row in sight, so that the report can say that it is left out."""
        record = Record(BY_NAME["Batches"], typed.row, {}, frozenset(), typed.source)
        record.unread = set(record.sheet.headings)
        record.bad, record.because = True, typed.because
        self.draft.records.setdefault("Batches", []).append(record)


def split_name(name: str) -> tuple[str, str]:
    """Which botanical name and cultivar does "Primula rosea 'Gigas'" hold?"""
    found = re.fullmatch(r"(.+?) '([^']+)'", name)
    return (found[1], found[2]) if found else (name, "")


def stage_on(stages: tuple[AssumedStage, ...], started: Value, today: date) -> tuple[int, date]:
    """In which stage is a batch today that was started then, and since when?"""
    entered = started if isinstance(started, date) else today
    for position, stage in enumerate(stages, start=1):
        left = entered + timedelta(days=stage.days)
        if left > today or position == len(stages):
            return position, entered
        entered = left
    return 1, entered


def _parts(total: int, most: int) -> list[int]:
    """Which parts, none over `most`, make up the total? At least one."""
    whole, rest = divmod(total, most)
    return [most] * whole + ([rest] if rest or not whole else [])
