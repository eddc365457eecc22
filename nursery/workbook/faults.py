"""What is wrong with a workbook, line by line, and what became of it."""

from dataclasses import dataclass, field


@dataclass(frozen=True)
class RowFault:
    """Which cell breaks which rule, and what should be done?

    `row` is the row's number in the sheet (None: the sheet or file as a whole); `column` is
    a heading, or "" where the row as a whole is meant; `value` is what the file holds.
    """

    sheet: str
    row: int | None
    column: str
    value: str
    rule: str
    next: str

    def line(self) -> str:
        """What does one line of the report say?"""
        place = [self.sheet or "Workbook"]
        place += [f"row {self.row}"] if self.row is not None else []
        place += [self.column] if self.column else []
        value = f" (found {self.value!r})" if self.value else ""
        return " ".join(f"{', '.join(place)}: {self.rule}{value}; {self.next}".split())


@dataclass(frozen=True)
class SheetCount:
    """How many rows of a sheet were new, changed or unchanged?"""

    sheet: str
    new: int = 0
    changed: int = 0
    unchanged: int = 0


@dataclass(frozen=True)
class Report:
    """What became of a workbook? `taken` says whether anything of it is in the database now.

    With faults nothing is taken, unless the good rows alone were asked for: then `faults`
    lists the rows that were left out, those that depend on them included.
    """

    taken: bool
    faults: tuple[RowFault, ...] = ()
    notes: tuple[str, ...] = ()
    counts: tuple[SheetCount, ...] = field(default=())

    @property
    def new(self) -> int:
        """How many rows are new?"""
        return sum(count.new for count in self.counts)

    @property
    def changed(self) -> int:
        """How many rows have changed?"""
        return sum(count.changed for count in self.counts)

    @property
    def unchanged(self) -> int:
        """How many rows were in the database already, the same?"""
        return sum(count.unchanged for count in self.counts)

    def lines(self) -> list[str]:
        """What is printed: one line a fault, then the notes, then what became of the file."""
        return [fault.line() for fault in self.faults] + list(self.notes) + [self.summary()]

    def summary(self) -> str:
        """What became of the file, in one sentence?"""
        if not self.taken:
            many = len(self.faults)
            return f"Nothing was loaded: {many} {'fault' if many == 1 else 'faults'}."
        if not (self.new or self.changed or self.faults):
            return f"Nothing to change: all {self.unchanged} rows were in the database already."
        left = f", {len(self.faults)} faults left out" if self.faults else ""
        return (
            f"Loaded: {self.new} new rows, {self.changed} changed,"
            f" {self.unchanged} unchanged{left}."
        )
