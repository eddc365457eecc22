"""The short form: four sheets of at most six columns, from which a first plan is made."""

from datetime import date

from nursery.batch import Batch, Quarantine
from nursery.crop import AreaKind, Crop, Method
from nursery.growing_area import GrowingArea, Site
from nursery.workbook.growing_sheets import MOST
from nursery.workbook.sheet import Column, Sheet, Type
from nursery.workbook.specification import SHEETS

SHORT_SHEETS: tuple[Sheet, ...] = (
    Sheet(
        "Site",
        Site,
        (),
        (
            Column("Name", "", Type.TEXT, "Low Meadow Plugs", needed=True, longest=120),
            Column("Country", "", Type.TEXT, "NL", needed=True, longest=2,
                   help="ISO 3166 code of two letters"),
            Column("Time zone", "", Type.TEXT, "Europe/Amsterdam", needed=True, longest=60,
                   help="IANA name"),
            Column("Hours a week", "", Type.NUMBER, 76.0, "hours in propagation, all hands",
                   needed=True, low=0, high=10_000),
        ),
        help="The nursery itself: one row.",
    ),
    Sheet(
        "Crops",
        Crop,
        ("Name",),
        (
            Column("Name", "", Type.TEXT, "Primula rosea 'Gigas'", needed=True, longest=240,
                   help="Botanical name 'Cultivar'"),
            Column("Method", "", Type.WORD, "division", needed=True,
                   words=tuple(method.value for method in Method)),
            Column("Cells", "", Type.WHOLE, 104, "cells a tray", needed=True, low=1, high=2000),
            Column("Weeks to ready", "", Type.WHOLE, 12, "weeks from start to ready",
                   needed=True, low=2, high=104),
            Column("Wanted", "", Type.WHOLE, 2000, "plugs in the season", needed=True,
                   low=0, high=MOST),
            Column("First week", "", Type.WEEK, "2027-W14", "first sale week", needed=True),
        ),
        help="One row a crop. Everything else is assumed by method, and shown as assumed.",
    ),
    Sheet(
        "Areas",
        GrowingArea,
        ("Name",),
        (
            Column("Name", "", Type.TEXT, "Mist house", needed=True, longest=60),
            Column("Kind", "", Type.WORD, "propagation house", needed=True,
                   words=tuple(kind.value for kind in AreaKind if kind is not AreaKind.NONE)),
            Column("Places", "", Type.WHOLE, 120, "tray places", needed=True, low=0,
                   high=100_000),
        ),
        help="Where trays stand, as one bench each.",
    ),
    Sheet(
        "Batches",
        Batch,
        ("Code",),
        (
            Column("Code", "", Type.TEXT, "B2701", needed=True, longest=40),
            Column("Crop", "", Type.TEXT, "Primula rosea 'Gigas'", needed=True,
                   help="Name in Crops"),
            Column("Trays", "", Type.WHOLE, 12, "trays (not plugs)", needed=True, low=0,
                   high=1_000_000),
            Column("Plugs", "", Type.WHOLE, 1150, "plugs alive now", low=0, high=MOST),
            Column("Started on", "", Type.DAY, date(2027, 2, 15), needed=True),
            Column("Quarantine", "", Type.WORD, "clear", default=Quarantine.UNKNOWN.value,
                   words=tuple(word.value for word in Quarantine),
                   help="blank is unknown, and unknown is blocked"),
        ),
        help="What is growing already.",
    ),
)  # fmt: skip

_FULL = {sheet.name: sheet.headings for sheet in SHEETS}


def _only(one: tuple[str, ...], other: tuple[str, ...]) -> set[str]:
    return {heading.casefold() for heading in set(one) - set(other)}


ONLY_SHORT = {s.name.casefold(): _only(s.headings, _FULL[s.name]) for s in SHORT_SHEETS}
ONLY_FULL = {s.name.casefold(): _only(_FULL[s.name], s.headings) for s in SHORT_SHEETS}
"""Headings, by sheet, that only one of the forms has: by them a file is recognised."""
