"""The sheets of what happened: passages through stages, weekly flush, minutes of earlier seasons.

The nursery learns from them (`growing.learning`). Batches that the books have write theirs by
themselves; here are those that came before.
"""

from datetime import date
from functools import partial

from nursery.records import FlushRecord, StageRecord, TaskRecord
from nursery.workbook.sheet import Reference, Sheet, Type, column, naming

_MOST = 10**9

_crop = naming("Crop", "Caltha palustris", help="as in Crops: Botanical name 'Cultivar'")
_protocol = naming("Protocol", "division", help="as in Protocols")
_stage = naming("Stage", 1, type=Type.WHOLE, help="Position in Stages")
_of_stage = Reference("stage_id", "Stages", ("Crop", "Protocol", "Stage"))

_c = partial(column, StageRecord)
PASSAGES = Sheet(
    "Past stages",
    StageRecord,
    ("Batch code", "Crop", "Protocol", "Stage"),
    (
        _c("Batch code", "batch_code", "B2601", help="need not be in Batches any more"),
        _crop,
        _protocol,
        _stage,
        naming("Area", "Mist house", needed=False, help="as in Areas: where it stood, if known"),
        _c("Entered on", "entered_on", date(2026, 2, 16)),
        _c("Left on", "left_on", date(2026, 3, 10), help="blank: it is still there"),
        _c("Plugs in", "plugs_in", 1248, unit="plugs", low=1, high=_MOST,
           help="blank: nobody counted"),
        _c("Plugs out", "plugs_out", 1130, unit="plugs that lived", low=0, high=_MOST,
           help="blank: nobody counted; not more than came in"),
        _c("Left out because", "left_out", "",
           help="why nothing is to be learned from it: flood, no room to move on; else blank"),
    ),
    (_of_stage, Reference("area_id", "Areas", ("Area",), needed=False)),
    help="Batches of earlier seasons, stage by stage: survival and dwell are learned from them.",
)  # fmt: skip

_c = partial(column, FlushRecord)
FLUSHES = Sheet(
    "Past flush",
    FlushRecord,
    ("Batch code", "Week"),
    (
        _c("Batch code", "batch_code", "B2601"),
        _crop,
        _protocol,
        _c("Week", "week", 0, unit="weeks after the first plugs", low=0, high=52),
        _c("Plugs", "plugs", 800, unit="plugs set aside as ready", low=0, high=_MOST),
    ),
    (Reference("protocol_id", "Protocols", ("Crop", "Protocol")),),
    help="How many plugs of a batch were ready in its first week, the next, and so on.",
)

_c = partial(column, TaskRecord)
TASKS = Sheet(
    "Past work",
    TaskRecord,
    ("Batch code", "Crop", "Protocol", "Stage"),
    (
        _c("Batch code", "batch_code", "B2601"),
        _crop,
        _protocol,
        _stage,
        _c("Done on", "done_on", date(2026, 2, 16)),
        _c("Trays", "trays", 12, unit="trays", low=1, high=1_000_000),
        _c("Minutes", "minutes", 400.0, unit="minutes of all hands together", low=0, high=_MOST,
           help="to bring these trays into the stage; for the first stage, to start the batch"),
        _c("Person", "person", ""),
    ),
    (_of_stage,),
    help="How long it took: minutes a tray are learned from it.",
)  # fmt: skip
