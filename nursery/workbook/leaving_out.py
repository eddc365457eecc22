"""Which rows cannot be taken because others are not, or because the database moved on?"""

from collections import defaultdict

from nursery.workbook.cells import shown
from nursery.workbook.draft import Draft, Record
from nursery.workbook.faults import RowFault
from nursery.workbook.picture import MARK, digest
from nursery.workbook.sheet import Key

_TOGETHER = {
    "Normals": ("Station",),
    "Stages": ("Crop", "Protocol"),
    "Transit": ("Service", "Zone"),
    "Postage": ("Service", "Zone"),
    "Order lines": ("Order",),
}
"""Sheets whose rows mean something together: all rows of one protocol, order ... or none."""

_PARENTS = {"Stages": "Protocols", "Order lines": "Orders"}
"""Rows that are not worth having without these: a protocol without stages, an empty order."""


def refuse_stale(draft: Draft) -> None:
    """A row that changed in the database since its export is refused, both values shown."""
    for record in draft.all():
        if not record.mark:
            continue
        if record.stored is None:
            _say_renamed(draft, record)
            continue
        changes = record.changes()
        if changes and record.mark[:MARK] != digest(record.sheet, record.stored.values)[:MARK]:
            both = "; ".join(
                f"{heading}: file {shown(record.values.get(heading))!r},"
                f" database {shown(record.stored.values.get(heading))!r}"
                for heading in changes
            )
            rule = f"changed in the database since the export ({both})"
            draft.blame(record, changes[0], rule, "export again, then change it there")


def _say_renamed(draft: Draft, record: Record) -> None:
    """A row whose key was typed over is a new row: the old one stays, and that is said."""
    old = draft.picture.marks(record.sheet).get(record.mark[:MARK])
    if old is not None and old not in {other.key for other in draft.of(record.sheet.name)}:
        name = ", ".join(map(shown, old))
        draft.notes.append(
            f"{record.source}, row {record.row}: was exported as {name!r}; it is loaded as a new"
            " row, the old one stays."
        )


def leave_out_dependants(draft: Draft) -> None:
    """Rows that name a row which is left out, or belong with one, are left out as well."""
    while any([_by_name(draft), _together(draft), _parents(draft)]):
        pass


def _drop(record: Record, because: str) -> bool:
    if record.bad:
        return False
    record.bad, record.because = True, because
    return True


def _by_name(draft: Draft) -> bool:
    dropped = False
    for record in draft.all():
        for target in record.targets:
            if target.bad and target.stored is None:
                where = f"row {target.row} of {target.source}"
                dropped |= _drop(record, f"it needs {where}, which is left out")
    return dropped


def _together(draft: Draft) -> bool:
    dropped = False
    for sheet, headings in _TOGETHER.items():
        groups: dict[Key, list[Record]] = defaultdict(list)
        for record in draft.of(sheet):
            groups[tuple(record.values.get(heading) for heading in headings)].append(record)
        for members in groups.values():
            bad = next((record for record in members if record.bad), None)
            for record in members if bad else ():
                dropped |= _drop(record, f"it belongs with row {bad.row if bad else 0}, left out")
    return dropped


def _parents(draft: Draft) -> bool:
    dropped = False
    for sheet, parent in _PARENTS.items():
        for record in draft.of(sheet):
            for target in record.targets if record.bad else ():
                if target.sheet.name == parent and target.stored is None:
                    where = f"row {record.row} of {record.source}"
                    dropped |= _drop(target, f"it cannot be used without {where}, left out")
    return dropped


def left_out(draft: Draft) -> list[RowFault]:
    """Which rows are left out without a fault of their own, and why?"""
    said = {(fault.sheet, fault.row) for fault in draft.faults}
    lines = []
    for record in draft.all():
        if record.bad and (record.source, record.row) not in said:
            said.add((record.source, record.row))
            rule = f"left out: {record.because or 'it cannot be read'}"
            next = "mend that and load again"
            lines.append(RowFault(record.source, record.row, "", "", rule, next))
    return lines
