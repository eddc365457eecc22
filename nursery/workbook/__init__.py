"""The workbook in and out: a nursery typed into sheets, checked whole, loaded whole."""

from nursery.workbook.exporting import export
from nursery.workbook.faults import Report, RowFault, SheetCount
from nursery.workbook.loading import load
from nursery.workbook.sheet import Sheet
from nursery.workbook.specification import SHEETS
from nursery.workbook.writing import write_template, write_workbook

__all__ = [
    "SHEETS",
    "Report",
    "RowFault",
    "Sheet",
    "SheetCount",
    "export",
    "load",
    "write_template",
    "write_workbook",
]
