"""A workbook on its way in: its rows as typed values, matched with the database, faults found."""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from datetime import datetime
from zoneinfo import ZoneInfo

from nursery.workbook.cells import CellFault, candidates, read_cell, shown
from nursery.workbook.faults import RowFault
from nursery.workbook.picture import Picture, Stored, canonical
from nursery.workbook.reading import Book, RawSheet
from nursery.workbook.sheet import Key, Reference, Sheet, Values
from nursery.workbook.specification import BY_NAME, SHEETS


@dataclass(eq=False)
class Record:
    """A row of the file. `given` are the headings it has a say in; `values` is the whole row.

    `source` is the sheet that the person typed it into (the short form makes several rows
    of one). `bad` rows are not taken; `because` says why where the row itself has no fault.
    """

    sheet: Sheet
    row: int
    values: Values
    given: frozenset[str]
    source: str
    mark: str = ""
    unread: set[str] = field(default_factory=set)
    blamed: set[str] = field(default_factory=set)
    """Headings that have a fault already: rules leave them alone, one mistake is one line."""
    bad: bool = False
    because: str = ""
    stored: Stored | None = None
    targets: list["Record"] = field(default_factory=list)

    @property
    def key(self) -> Key | None:
        """The natural key; None where one of its cells could not be read."""
        if self.unread & set(self.sheet.key):
            return None
        return self.sheet.key_of(self.values)

    def changes(self) -> list[str]:
        """Under which headings does the row differ from the database (counts aside)?"""
        if self.stored is None:
            return []
        return [
            heading
            for heading in self.sheet.headings
            if heading not in self.sheet.counted
            and canonical(self.sheet, heading, self.values.get(heading))
            != canonical(self.sheet, heading, self.stored.values.get(heading))
        ]


class Draft:
    """Which rows does the file bring, and what is wrong with them?"""

    def __init__(self, book: Book, picture: Picture, zone: ZoneInfo, now: datetime) -> None:
        self.picture = picture
        self.zone = zone
        self.now = now
        self.short = book.short
        self.faults: list[RowFault] = list(book.faults)
        self.notes: list[str] = list(book.notes)
        self.unsound = {name for name, raw in book.sheets.items() if not raw.sound}
        self.records: dict[str, list[Record]] = {}
        self.by_label: dict[str, dict[Key, Record]] = {}
        self.blocked: set[str] = set()
        self._lot_plugs: dict[str, int] | None = None

    def blame(
        self, record: Record, column: str, rule: str, next: str, value: object = None
    ) -> None:
        """Note a fault of this row (at this heading), and do not take the row."""
        if value is None and column:
            value = record.values.get(column)
        record.bad = True
        record.blamed.add(column)
        self.faults.append(RowFault(record.source, record.row, column, shown(value), rule, next))

    def parse(self, raw: RawSheet) -> list[Record]:
        """Which typed rows does a sheet hold? Cells that cannot be read become faults."""
        found = []
        for row in raw.rows:
            given = frozenset(raw.headings)
            record = Record(raw.sheet, row.number, {}, given, raw.sheet.name, row.mark)
            known = not raw.sound or row.number in raw.spoilt
            if known:
                record.bad, record.because = True, "its sheet or cells cannot be read as they stand"
            for heading in raw.headings:
                column, cell = raw.sheet.by_heading[heading], row.cells.get(heading)
                try:
                    record.values[heading] = read_cell(column, cell, self.zone)
                except CellFault as fault:
                    record.unread.add(heading)
                    if not known:  # else the fault of the sheet or row has been reported
                        self.blame(record, heading, fault.rule, fault.next, cell)
            if not raw.sound:
                record.unread |= set(raw.sheet.headings) - set(raw.headings)
            found.append(record)
        return found

    def add(self, records: Iterable[Record]) -> None:
        """Take these rows into the draft, each matched with the database and made whole."""
        for record in records:
            self._match(record)
            if not self._repeated(record):
                self.records.setdefault(record.sheet.name, []).append(record)

    def _match(self, record: Record) -> None:
        key = record.key
        record.stored = None if key is None else self.picture.rows(record.sheet).get(key)
        for column in record.sheet.columns:
            heading = column.heading
            if heading in record.values and (heading in record.given or record.stored is None):
                continue
            if record.stored is not None and heading not in record.unread:
                record.values[heading] = record.stored.values[heading]
            elif heading not in record.unread:
                record.values[heading] = column.default

    def _repeated(self, record: Record) -> bool:
        """Was the same row there before? The same twice is one; two that differ are a fault."""
        if record.key is None:
            return False
        known = self.by_label.setdefault(record.sheet.name, {})
        first = known.setdefault(record.sheet.label_of(record.values), record)
        if first is record:
            return False
        differ = [
            heading
            for heading in record.sheet.headings
            if canonical(record.sheet, heading, first.values.get(heading))
            != canonical(record.sheet, heading, record.values.get(heading))
        ]
        if not differ and not record.bad:
            self.notes.append(
                f"{record.source}, row {record.row}: the same as row {first.row}; read once."
            )
            return True
        if not (first.bad and record.bad):
            self._blame_repeated(first, record, differ)
        first.bad = record.bad = True
        first.because = first.because or f"row {record.row} has the same key"
        return False

    def _blame_repeated(self, first: Record, record: Record, differ: list[str]) -> None:
        key = record.sheet.key
        heading = differ[0] if differ else (key[-1] if key else "")
        here, there = record.values.get(heading), first.values.get(heading)
        if record.sheet.name == "Batches" and "Bench" in differ:
            heading, here, there = "Bench", record.values.get("Bench"), first.values.get("Bench")
            rule = f"batch {record.values['Code']!r} stands in two places: {there!r} in row"
            rule += f" {first.row}, {here!r} here; until that is clear it is blocked"
            next = "look where it stands and keep one row"
            self.blocked.add(str(record.values["Code"]))
        else:
            named = ", ".join(map(repr, filter(None, map(shown, record.key or ()))))
            rule = f"{named or 'the row'} is in row {first.row} already, with another"
            rule += f" {heading} ({shown(there)!r})"
            next = "keep one of the two rows"
        self.blame(record, heading, rule, next, here)

    def link(self) -> None:
        """Which rows do the rows name? Unknown names become faults with the nearest known."""
        for records in self.records.values():
            for record in records:
                failed: set[str] = set(record.unread)
                for reference in record.sheet.references:
                    if not failed & set(reference.columns):
                        failed |= self._link(record, reference)

    def _link(self, record: Record, reference: Reference) -> set[str]:
        label = record.sheet.target(reference, record.values)
        if label is None:
            return set()
        target = self.by_label.get(reference.sheet, {}).get(label)
        if target is not None:
            record.targets.append(target)
        if target is not None or self.stored_id(reference.sheet, label) is not None:
            return set()
        column = reference.columns[-1]
        if reference.sheet in self.unsound:
            record.bad = True
            record.because = f"sheet {reference.sheet} cannot be read as it stands"
            return {column}
        known = [
            shown(other[-1]) for other in self.labels(reference.sheet) if other[:-1] == label[:-1]
        ]
        near = candidates(shown(label[-1]), sorted(known)) or self._few(reference.sheet, known)
        of = f" of {', '.join(map(shown, label[:-1]))}" if label[:-1] else ""
        self.blame(record, column, f"is not in sheet {reference.sheet}{of}", near)
        return {column}

    def _few(self, sheet: str, known: list[str]) -> str:
        if 0 < len(known) <= 6:
            return f"known are {', '.join(sorted(known))}"
        return f"add it to sheet {sheet}, or correct it"

    def labels(self, sheet: str) -> Iterator[Key]:
        """By which labels are rows of this sheet known, in the file or in the database?"""
        yield from self.by_label.get(sheet, {})
        yield from set(self.picture.labels(BY_NAME[sheet]).values()) - set(
            self.by_label.get(sheet, {})
        )

    def stored_id(self, sheet: str, label: Key) -> int | None:
        """Under which id does the database keep the row with this label?"""
        return self.picture.ids(BY_NAME[sheet]).get(label)

    def row(self, sheet: str, label: Key) -> Values | None:
        """What does the row with this label hold, in the file or else in the database?"""
        record = self.by_label.get(sheet, {}).get(label)
        if record is not None:
            return record.values
        stored = self.picture.rows(BY_NAME[sheet]).get(label)
        return None if stored is None else stored.values

    def lot_plugs(self, batch: str) -> int:
        """How many plugs of a batch are in lots, by the file or else by the database?"""
        if self._lot_plugs is None:
            self._lot_plugs = {}
            for values, _ in self.whole("Lots").values():
                code, plugs = str(values.get("Batch")), values.get("Counted plugs")
                if isinstance(plugs, int):
                    self._lot_plugs[code] = self._lot_plugs.get(code, 0) + plugs
        return self._lot_plugs.get(batch, 0)

    def whole(self, sheet: str) -> dict[Key, tuple[Values, Record | None]]:
        """How would this sheet stand in the database after loading? By natural key."""
        rows: dict[Key, tuple[Values, Record | None]] = {
            key: (stored.values, None) for key, stored in self.picture.rows(BY_NAME[sheet]).items()
        }
        for record in self.records.get(sheet, ()):
            if record.key is not None:
                rows[record.key] = (record.values, record)
        return rows

    def of(self, sheet: str) -> list[Record]:
        """Which rows does the file bring to this sheet?"""
        return self.records.get(sheet, [])

    def all(self) -> Iterator[Record]:
        """Which rows does the file bring, in the order in which rows refer back?"""
        for sheet in SHEETS:
            yield from self.records.get(sheet.name, ())
