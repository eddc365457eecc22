"""Which rows of the workbook describe the nursery itself, before any plug stands in it?"""

import math
from collections.abc import Iterator
from datetime import date

from nursery.workbook.sheet import Values
from seed_demo.nursery_data import (
    ABSENCES,
    AREAS,
    BOXES,
    BY_HAND,
    CARE,
    CLOSURES,
    HOME,
    IN_DAMP_PAPER,
    MATERIALS,
    ON_THE_WAY,
    OPENING,
    PACKS,
    PEOPLE,
    POSTAGE,
    RECURRING,
    SERVICES,
    SHADE,
    SITE_NAME,
    STATIONS,
    SUBSTITUTES,
    TRAYS,
    TRIALS,
    WRAPS,
    ZONE_OF_TIME,
    ZONES,
)
from seed_demo.plants import BY_THE_DOZEN, CUT, PLANTS, ROOTS, SOWN, SPLIT, WAYS, WOODLAND, Plant
from seed_demo.weather import Day, normals

Rows = dict[str, list[Values]]
"""Rows by sheet, each with the sheet's own headings."""

_MATERIAL = (
    "Name",
    "Kind",
    "Unit",
    "Used for",
    "Amount",
    "Tray format",
    "Wrap",
    "In stock",
    "Spare",
    "Lead",
    "Pack",
)
_PACK = (
    "Name",
    "Against",
    "Hours",
    "Covers",
    "Outside",
    "Cost",
    "Weight",
    "In stock",
    "Spare",
    "Lead",
    "Sold in",
)
_BOX = ("Name", "Room", "Weight", "Cost", "Vapour")
_BY_HAND = ("Which", "First day", "Last day", "Open", "Decided by", "Reason", "Decided at")
_TRIAL = ("Wrap", "Weighed at", "Before", "After", "Hours", "Mean", "Humidity")
_SUBSTITUTE = ("Product", "Substitute", "Place")
_CARE = ("Product", "Within", "Pot or plant", "Also")
_RECURRING = (
    "Name",
    "Place",
    "Days",
    "Minutes",
    "Persons",
    "Skill",
    "First week",
    "Last week",
)
_YIELD = {SPLIT: 0.5, CUT: 1.0, ROOTS: 0.4}
"""Propagules a mother plant gives in a week."""
_LEAST = 112
"""Propagules a block gives in a week at least: a tray and a few to spare."""
_TESTED, _SOW_BY = date(2027, 1, 18), date(2028, 1, 31)
"""When seed lots were tested, and the last day on which they are sown."""
_REST = (45, 3)
_NOT_ROOTS = (16, 42)
"""Root cuttings are not taken while the plant is in leaf."""


def site_sheets() -> Rows:
    """The nursery's own row and the stations, which every other sheet leans on."""
    return {
        "Stations": [{"Name": each.name, "Latitude": each.latitude} for each in STATIONS],
        "Site": [
            {
                "Name": SITE_NAME,
                "Country": "NL",
                "Holiday region": "NL",
                "Time zone": ZONE_OF_TIME,
                "Station": HOME,
                "Passport registration": "NL-000012345",
                "Hold risk": 0.05,
                "Safe quantile": 0.95,
                "Packing minutes": 300,
                "Plugs a ready place": 72,
                "Batch starts": 12,
                "Forecast shelf life": 36,
            }
        ],
    }


def weather_sheets(observed: list[Day], forecast: list[Day]) -> Rows:
    """Normals, observed days and this morning's forecast."""
    issued = OPENING.replace(hour=6, tzinfo=None)
    return {
        "Normals": [
            {
                "Station": each.station,
                "Month": each.month,
                "Minimum": each.min_c,
                "Maximum": each.max_c,
                "Minimum deviation": each.min_sd_c,
                "Maximum deviation": each.max_sd_c,
            }
            for each in normals()
        ],
        "Weather": [_day(each) for each in observed],
        "Forecasts": [{**_day(each), "Issued at": issued} for each in forecast],
    }


def growing_sheets() -> Rows:
    """Crops and how they are raised, mother blocks, areas, benches and people."""
    blocks = list(_mother_blocks())
    return {
        "Tray formats": [
            {"Name": name, "Cells": cells, "Places": places, "Cost": cents}
            for name, cells, places, cents in TRAYS
        ],
        "Crops": [_crop(plant) for plant in PLANTS],
        "Mother blocks": [block for block, _ in blocks],
        "Mother pauses": [pause for _, pauses in blocks for pause in pauses],
        "Protocols": [_protocol(plant, way) for plant in PLANTS for way in plant.ways],
        "Stages": [
            stage for plant in PLANTS for way in plant.ways for stage in _stages(plant, way)
        ],
        "Areas": [
            {
                "Name": area.name,
                "Kind": area.kind.value,
                "Sink": area.sink_c,
                "Coupling": area.coupling,
                "Heated floor": area.floor_c,
                "Vented ceiling": area.ceiling_c,
                "Shade layers": area.shade_layers,
            }
            for area in AREAS
        ],
        "Benches": list(_benches()),
        "Shade": [
            {
                "Area": area,
                "Layers at most": most,
                "Limit": limit,
                "Cover": cover,
                "Change minutes": minutes,
            }
            for area, most, limit, cover, minutes in SHADE
        ],
        "People": [
            {
                "Name": each.name,
                "Minutes": each.minutes_a_week,
                "Overtime": each.overtime_minutes,
                "Skills": each.skills,
            }
            for each in PEOPLE
        ],
        "Recurring work": [dict(zip(_RECURRING, row, strict=True)) for row in RECURRING],
        "Seed lots": list(_seed_lots()),
        "Absences": [
            {"Person": name, "First day": first, "Last day": last} for name, first, last in ABSENCES
        ],
    }


def selling_sheets() -> Rows:
    """Products, wraps, carriers, zones and closures."""
    return {
        "Packs": [dict(zip(_PACK, row, strict=True)) for row in PACKS],
        "Boxes": [dict(zip(_BOX, row, strict=True)) for row in BOXES],
        "Wrap trials": [dict(zip(_TRIAL, row, strict=True)) for row in TRIALS],
        "Substitutes": [dict(zip(_SUBSTITUTE, row, strict=True)) for row in SUBSTITUTES],
        "On the way": [{"Zone": zone, "Station": station} for zone, station in ON_THE_WAY],
        "Days by hand": [dict(zip(_BY_HAND, row, strict=True)) for row in BY_HAND],
        "Care cards": [dict(zip(_CARE, row, strict=True)) for row in CARE],
        "Wraps": [
            {
                "Name": name,
                "Water": water,
                "Least water": least,
                "Conductance": loss,
                "Cost": cents,
                "Minutes": minutes,
            }
            for name, water, least, loss, cents, minutes in WRAPS
        ],
        "Materials": [dict(zip(_MATERIAL, row, strict=True)) for row in MATERIALS],
        "Products": [_product(plant, plugs) for plant in PLANTS for plugs in sizes(plant)],
        "Services": [
            {
                "Name": each.name,
                "Collects": each.collects,
                "Delivers": each.delivers,
                "Collection time": each.collection_time,
                "Cut-off": each.cut_off,
                "Cut-off days": each.cut_off_days_before,
                "Pack same day": each.pack_same_day,
                "Price": each.price_cents,
            }
            for each in SERVICES
        ],
        "Zones": [
            {
                "Name": each.name,
                "Country": each.country,
                "Holiday region": each.holiday_region,
                "Station": each.station,
            }
            for each in ZONES
        ],
        "Zone prefixes": [
            {"Zone": each.name, "Country": each.country, "Prefix": prefix}
            for each in ZONES
            for prefix in each.prefixes
        ],
        "Transit": [
            {"Service": each.name, "Zone": zone, "Delivery days": day, "Share": share}
            for each in SERVICES
            for zone, shares in each.transit.items()
            for day, share in enumerate(shares, start=1)
        ],
        "Postage": [
            {"Service": service, "Zone": zone, "Up to": grams, "Price": cents}
            for service, zones, bands in POSTAGE
            for zone in zones
            for grams, cents in bands
        ],
        "Closures": [
            {"Closed at": at, "Which": key, "First day": first, "Last day": last, "Reason": why}
            for at, key, first, last, why in CLOSURES
        ],
    }


def sizes(plant: Plant) -> tuple[int, ...]:
    """In which numbers of plugs is it sold?"""
    return (6, 12) if plant.cultivar in BY_THE_DOZEN else (6,)


def product_code(plant: Plant, plugs: int) -> str:
    """What is the shop's code for so many plugs of it?"""
    return f"{plant.code}-{plugs}"


def block_code(plant: Plant, way: str) -> str | None:
    """Which mother block is this way taken from?"""
    return f"M-{plant.code}-{way[0].upper()}" if WAYS[way].from_mothers else None


def _day(each: Day) -> Values:
    return {
        "Station": each.station,
        "Day": each.day,
        "Minimum": each.min_c,
        "Maximum": each.max_c,
    }


def _crop(plant: Plant) -> Values:
    return {
        "Botanical name": plant.botanical,
        "Cultivar": plant.cultivar,
        "Group": "woodland" if plant.cultivar in WOODLAND else "marsh",
        "Life": plant.life_weeks,
        "Lateness": 2,
        "Unmet": round(0.6 * plant.price_cents),
        "Late": 12.0,
        "Store": 0.5,
        "Discard": 6.0,
    }


def _mother_blocks() -> Iterator[tuple[Values, list[Values]]]:
    for plant in PLANTS:
        for way in plant.ways:
            code = block_code(plant, way)
            if code is None:
                continue
            wanted = max(2.6 * plant.plugs_a_week, _LEAST)
            plants = math.ceil(wanted / _YIELD[way] / 0.85)
            block: Values = {
                "Code": code,
                "Crop": plant.name,
                "Plants": plants,
                "Reserve": round(0.15 * plants),
                "Yield": _YIELD[way],
            }
            pauses = [("rest", _REST), ("blackout", plant.flowers)]
            if way == ROOTS:
                pauses = [("rest", _NOT_ROOTS)]
            yield (
                block,
                [
                    {"Mother block": code, "Kind": kind, "First week": first, "Last week": last}
                    for kind, (first, last) in pauses
                ],
            )


def _seed_lots() -> Iterator[Values]:
    """Seed of last summer for each crop that is sown: enough for the year, tested in January."""
    for number, plant in enumerate(plant for plant in PLANTS if SOWN in plant.ways):
        yield {
            "Code": f"S-{plant.code}-26",
            "Crop": plant.name,
            "Seeds": 60 * plant.plugs_a_week,
            "Germination": 0.74 + 0.02 * (number % 4),
            "Tested on": _TESTED,
            "Sow by": _SOW_BY,
        }


def _protocol(plant: Plant, name: str) -> Values:
    way = WAYS[name]
    return {
        "Crop": plant.name,
        "Protocol": name,
        "Method": way.method.value,
        "Mother block": block_code(plant, name),
        "Propagules a cell": 1.0,
        "Smallest batch": way.smallest_batch,
        "Tray cost": way.tray_cents,
        "Batch cost": way.batch_cents,
        "Batch minutes": way.batch_minutes,
        "Extra weeks": way.extra_weeks,
        "Extra cost": 30,
        "Flush": way.flush,
    }


def _stages(plant: Plant, way: str) -> Iterator[Values]:
    for position, step in enumerate(WAYS[way].steps, start=1):
        yield {
            "Crop": plant.name,
            "Protocol": way,
            "Position": position,
            "Kind": step.kind.value,
            "Area kind": step.area.value,
            "Tray format": step.tray,
            "Clock": step.clock.value,
            "Amount": step.amount,
            "Base": step.base_c,
            "Upper limit": step.upper_c,
            "Survival": step.survival,
            "Overdispersion": step.overdispersion,
            "Minutes": step.minutes,
        }


def _benches() -> Iterator[Values]:
    turn = 0
    for row, area in enumerate(AREAS):
        for column, places in enumerate(area.benches):
            turn += 1
            yield {
                "Area": area.name,
                "Name": f"{area.name} {column + 1}",
                "Places": places,
                "X": 3.0 * column,
                "Y": 12.0 * row,
                "Walk order": turn,
            }


def _wrap(plant: Plant) -> str:
    if plant.code in IN_DAMP_PAPER:
        return WRAPS[2][0]
    return WRAPS[0][0] if plant.box_days < 4 else WRAPS[1][0]


def _product(plant: Plant, plugs: int) -> Values:
    return {
        "Code": product_code(plant, plugs),
        "Name": f"{plant.name}, {plugs} plugs",
        "Crop": plant.name,
        "Grade": "A",
        "Plugs": plugs,
        "Wrap": _wrap(plant),
        "Heat limit": plant.heat_c,
        "Frost limit": plant.frost_c,
        "Days in the box": plant.box_days,
        "Minutes": 0.5 if plugs == 6 else 0.9,
        "Price": round(plugs * plant.price_cents * (1.0 if plugs == 6 else 0.9)),
        "Weight": 60 + 45 * plugs,
    }
