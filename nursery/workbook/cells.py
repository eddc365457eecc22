"""What does a cell hold? Typed values from whatever a person, a spreadsheet or a CSV put there."""

import difflib
import math
import re
from datetime import UTC, date, datetime, time
from zoneinfo import ZoneInfo

from nursery.errors import Fault
from nursery.weeks import Week
from nursery.workbook.sheet import Column, Type, Value

ERRORS = ("#NULL!", "#DIV/0!", "#VALUE!", "#REF!", "#NAME?", "#NUM!", "#N/A")
_YEARS = (1850, 2150)
_CONTROL = re.compile(r"[\x00-\x08\x0b\x0c\x0e-\x1f\x7f\ufffe\uffff\ud800-\udfff]")
_QUOTES = str.maketrans({"‘": "'", "’": "'", "‚": "'", "´": "'", "`": "'", "“": '"', "”": '"'})
_DAY_FIRST = re.compile(r"(\d{1,2})([./-])(\d{1,2})\2(\d{4})")


class Uncalculated:
    """A formula that nobody has calculated yet."""

    def __str__(self) -> str:
        return "formula without a value"


class CellFault(Exception):
    """Which rule does the cell break, and what should be done?"""

    def __init__(self, rule: str, next: str) -> None:
        super().__init__(rule)
        self.rule = rule
        self.next = next


def is_blank(raw: object) -> bool:
    """Is there nothing in this cell (spaces are nothing)?"""
    return raw is None or (isinstance(raw, str) and not tidy(raw))


def tidy(text: str) -> str:
    """The text without stray spaces, with straight quotation marks."""
    return " ".join(text.translate(_QUOTES).split())


def shown(raw: object) -> str:
    """How is a cell's content shown in a fault?"""
    if raw is None:
        return ""
    if isinstance(raw, datetime) and raw.time() == time(0) and raw.tzinfo is None:
        return raw.date().isoformat()
    if isinstance(raw, float) and raw.is_integer() and abs(raw) < 1e15:
        return str(int(raw))
    return str(raw)[:80]


def candidates(word: str, known: list[str]) -> str:
    """What to do about an unknown name: the nearest ones that exist, never a guess taken."""
    close = difflib.get_close_matches(word, known, 3, 0.6)
    folded = {name.casefold(): name for name in known}
    if not close:
        close = [
            folded[name]
            for name in difflib.get_close_matches(word.casefold(), list(folded), 3, 0.6)
        ]
    return f"did you mean {' or '.join(repr(name) for name in close)}?" if close else ""


def read_cell(column: Column, raw: object, zone: ZoneInfo) -> Value:
    """Which value does this cell hold under this column? Blank gives the column's default.

    `zone` is the nursery's: moments without an offset are its local time. Raises `CellFault`.
    """
    if isinstance(raw, Uncalculated):
        raise CellFault("the formula has no value", "open the file in a spreadsheet, save it again")
    if isinstance(raw, str) and raw.strip() in ERRORS:
        raise CellFault("the formula gives an error", "mend the formula or type the value")
    if is_blank(raw):
        if column.needed:
            raise CellFault(f"must not be blank: {column.rule}", "fill it in")
        return column.default
    value = _READERS[column.type](column, raw, zone)
    if isinstance(value, str) and column.longest is not None and len(value) > column.longest:
        raise CellFault(f"must have at most {column.longest} characters", "shorten it")
    if isinstance(value, int | float) and not isinstance(value, bool):
        _check_bounds(column, value)
    return value


def _check_bounds(column: Column, value: float) -> None:
    low, high, above, below = column.low, column.high, column.above, column.below
    if (
        (low is None or value >= low)
        and (high is None or value <= high)
        and (above is None or value > above)
        and (below is None or value < below)
    ):
        return
    next = "correct it"
    if column.type is Type.SHARE and 1 <= value <= 100:
        next = f"is {value:g} per cent meant? then write {value / 100:g} or {value:g} %"
    elif column.celsius and 32 <= value <= 130:
        next = f"is it in °F? {value:g} °F is {(value - 32) / 1.8:.1f} °C; give °C"
    raise CellFault(f"must be {column.rule.split(', ')[0]}", next)


def _text(column: Column, raw: object, zone: ZoneInfo) -> Value:
    if isinstance(raw, bool):
        raise CellFault("must be text, not a yes or no", "format the column as text, type it again")
    if isinstance(raw, int):
        return str(raw)
    if isinstance(raw, float):
        return str(int(raw)) if raw.is_integer() else repr(raw)
    if isinstance(raw, date | time):
        raise CellFault("the spreadsheet made a date or time of it", "format as text, type again")
    text = str(raw)
    if _CONTROL.search(text):
        raise CellFault("holds a character that cannot be printed", "type it again")
    return tidy(text)


def _number(column: Column, raw: object, zone: ZoneInfo) -> float:
    if isinstance(raw, bool | date | time):
        raise CellFault("must be a number", "format the cell as a number and type it again")
    try:
        value = float(raw) if isinstance(raw, int | float) else _parse_number(str(raw), column)
    except OverflowError:
        value = math.inf
    if not math.isfinite(value):
        raise CellFault("must be a number", "correct it")
    return value


def _parse_number(text: str, column: Column) -> float:
    plain = re.sub(r"[\s'’_]", "", text).replace("−", "-")
    percent = plain.endswith("%") and column.type is Type.SHARE
    plain = plain[:-1] if percent else plain
    if re.fullmatch(r"[+-]?[1-9]\d{0,2},\d{3}", plain):
        thousand, point = plain.replace(",", ""), plain.replace(",", ".")
        raise CellFault("the comma may be read two ways", f"write {thousand} or {point}")
    if re.fullmatch(r"[+-]?[1-9]\d{0,2}(\.\d{3})+,\d+", plain):
        plain = plain.replace(".", "")
    elif re.fullmatch(r"[+-]?[1-9]\d{0,2}(,\d{3})+(\.\d+)?", plain):
        plain = plain.replace(",", "")
    plain = plain.replace(",", ".")
    if not re.fullmatch(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d{1,3})?", plain):
        raise CellFault(f"must be {column.rule.split(', ')[0]}", "type the bare number")
    return float(plain) / 100 if percent else float(plain)


def _whole(column: Column, raw: object, zone: ZoneInfo) -> Value:
    value = _number(column, raw, zone)
    if not value.is_integer():
        cents = column.unit.startswith("cents")
        hint = f"in whole cents: {value:g} may be {value * 100:.0f} cents" if cents else "round it"
        raise CellFault("must be a whole number", hint)
    return int(value)


def _day(column: Column, raw: object, zone: ZoneInfo) -> Value:
    if isinstance(raw, datetime):
        if raw.time() != time(0):
            raise CellFault("must be a date without a time of day", "give the date alone")
        return _plausible(raw.date())
    if isinstance(raw, date):
        return _plausible(raw)
    if isinstance(raw, int | float) and not isinstance(raw, bool):
        raise CellFault("must be a date", "format the cell as a date, or write 2027-03-01")
    return _plausible(_parse_day(tidy(str(raw))))


def _parse_day(text: str) -> date:
    text = text.removesuffix(" 00:00:00")
    found = _DAY_FIRST.fullmatch(text)
    try:
        if not found:
            if not re.fullmatch(r"\d{4}-\d{2}-\d{2}", text):
                raise ValueError
            return date.fromisoformat(text)
        first, mark, second, year = int(found[1]), found[2], int(found[3]), int(found[4])
        if mark == "." or first > 12 or first == second:
            return date(year, second, first)
        if second > 12:
            return date(year, first, second)
        iso = f"{year}-{second:02d}-{first:02d} or {year}-{first:02d}-{second:02d}"
    except ValueError:
        raise CellFault("must be a date that exists", "write it as 2027-03-01") from None
    raise CellFault("day and month may be read two ways", f"write {iso}")


def _plausible(day: date) -> date:
    if not _YEARS[0] <= day.year <= _YEARS[1]:
        raise CellFault(f"year must be from {_YEARS[0]} to {_YEARS[1]}", "correct the year")
    return day


def _moment(column: Column, raw: object, zone: ZoneInfo) -> Value:
    if isinstance(raw, datetime):
        at = raw
    elif isinstance(raw, date):
        at = datetime.combine(raw, time(0))
    elif isinstance(raw, str):
        at = _parse_moment(tidy(raw))
    else:
        raise CellFault(f"must be {column.rule.split(',')[0]}", "write 2027-03-01 08:15")
    _plausible(at.date())
    return (at if at.tzinfo is not None else at.replace(tzinfo=zone)).astimezone(UTC)


def _parse_moment(text: str) -> datetime:
    try:
        return datetime.fromisoformat(text)
    except ValueError:
        day, _, clock = text.partition(" ")
        try:
            return datetime.combine(_parse_day(day), _parse_time(clock) if clock else time(0))
        except CellFault as fault:
            raise CellFault(fault.rule, "write it as 2027-03-01 08:15") from None


def _time(column: Column, raw: object, zone: ZoneInfo) -> Value:
    if isinstance(raw, datetime):
        raise CellFault("must be a time of day", "write it as 15:30")
    if isinstance(raw, time):
        return raw.replace(microsecond=0)
    return _parse_time(tidy(str(raw)))


def _parse_time(text: str) -> time:
    found = re.fullmatch(r"(\d{1,2})[:.](\d{2})(?::(\d{2}))?", text)
    try:
        if not found:
            raise ValueError
        return time(int(found[1]), int(found[2]), int(found[3] or 0))
    except ValueError:
        raise CellFault("must be a time of day", "write it as 15:30") from None


def _week(column: Column, raw: object, zone: ZoneInfo) -> Value:
    try:
        if not isinstance(raw, date):
            return str(Week.parse(tidy(str(raw))))
        next = f"write {Week.of(raw)} if that is meant"
    except Fault as fault:
        raise CellFault(fault.rule, fault.next) from None
    raise CellFault("must be an ISO week, not a date", next)


def _yes_no(column: Column, raw: object, zone: ZoneInfo) -> Value:
    word = tidy(str(raw)).casefold()
    if word in ("yes", "y", "true", "1", "1.0"):
        return True
    if word in ("no", "n", "false", "0", "0.0"):
        return False
    raise CellFault("must be yes or no", "write yes or no")


def _word(column: Column, raw: object, zone: ZoneInfo) -> Value:
    word = tidy(str(raw))
    for allowed in column.words:
        if allowed.casefold() == word.casefold():
            return allowed
    near = candidates(word, list(column.words))
    raise CellFault(f"must be one of: {', '.join(column.words)}", near or "choose one of them")


_READERS = {
    Type.TEXT: _text,
    Type.WHOLE: _whole,
    Type.NUMBER: _number,
    Type.SHARE: _number,
    Type.DAY: _day,
    Type.TIME: _time,
    Type.MOMENT: _moment,
    Type.WEEK: _week,
    Type.YES_NO: _yes_no,
    Type.WORD: _word,
}
