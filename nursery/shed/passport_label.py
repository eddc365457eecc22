"""How are plant passports printed, in black and white, on a page of labels?

The elements and where they stand follow the models of Implementing Regulation (EU) 2017/2313,
Annex: flag upper left (it may be printed black and white, white stars on black), words upper
right, A to D below. Size, border and fonts there are examples only.
"""

from collections.abc import Sequence
from html import escape
from math import cos, pi, sin

from sqlmodel import Session, select

from nursery.batch import Batch
from nursery.order import Promise
from nursery.shed.claims import plants_of
from nursery.shed.passport import CAUTION, PassportForm, PlantPassport, passport

_STYLE = (
    "body{font:11pt sans-serif;color:#000;background:#fff}"
    ".label{border:1pt solid #000;width:85mm;min-height:38mm;padding:3mm;margin:0 4mm 4mm 0;"
    "display:inline-block;vertical-align:top;break-inside:avoid;box-sizing:border-box}"
    ".head{display:flex;justify-content:space-between;font-weight:bold}"
    ".pests{text-align:right}dl{margin:2mm 0 0}dt{float:left;font-weight:bold;width:7mm}"
    "dd{margin:0 0 0 7mm}@media print{.caution{display:none}}"
)


def passports_of_parcel(
    session: Session, promise: Promise, protected: Sequence[str] = ()
) -> list[PlantPassport]:
    """Which passports go into this parcel? One a batch that its plants were picked from, by code.

    Raises `Fault` as `passport.passport` does.
    """
    codes = sorted({lot.batch_code for lot in plants_of(session, promise)})
    batches = [session.exec(select(Batch).where(Batch.code == code)).one() for code in codes]
    return [passport(session, batch, protected) for batch in batches]


def label_page(passports: Sequence[PlantPassport]) -> str:
    """Which page (HTML, nothing loaded from elsewhere) prints these labels?"""
    labels = "".join(_label(each) for each in passports)
    return (
        '<!doctype html><html lang="en"><head><meta charset="utf-8"><title>Plant passports</title>'
        f"<style>{_STYLE}</style></head><body>{labels}"
        f'<p class="caution">{escape(CAUTION)}</p></body></html>'
    )


def _label(each: PlantPassport) -> str:
    flag = _flag() if each.form is PassportForm.EU else "<span></span>"
    pests = ", ".join(each.protected)
    rows = "".join(f"<dt>{letter}</dt><dd>{escape(text)}</dd>" for letter, text in each.entries())
    return (
        f'<section class="label"><div class="head">{flag}<span>{escape(each.title)}</span></div>'
        + (f'<div class="pests">{escape(pests)}</div>' if pests else "")
        + f"<dl>{rows}</dl></section>"
    )


def _flag() -> str:
    """The Union's flag, 3 to 2, twelve white stars in a circle on black."""
    stars = "".join(
        f'<path d="{_star(27 + 12 * sin(i * pi / 6), 18 - 12 * cos(i * pi / 6), 2.0)}"/>'
        for i in range(12)
    )
    return (
        '<svg width="15mm" height="10mm" viewBox="0 0 54 36" role="img" '
        'aria-label="Flag of the Union">'
        f'<rect width="54" height="36"/><g fill="#fff">{stars}</g></svg>'
    )


def _star(x: float, y: float, radius: float) -> str:
    points = []
    for i in range(10):
        r = radius if i % 2 == 0 else radius * 0.382
        points.append(f"{x + r * sin(i * pi / 5):.2f},{y - r * cos(i * pi / 5):.2f}")
    return f"M{' L'.join(points)}Z"
