"""Rules that rows keep or break together: stages in order, shares that sum, benches that fit."""

from collections import defaultdict
from collections.abc import Callable, Iterable
from datetime import date, datetime, timedelta
from itertools import pairwise
from math import ceil

from sqlmodel import col, select

from nursery.crop import StageKind
from nursery.order import CustomerOrder, Promise, State
from nursery.promising.basket import plain
from nursery.workbook.cells import shown
from nursery.workbook.draft import Draft, Record
from nursery.workbook.faults import RowFault
from nursery.workbook.sheet import Key, Values
from nursery.workbook.weather_rules import usual_for_the_month

_FAHRENHEIT_MIN, _FAHRENHEIT_MAX = 35.0, 50.0
"""°C: a night or a day hotter than these is taken for °F."""

_HOTTEST_F = 135.0
"""No day on earth was hotter in °F: what is above is neither."""

_STAGE_ORDER = [kind.value for kind in StageKind]

Members = list[tuple[Values, Record | None]]


def _groups(draft: Draft, sheet: str, headings: tuple[str, ...]) -> dict[Key, Members]:
    """Which rows belong together, as they would stand in the database after loading?"""
    groups: dict[Key, Members] = defaultdict(list)
    for values, record in draft.whole(sheet).values():
        groups[tuple(values.get(heading) for heading in headings)].append((values, record))
    return {
        key: members
        for key, members in groups.items()
        if any(record is not None for _, record in members)
    }


def _clear(draft: Draft, sheet: str) -> bool:
    """Can rows of this sheet be judged together, every key having been read?"""
    return sheet not in draft.unsound and all(r.key is not None for r in draft.of(sheet))


def _of_file(members: Members) -> list[Record]:
    return [record for _, record in members if record is not None]


def stages_in_order(draft: Draft) -> None:
    """Positions run 1, 2, 3 without a gap, and no stage comes before one that it follows."""
    if not _clear(draft, "Stages"):
        return
    for _, members in _groups(draft, "Stages", ("Crop", "Protocol")).items():
        members.sort(key=lambda member: _int(member[0].get("Position")))
        for place, (values, record) in enumerate(members, start=1):
            position = values.get("Position")
            if position != place:
                to_blame = record or _of_file(members)[0]
                rule = f"stage {place} is skipped before it: positions must run 1, 2, 3"
                draft.blame(to_blame, "Position", rule, f"add stage {place} or renumber", position)
                break
        _kinds_in_order(draft, members)


def _int(value: object) -> int:
    return value if isinstance(value, int) else 0


def _kinds_in_order(draft: Draft, members: Members) -> None:
    known = [(v["Kind"], r) for v, r in members if v.get("Kind") in _STAGE_ORDER]
    for (before, _), (kind, record) in pairwise(known):
        if _STAGE_ORDER.index(str(kind)) < _STAGE_ORDER.index(str(before)):
            rule = f"'{kind}' cannot come after '{before}'"
            next = f"order the stages: {', '.join(_STAGE_ORDER)}"
            draft.blame(record or _of_file(members)[0], "Kind", rule, next, kind)


def protocols_have_stages(draft: Draft) -> None:
    """A protocol without a stage cannot be planned."""
    if not _clear(draft, "Stages"):
        return
    there = {(v.get("Crop"), v.get("Protocol")) for v, _ in draft.whole("Stages").values()}
    for record in draft.of("Protocols"):
        key = record.key
        if key is not None and key not in there and not record.bad:
            rule = "the protocol has no stages"
            draft.blame(record, "Protocol", rule, "add its stages to sheet Stages")


def transit_sums(draft: Draft) -> None:
    """All parcels arrive some day: the shares of a service and zone sum to 100 per cent."""
    if not _clear(draft, "Transit"):
        return
    for (service, zone), members in _groups(draft, "Transit", ("Service", "Zone")).items():
        shares = [values.get("Share") for values, _ in members]
        if any(not isinstance(share, int | float) for share in shares):
            continue
        total = sum(share for share in shares if isinstance(share, int | float))
        if abs(total - 100) > 0.5:
            rule = f"shares of service {service!r} and zone {zone!r} sum to {total:g}, not 100 %"
            draft.blame(_of_file(members)[0], "Share", rule, "correct the shares")


def bench_capacity(draft: Draft) -> None:
    """The trays on a bench fit its places (batches that are closed stand nowhere)."""
    for (bench,), members in _groups(draft, "Batches", ("Bench",)).items():
        row = draft.row("Benches", (bench,)) if bench else None
        places = row.get("Places") if row else None
        standing = [m for m in members if m[0].get("Closed on") is None]
        standing.sort(key=lambda m: (m[1] is not None, m[1].row if m[1] else 0))
        if isinstance(places, int):
            _fill(draft, str(bench), places, standing)


def _fill(draft: Draft, bench: str, places: int, standing: Members) -> None:
    taken = 0
    for values, record in standing:
        trays = values.get("Trays")
        tray = draft.row("Tray formats", (values.get("Tray format"),)) or {}
        size = tray.get("Places")
        if not isinstance(trays, int) or not isinstance(size, int):
            continue
        taken += trays * size
        moved = record is not None and (
            record.stored is None or {"Trays", "Tray format", "Bench"} & set(record.changes())
        )
        if taken > places and record is not None and moved and not record.bad:
            rule = f"bench {bench!r} has {places} places, {taken} would be taken"
            cells = tray.get("Cells")
            if trays * size > places and isinstance(cells, int):
                rule += f"; read as plugs, {trays} would be {ceil(trays / cells)} trays"
            draft.blame(record, "Trays", rule, "correct trays or bench")
            taken -= trays * size


def lots_after_start(draft: Draft) -> None:
    """No lot is ready before its batch was started."""
    for record in draft.of("Lots"):
        batch, ready = record.values.get("Batch"), record.values.get("Ready on")
        row = draft.row("Batches", (batch,)) if batch else None
        started = row.get("Started on") if row else None
        if isinstance(ready, date) and isinstance(started, date) and ready < started:
            rule = f"ready before its batch was started on {started}"
            draft.blame(record, "Ready on", rule, "correct one of the dates")


def in_celsius(draft: Draft) -> None:
    """A series that is too hot to be °C is taken for °F: refused as a whole, nothing converted."""
    for sheet in ("Normals", "Weather", "Forecasts"):
        stations: dict[object, list[Record]] = defaultdict(list)
        for record in draft.of(sheet):
            stations[record.values.get("Station")].append(record)
        for station, records in stations.items():
            hot = [record for record in records if _hot(record)]
            if hot and not hot[0].bad:
                _blame_hot(draft, str(station), hot, len(records))
            if len(hot) > 1:
                for record in records:
                    record.because = record.because or "its station's series looks like °F"
                    record.bad = True


def _hot(record: Record) -> bool:
    low, high = record.values.get("Minimum"), record.values.get("Maximum")
    return (isinstance(low, float) and low > _FAHRENHEIT_MIN) or (
        isinstance(high, float) and high > _FAHRENHEIT_MAX
    )


def _blame_hot(draft: Draft, station: str, hot: list[Record], rows: int) -> None:
    first = hot[0]
    high = first.values.get("Maximum")
    number = high if isinstance(high, float) else 0.0
    many = f" in {len(hot)} of {rows} rows of station {station!r}" if len(hot) > 1 else ""
    if number > _HOTTEST_F:
        draft.blame(first, "Maximum", f"must be at most {_FAHRENHEIT_MAX:g} °C", "correct it")
        return
    next = f"give °C ({number:g} °F is {(number - 32) / 1.8:.1f} °C)"
    draft.blame(first, "Maximum", f"looks like °F{many}", next)


def whole_year(draft: Draft) -> None:
    """Normals that lack months are said: the climate is not known from them."""
    if not _clear(draft, "Normals"):
        return
    for (station,), members in _groups(draft, "Normals", ("Station",)).items():
        there = {values.get("Month") for values, _ in members}
        missing = [str(month) for month in range(1, 13) if month not in there]
        if missing:
            rule = f"station {station!r} lacks months {', '.join(missing)}"
            draft.blame(_of_file(members)[0], "Month", rule, "add a row for each month")


def forecasts_fresh(draft: Draft) -> None:
    """A forecast past its shelf life is loaded but not used: a person decides."""
    site = next((v for v, _ in draft.whole("Site").values()), {})
    hours = site.get("Forecast shelf life")
    newest: dict[object, tuple[datetime, int]] = {}
    for record in draft.of("Forecasts"):
        station, issued = record.values.get("Station"), record.values.get("Issued at")
        if isinstance(issued, datetime):
            newest[station] = max(newest.get(station, (issued, record.row)), (issued, record.row))
    for name, (last, row) in newest.items():
        if isinstance(hours, int) and last < draft.now - timedelta(hours=hours):
            draft.notes.append(
                f"Forecasts, row {row}: the newest forecast for {name!r} in the file is older"
                f" than {hours} hours (issued {last:%Y-%m-%d %H:%M} UTC): it is not used, a"
                " person decides."
            )


def orders_have_zones(draft: Draft) -> None:
    """An order goes where a zone is known; without one there is no quote."""
    prefixes = [
        (str(v.get("Country")), str(v.get("Prefix") or ""))
        for v, _ in draft.whole("Zone prefixes").values()
    ]
    for record in draft.of("Orders"):
        country, postcode = record.values.get("Country"), record.values.get("Postcode")
        if not isinstance(country, str) or not isinstance(postcode, str) or record.bad:
            continue
        if any(c == country and plain(postcode).startswith(plain(p)) for c, p in prefixes):
            continue
        served = sorted({c for c, _ in prefixes})
        rule = f"no zone has a prefix for {country} {postcode}: no quote can be given"
        next = f"correct it, or add it to Zone prefixes (served: {', '.join(served) or 'none'})"
        draft.blame(record, "Postcode", rule, next)


def orders_have_lines(draft: Draft) -> None:
    """An order without a line is loaded, and said."""
    there = {values.get("Order") for values, _ in draft.whole("Order lines").values()}
    for record in draft.of("Orders"):
        if record.values.get("Reference") not in there and not record.bad:
            draft.notes.append(f"Orders, row {record.row}: the order has no lines yet.")


def promised_orders_stay(draft: Draft) -> None:
    """What is promised is amended through its promise, never by loading a file."""
    if not draft.of("Orders") and not draft.of("Order lines"):
        return
    query = (
        select(col(CustomerOrder.reference), col(Promise.ship_on))
        .join(Promise, col(Promise.order_id) == col(CustomerOrder.id))
        .where(col(Promise.state).not_in((State.LAPSED, State.CANCELLED)))
    )
    promised: dict[str, date] = dict(list(draft.picture.session.exec(query).all()))
    for sheet, heading in (("Orders", "Reference"), ("Order lines", "Order")):
        for record in draft.of(sheet):
            ship_on = promised.get(str(record.values.get(heading)))
            changed = record.changes()
            if ship_on is None or (record.stored is not None and not changed):
                continue
            column = changed[0] if changed else heading
            rule = f"the order has a promise for {ship_on}"
            if changed and record.stored is not None:
                rule += f"; the database has {shown(record.stored.values[column])!r}"
            draft.blame(record, column, rule, "amend the promise instead")


def groups_have_crops(draft: Draft) -> None:
    """Crops of a group stand apart only if there are crops of it."""
    if "Crops" in draft.unsound:
        return
    there = sorted({str(v.get("Group") or "") for v, _ in draft.whole("Crops").values()} - {""})
    for record in draft.of("Stand apart"):
        group = record.values.get("Group")
        if not record.bad and group and group not in there:
            rule = "no crop is of this group"
            draft.blame(record, "Group", rule, f"name one of: {', '.join(there) or 'none'}", group)


def substitutes_are_others(draft: Draft) -> None:
    """A product does not stand in for itself."""
    for record in draft.of("Substitutes"):
        product = record.values.get("Product")
        if not record.bad and product == record.values.get("Substitute"):
            rule = "a product cannot stand in for itself"
            draft.blame(record, "Substitute", rule, "name another product", product)


def site_is_known(draft: Draft) -> None:
    """A database holds one nursery: the first file must say which."""
    if not draft.whole("Site") and "Site" not in draft.unsound and draft.records:
        rule = "the database holds no nursery yet and the file has no row in sheet Site"
        draft.faults.append(RowFault("Site", None, "", "", rule, "fill in sheet Site"))


GROUP_RULES: Iterable[Callable[[Draft], None]] = (
    site_is_known,
    in_celsius,
    usual_for_the_month,
    whole_year,
    stages_in_order,
    protocols_have_stages,
    transit_sums,
    bench_capacity,
    groups_have_crops,
    substitutes_are_others,
    lots_after_start,
    orders_have_zones,
    orders_have_lines,
    promised_orders_stay,
    forecasts_fresh,
)
