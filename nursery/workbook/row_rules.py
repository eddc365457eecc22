"""Rules that one row keeps or breaks by itself."""

import re
from collections.abc import Callable
from datetime import date
from math import ceil

from nursery.calendars import Region, time_zone, weekday_mask
from nursery.crop import Clock, parse_flush
from nursery.errors import Fault
from nursery.shed.ledger import CLOCK_SLACK
from nursery.workbook.cells import shown
from nursery.workbook.draft import Draft, Record
from nursery.workbook.sheet import crop_label

Rule = Callable[[Draft, Record], None]


def _order(
    earlier: str,
    later: str,
    rule: str,
    next: str = "correct one of the dates",
    apart: bool = False,
) -> Rule:
    """The later of two values must not come before the earlier (`apart`: nor be equal to it)."""

    def judge(draft: Draft, record: Record) -> None:
        first, last = record.values.get(earlier), record.values.get(later)
        if first is None or last is None:
            return
        if last < first or (apart and last == first):  # type: ignore[operator]
            draft.blame(record, later, f"{rule}: {earlier} is {shown(first)}", next)

    return judge


def _by(heading: str, ask: Callable[[str], object]) -> Rule:
    """A text must be one that the rest of the program understands; its own fault is passed on."""

    def judge(draft: Draft, record: Record) -> None:
        text = record.values.get(heading)
        if isinstance(text, str):
            try:
                ask(text)
            except Fault as fault:
                draft.blame(record, heading, fault.rule, fault.next)

    return judge


def _country(draft: Draft, record: Record) -> None:
    text = record.values.get("Country")
    if isinstance(text, str) and not re.fullmatch("[A-Z]{2}", text):
        draft.blame(record, "Country", "must be an ISO 3166 code of two capitals", "such as NL")


def _mask(text: str) -> object:
    if not re.fullmatch("[01]{7}", text):
        raise Fault("Weekdays", "must be seven 0s and 1s, Monday first", text, "such as 1111100")
    return weekday_mask(text)


def _address(text: str) -> None:
    if not re.fullmatch(r"https?://[^\s/]+\S*|file:///\S+", text):
        rule = "must begin with https:// (or http://, or file:/// for a file of this machine)"
        raise Fault("Address", rule, text, "copy it whole")


def _zone_or_none(text: str) -> None:
    if text:
        time_zone(text)


def _decided_where(draft: Draft, record: Record) -> None:
    which = record.values.get("Which")
    if not isinstance(which, str) or not which:
        return
    if which not in {str(label[0]) for label in draft.labels("Zones")}:
        _by("Which", Region.parse)(draft, record)


def _currency(draft: Draft, record: Record) -> None:
    text = record.values.get("Currency")
    if isinstance(text, str) and not re.fullmatch("[A-Z]{3}", text):
        draft.blame(record, "Currency", "must be an ISO 4217 code of three capitals", "such as EUR")


def _lived(draft: Draft, record: Record) -> None:
    came, lived = record.values.get("Plugs in"), record.values.get("Plugs out")
    if lived is None:
        return
    if came is None:
        rule, next = "nobody knows how many came in", "give Plugs in, or leave this blank"
        draft.blame(record, "Plugs out", rule, next)
    elif lived > came:  # type: ignore[operator]
        rule = f"more plugs lived than came in: Plugs in is {shown(came)}"
        draft.blame(record, "Plugs out", rule, "correct one of the counts")


def _air(draft: Draft, record: Record) -> None:
    if {"Humidity", "Night"} & record.unread:
        return
    if record.values.get("Humidity") is None and record.values.get("Night") is None:
        rule = "nobody knows how dry the air was"
        draft.blame(record, "Humidity", rule, "give it, or the night's minimum")


def _origin(draft: Draft, record: Record) -> None:
    text = record.values.get("Origin")
    if isinstance(text, str) and text and not re.fullmatch("[A-Z]{2}", text):
        draft.blame(record, "Origin", "must be an ISO 3166 code of two capitals", "such as NL")


def _crop_name(draft: Draft, record: Record) -> None:
    for heading in ("Botanical name", "Cultivar"):
        if "'" in str(record.values.get(heading) or ""):
            next = "write the cultivar in its own column, without marks"
            draft.blame(record, heading, "must not hold quotation marks", next)
    label = crop_label(record.sheet.key_of(record.values))
    if "Botanical name" in record.values and len(label) > 240:
        draft.blame(record, "Cultivar", "the name is too long", "shorten it")


def _reserve(draft: Draft, record: Record) -> None:
    plants, reserve = record.values.get("Plants"), record.values.get("Reserve")
    if isinstance(plants, int) and isinstance(reserve, int) and reserve > plants:
        rule = f"the reserve must not be more than the plants ({plants})"
        draft.blame(record, "Reserve", rule, "correct one of the two")


def _clock(draft: Draft, record: Record) -> None:
    clock, base = record.values.get("Clock"), record.values.get("Base")
    needs = clock in (Clock.WARMTH, Clock.CHILL, Clock.HARDENING)
    if needs and base is None and "Base" not in record.unread:
        rule = f"the clock '{clock}' needs its base temperature in °C"
        draft.blame(record, "Base", rule, "fill it in")


def _area_kind(draft: Draft, record: Record) -> None:
    if record.values.get("Kind") == "none":
        draft.blame(record, "Kind", "an area must be of some kind", "choose another word")


def _both(one: str, other: str, rule: str) -> Rule:
    """Two cells are filled in together or not at all."""

    def judge(draft: Draft, record: Record) -> None:
        if {one, other} & record.unread:
            return
        if (record.values.get(one) in (None, "")) != (record.values.get(other) in (None, "")):
            empty = one if record.values.get(one) in (None, "") else other
            draft.blame(record, empty, rule, "fill in both or neither")

    return judge


def _counted(draft: Draft, record: Record) -> None:
    plugs, at = record.values.get("Counted plugs"), record.values.get("Counted at")
    if plugs is not None and at is None and "Counted at" not in record.unread:
        if not draft.short:
            draft.blame(record, "Counted at", "a count needs its date and time", "say when")
    elif at is not None and at > draft.now + CLOCK_SLACK:  # type: ignore[operator]
        rule = f"must not lie in the future (it is {draft.now:%Y-%m-%d %H:%M} UTC)"
        draft.blame(record, "Counted at", rule, "correct the date or time")


def _new_lot(draft: Draft, record: Record) -> None:
    new, counted = record.stored is None, record.values.get("Counted plugs")
    if new and counted is None and "Counted plugs" not in record.unread:
        draft.blame(record, "Counted plugs", "a new lot needs its count", "count it, fill it in")


def _last_sale(draft: Draft, record: Record) -> None:
    """A last sale date is put off by a decision that is kept, not by loading a file."""
    was = record.stored.values["Last sale on"] if record.stored is not None else None
    now = record.values.get("Last sale on")
    if isinstance(was, date) and isinstance(now, date) and now > was:
        rule = f"must not be put off by a workbook: the database has {was}"
        draft.blame(record, "Last sale on", rule, "hold the lot cold: `nursery hold-cold BATCH`")


def _closure_key(draft: Draft, record: Record) -> None:
    at, which = record.values.get("Closed at"), record.values.get("Which")
    sheet = {"service": "Services", "zone": "Zones"}.get(str(at))
    if not isinstance(which, str) or at is None:
        return
    if at == "origin":
        if which:
            draft.blame(record, "Which", "must be blank for the origin", "clear it")
    elif sheet is not None:
        known = [str(label[0]) for label in draft.labels(sheet)]
        if which not in known:
            next = f"name one of: {', '.join(sorted(known)[:8])}"
            draft.blame(record, "Which", f"is not in sheet {sheet}", next)
    else:
        _by("Which", Region.parse)(draft, record)


_CLOSED_WITHIN = 5
"""Years before and after today: days closed further away are rather a wrong year (an estimate)."""


def _near_days(draft: Draft, record: Record) -> None:
    """Is a closure of our time? One that stands as it was is not asked about again."""
    if record.stored is not None and not record.changes():
        return
    today = draft.now.astimezone(draft.zone).date()
    for heading in ("First day", "Last day"):
        day = record.values.get(heading)
        if isinstance(day, date) and abs((day - today).days) > 366 * _CLOSED_WITHIN:
            years = abs(day.year - today.year)
            rule = f"{years} years {'from now' if day > today else 'ago'} is no closure to plan by"
            draft.blame(record, heading, rule, f"is the year right? Today is {today}")
            return


def _sign_off(draft: Draft, record: Record) -> None:
    """A veto ends when an authorised person signs it off, not by loading a file."""
    stored = record.stored
    if stored is None or stored.values["Signed off at"] == record.values.get("Signed off at"):
        return
    rule = "a veto in the database is signed off in person, not by a workbook"
    draft.blame(record, "Signed off at", rule, "leave the cell as it was and sign the veto off")


def _quarantine(draft: Draft, record: Record) -> None:
    """Blank is not clear: the batch is blocked, and the report says so."""
    unknown = record.values.get("Quarantine") == "unknown"
    if unknown and not record.bad and record.values.get("Closed on") is None:
        draft.notes.append(
            f"{record.source}, row {record.row}: batch {record.values.get('Code')!r} has quarantine"
            " 'unknown' (blank is unknown): it is blocked until somebody writes 'clear'."
        )


def _own_seed(draft: Draft, record: Record) -> None:
    lot, crop = record.values.get("Seed lot"), record.values.get("Crop")
    row = draft.row("Seed lots", (lot,)) if lot and "Crop" not in record.blamed else None
    if row is not None and crop is not None and row.get("Crop") not in (None, crop):
        rule = f"seed lot is of crop {row['Crop']!r}, not {crop!r}"
        draft.blame(record, "Seed lot", rule, "choose a lot of the same crop")


def _same_crop(draft: Draft, record: Record) -> None:
    """The lineage of a batch is one crop's, for ever; its mother plants are of that crop."""
    crop = record.values.get("Crop")
    if "Crop" in record.blamed:
        return  # its name is a fault already: one mistake, one line
    if record.sheet.name == "Batches" and record.stored is not None:
        was = record.stored.values["Crop"]
        if crop is not None and crop != was:
            rule = f"a batch keeps its crop: the database has {was!r}"
            draft.blame(record, "Crop", rule, "correct it, or give the batch another code")
    block = record.values.get("Mother block")
    if not block or crop is None:
        return
    row = draft.row("Mother blocks", (block,))
    if row is not None and row.get("Crop") not in (None, crop):
        rule = f"mother block is of crop {row['Crop']!r}, not {crop!r}"
        draft.blame(record, "Mother block", rule, "choose a block of the same crop")


def _skipped_stage(draft: Draft, record: Record) -> None:
    """A batch passes its stages one by one."""
    if record.stored is None:
        return
    was, now = record.stored.values["Stage"], record.values.get("Stage")
    if not isinstance(was, int) or not isinstance(now, int) or draft.short:
        return
    if record.stored.values["Protocol"] == record.values.get("Protocol") and now > was + 1:
        since, entered = record.stored.values["Stage entered on"], record.values["Stage entered on"]
        rule = f"stage {was + 1} is skipped: in stage {was} since {since}, in {now} from {entered}"
        draft.blame(record, "Stage", rule, "load the stages one by one, or correct it")


def _cells(draft: Draft, record: Record) -> None:
    """Do the counted plugs fit the trays, and can the trays be trays?"""
    trays, plugs = record.values.get("Trays"), record.values.get("Counted plugs")
    name = record.values.get("Tray format")
    row = draft.row("Tray formats", (name,)) if name else None
    cells = row.get("Cells") if row else None
    if not isinstance(trays, int) or not isinstance(plugs, int) or not isinstance(cells, int):
        return
    asked = ("Trays", "Tray format", "Counted plugs")
    if record.stored is not None and all(
        record.stored.values[heading] == record.values[heading] for heading in asked
    ):
        return
    lots = draft.lot_plugs(str(record.values.get("Code")))
    if plugs + lots > trays * cells:
        also = f" and {lots} in lots" if lots else ""
        rule = f"{plugs} plugs{also} are more than {trays} trays of {cells} cells hold"
        rule += f" ({trays * cells})"
        draft.blame(record, "Counted plugs", rule, "count again; the last good count stays")
    elif trays >= 20 and cells >= 10 and 0 < plugs + lots <= 2 * trays:
        rule = f"{trays} trays of {cells} cells hold {trays * cells} plugs, but {plugs + lots} were"
        rule += f" counted; read as plugs, {trays} would be {ceil(trays / cells)} trays"
        draft.blame(record, "Trays", rule, "say which: trays, not plugs, belong here")


def _future_start(draft: Draft, record: Record) -> None:
    started = record.values.get("Started on")
    if isinstance(started, date) and started > draft.now.astimezone(draft.zone).date():
        rule = "a batch that has not been started yet is a plan, not a batch"
        draft.blame(record, "Started on", rule, "correct the date, or leave the row out")


ROW_RULES: dict[str, tuple[Rule, ...]] = {
    "Site": (
        _country,
        _currency,
        _by("Time zone", time_zone),
        _by("Holiday region", Region.parse),
        _by("Working days", _mask),
    ),
    "Normals": (_order("Minimum", "Maximum", "maximum below minimum", "correct one of them"),),
    "Weather": (_order("Minimum", "Maximum", "maximum below minimum", "correct one of them"),),
    "Forecasts": (_order("Minimum", "Maximum", "maximum below minimum", "correct one of them"),),
    "Forecast sources": (_by("Address", _address), _by("Time zone", _zone_or_none)),
    "Days by hand": (
        _order("First day", "Last day", "last day before the first"),
        _order("Decided at", "Withdrawn at", "withdrawn before it was decided"),
        _decided_where,
    ),
    "Crops": (_crop_name,),
    "Mother blocks": (_reserve, _order("Use from", "Use until", "use ends before it begins")),
    "Protocols": (_by("Flush", parse_flush), _same_crop),
    "Stages": (
        _clock,
        _order("Base", "Upper limit", "upper limit not above the base", "correct one", True),
    ),
    "Areas": (
        _area_kind,
        _order(
            "Heated floor", "Vented ceiling", "ceiling not above the floor", "correct one", True
        ),
    ),
    "Benches": (_order("Out from", "Out until", "in use again before it is out of use"),),
    "Absences": (_order("First day", "Last day", "last day before the first"),),
    "Recurring work": (_by("Days", _mask),),
    "Seed lots": (_order("Tested on", "Sow by", "sow by is before the test"),),
    "Past stages": (
        _order("Entered on", "Left on", "left before it came"),
        _lived,
    ),
    "Batches": (
        _origin,
        _order("Started on", "Stage entered on", "stage entered before the batch was started"),
        _order("Started on", "Ready on", "ready before it was started"),
        _order("Started on", "Closed on", "closed before it was started"),
        _future_start,
        _counted,
        _same_crop,
        _own_seed,
        _skipped_stage,
        _cells,
        _quarantine,
    ),
    "Lots": (
        _order("Ready on", "Last sale on", "last sale before it is ready"),
        _last_sale,
        _counted,
        _new_lot,
    ),
    "Vetoes": (
        _both("Lot grade", "Lot ready on", "a lot is named by grade and ready day"),
        _both("Signed off by", "Signed off at", "a sign-off has a person and a time"),
        _order("Set at", "Signed off at", "signed off before it was set"),
        _sign_off,
    ),
    "Wraps": (),
    "Wrap trials": (
        _order("After", "Before", "the parcel cannot have gained water", "correct the weights"),
        _order("Night", "Mean", "the mean is below the night's minimum", "correct one of them"),
        _air,
    ),
    "Products": (
        _order(
            "Frost limit", "Heat limit", "heat limit not above frost limit", "correct one", True
        ),
    ),
    "Services": (_by("Collects", _mask), _by("Delivers", _mask)),
    "Zones": (_country, _by("Holiday region", Region.parse)),
    "Zone prefixes": (_country,),
    "Closures": (
        _order("First day", "Last day", "last day before the first"),
        _near_days,
        _closure_key,
    ),
    "Orders": (_country, _order("Not before", "Not after", "not after is before not before")),
}
"""Which rules does each row of a sheet keep, beyond those of its cells?"""
