"""What must somebody look at, what can be done about it, and by when at the latest?

Each warning names one thing, says what is wrong with its numbers, what to do, and the last day on
which that is still in time. Nothing is decided here: a veto is never taken to be over, and a person
who has looked at the plants knows better than a forecast.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import date, timedelta
from enum import StrEnum

from sqlalchemy import func
from sqlmodel import Session, col, select

from nursery.batch import Batch
from nursery.carrier import Zone
from nursery.database import now, site, today
from nursery.errors import Fault
from nursery.growing.frames import frame_alarms
from nursery.growing.growth import stage_progress
from nursery.mother_plant import MotherBlock
from nursery.order import CustomerOrder, Promise, State
from nursery.planning.renewal import renewals
from nursery.promising.supply import deficits, holding
from nursery.shed.counting import count_round
from nursery.shed.veto import unsigned
from nursery.stock import Lot
from nursery.telling.standing import troubles
from nursery.weather import Forecast, ForecastPull, Station
from nursery.week.glut import glut_advice
from nursery.week.hold_warnings import holds_told
from nursery.week.materials import ASSUMED_LEAD_DAYS, NOT_LISTED, CallOff, call_off
from nursery.week.shade_warnings import frost_told, shade_told
from nursery.weeks import Horizon, Week
from nursery.working_days import last_working_day, working_day_before

LATE_DAYS = 7
"""A batch that is further behind than the week sheet's own week is late."""
COUNT_SLACK_DAYS = 7
MOTHER_LOW = 0.1
"""A block of which less than this share may be cut is low (an estimate)."""
RENEWAL_WEEKS = 26
ORDER_DAYS = 14
"""How long before its order day a material is warned of."""
SHIP_DAYS = 5
"""Zones to which something ships so soon need a fresh forecast."""


class WarningKind(StrEnum):
    """What is it about?"""

    FROST = "frost"
    HEAT = "heat"
    SHADE = "shade"
    PROMISE = "promise at risk"
    PARCEL = "overdue parcel"
    VETO = "veto wants a signature"
    LATE_BATCH = "late batch"
    LAST_SALE = "last sale date"
    COUNT = "count"
    MOTHER = "mother plants"
    MATERIAL = "material to order"
    FORECAST = "forecast"
    RECEIVER = "receiver of webhooks"
    DATA = "cannot be told"


class Urgency(StrEnum):
    """How soon must something be done?"""

    TODAY = "today"
    THIS_WEEK = "this week"
    LATER = "later"


@dataclass(frozen=True, slots=True)
class Warning:
    """One thing to look at: `thing` names it, `text` says what is wrong, `what_to_do` what helps.

    `latest_day` is the last day on which that is in time; where it has passed, it is today's.
    """

    kind: WarningKind
    thing: str
    text: str
    what_to_do: str
    latest_day: date
    urgency: Urgency


@dataclass(frozen=True, slots=True)
class _Found:
    kind: WarningKind
    thing: str
    text: str
    what_to_do: str
    latest: date


def warnings(session: Session) -> tuple[Warning, ...]:
    """What must somebody look at today? The most urgent first. Reads only.

    A part that cannot be told (no weather, say) is a warning itself, with what to do about it.
    """
    day = today(session)
    found: list[_Found] = []
    for part in _PARTS:
        try:
            found.extend(part(session, day))
        except Fault as fault:
            text = f"{fault.thing}: {fault.rule}"
            found.append(_Found(WarningKind.DATA, fault.thing, text, fault.next, day))
    kinds = list(WarningKind)
    told = dict.fromkeys(_told(one, day) for one in found)
    return tuple(sorted(told, key=lambda w: (w.latest_day, kinds.index(w.kind), w.thing)))


def _told(one: _Found, day: date) -> Warning:
    latest = max(one.latest, day)
    this_week = latest <= Week.of(day).sunday()
    urgency = Urgency.TODAY if latest == day else Urgency.THIS_WEEK if this_week else Urgency.LATER
    return Warning(one.kind, one.thing, one.text, one.what_to_do, latest, urgency)


def _frames(session: Session, day: date) -> Iterator[_Found]:
    for alarm in frame_alarms(session, day):
        where = f"{alarm.area}: {alarm.trays} trays of {', '.join(alarm.batches[:4])}" + (
            " ..." if len(alarm.batches) > 4 else ""
        )
        if not alarm.frost:
            yield _Found(
                WarningKind.HEAT,
                alarm.area,
                f"{where} will feel {alarm.felt_c:.1f} °C on {alarm.day:%a %d %b}",
                "shade and air the frames, water early; heavy work at dawn, with breaks",
                alarm.day - timedelta(days=1),
            )


def _shade(session: Session, day: date) -> Iterator[_Found]:
    for kind, part in ((WarningKind.FROST, frost_told), (WarningKind.SHADE, shade_told)):
        for one in part(session, day):
            yield _Found(kind, one.thing, one.text, one.what_to_do, one.latest)


def _holds(session: Session, day: date) -> Iterator[_Found]:
    for code, one in holds_told(session, day):
        yield _Found(WarningKind(code), one.thing, one.text, one.what_to_do, one.latest)


def _promises(session: Session, day: date) -> Iterator[_Found]:
    lost: dict[int, int] = {}
    for deficit in deficits(session):
        for key, missing in deficit.promises:
            lost[key] = lost.get(key, 0) + missing
    for promise in _rows(session, col(Promise.id).in_(sorted(lost))):
        plugs = lost[promise.id or 0]
        yield _Found(
            WarningKind.PROMISE,
            f"order {promise.order.reference}",
            f"{plugs} plugs are missing for its ship day {promise.ship_on:%a %d %b}",
            "count the lots of the crop, then run the dispatch; tell the customer before that day",
            promise.ship_on,
        )


def _parcels(session: Session, day: date) -> Iterator[_Found]:
    late = col(Promise.ship_on) < day
    states = (State.CONFIRMED, State.PICKED)
    for promise in _rows(session, late, col(Promise.state).in_(states)):
        picked = promise.state is State.PICKED
        yield _Found(
            WarningKind.PARCEL,
            f"order {promise.order.reference}",
            f"its ship day was {promise.ship_on:%a %d %b} and it is "
            f"{'picked, but not handed over' if picked else 'not picked'}",
            "hand it over, or say that it was not collected"
            if picked
            else "run the dispatch for a new day and tell the customer",
            day,
        )
    for promise in _rows(session, col(Promise.state) == State.NOT_COLLECTED):
        by = promise.repack_by or day
        yield _Found(
            WarningKind.PARCEL,
            f"order {promise.order.reference}",
            f"it was not collected; its wrap is good until {by:%a %d %b}",
            "hand it over by that day, or pack it again",
            by,
        )


def _rows(session: Session, *where: object) -> list[Promise]:
    query = select(Promise).join(CustomerOrder, col(Promise.order_id) == col(CustomerOrder.id))
    return list(
        session.exec(
            query.where(*where).order_by(col(Promise.ship_on), col(CustomerOrder.reference))  # type: ignore[arg-type]
        ).all()
    )


def _vetoes(session: Session, day: date) -> Iterator[_Found]:
    for veto in unsigned(session):
        yield _Found(
            WarningKind.VETO,
            f"batch {veto.batch_code}",
            f"{veto.kind.value} ({veto.reason}) may be looked at again since {veto.earliest_end}; "
            "it still holds",
            "have an authorised person look at it and sign it off, or set a later earliest end",
            day,
        )


def _late(session: Session, day: date) -> Iterator[_Found]:
    for one in stage_progress(session, day):
        if one.days_behind <= LATE_DAYS:
            continue
        expected = one.expected_stage.value
        yield _Found(
            WarningKind.LATE_BATCH,
            f"batch {one.batch_code}",
            f"it is still in '{one.stage.value}', {one.days_behind} days after that should have "
            f"ended; by now '{expected}' is expected",
            "look at the plugs: move it on or set it aside if it is only not written down, else "
            "count it and plan again",
            max(day, last_working_day(site(session), Week.of(day))),
        )


def _last_sale(session: Session, day: date) -> Iterator[_Found]:
    past = select(Lot).where(col(Lot.plugs) > 0, col(Lot.last_sale_on) < day)
    for lot in session.exec(past.order_by(col(Lot.last_sale_on), col(Lot.id))):
        yield _Found(
            WarningKind.LAST_SALE,
            f"batch {lot.batch.code}",
            f"{lot.plugs} plugs stand there past their last sale date {lot.last_sale_on:%a %d %b}",
            "discard them, or pot on what is still good; ask first where a veto holds",
            day,
        )
    for advice in glut_advice(session, day):
        if advice.last_sale_on < day or advice.discount_from > day + timedelta(days=7):
            continue
        hold = (
            f"hold them cold until {advice.hold_until:%a %d %b} ({advice.held_sells} are wanted "
            "then), "
            if advice.hold_until is not None
            else ""
        )
        yield _Found(
            WarningKind.LAST_SALE,
            f"batch {advice.batch_code}",
            f"{advice.plugs} plugs of {advice.crop} have no taker until their last sale date "
            f"{advice.last_sale_on:%a %d %b}",
            f"{hold}discount from {advice.discount_from:%a %d %b} or pot on",
            advice.pot_on_by,
        )


def _counts(session: Session, day: date) -> Iterator[_Found]:
    last: dict[int, date] = {}
    again: dict[int, str] = {}
    for place in count_round(session):
        # Whoever set plugs aside as ready has counted them that day.
        counted = place.last_counted.date() if place.last_counted else place.ready_on
        if counted is not None:
            last[place.batch_id] = max(last.get(place.batch_id, counted), counted)
        if place.recount:
            again[place.batch_id] = place.bench or "no bench"
        last.setdefault(place.batch_id, date.min)
    every = site(session).count_every_days
    for batch in session.exec(select(Batch).where(col(Batch.id).in_(sorted(last)))).all():
        counted = last[batch.id or 0]
        since = batch.started_on if counted == date.min else counted
        due = since + timedelta(days=every)
        if batch.id in again:
            yield _Found(
                WarningKind.COUNT,
                f"batch {batch.code}",
                f"its last count was far from the books, or more was found ({again[batch.id]})",
                "count it a second time, by another person if one is there",
                day,
            )
        elif due + timedelta(days=COUNT_SLACK_DAYS) < day:
            ever = "never counted" if counted == date.min else f"counted last on {counted}"
            yield _Found(
                WarningKind.COUNT,
                f"batch {batch.code}",
                f"{ever}; a full count was due on {due}",
                "count it: what is promised of it rests on old numbers",
                max(day, last_working_day(site(session), Week.of(day))),
            )


def _mothers(session: Session, day: date) -> Iterator[_Found]:
    for block in session.exec(select(MotherBlock).order_by(col(MotherBlock.code))).all():
        used = (block.use_from is None or block.use_from <= day) and (
            block.use_until is None or block.use_until >= day
        )
        free = block.plants - block.reserve
        if used and free <= MOTHER_LOW * block.plants:
            yield _Found(
                WarningKind.MOTHER,
                f"mother block {block.code}",
                f"{block.plants} plants are left, {block.reserve} of them the reserve: {free} may "
                "be cut",
                "leave the reserve alone; raise or buy young plants for a new block",
                last_working_day(site(session), Week.of(day)),
            )
    horizon = Horizon(Week.of(day), RENEWAL_WEEKS)
    for renewal in renewals(session, horizon, day):
        yield _Found(
            WarningKind.MOTHER,
            f"mother block {renewal.block}",
            str(renewal),
            "see that the accepted plan raises them, or list the block that takes its place",
            horizon.week(renewal.week).monday(),
        )


def _materials(session: Session, day: date) -> Iterator[_Found]:
    for line in call_off(session):
        if line.assumed == NOT_LISTED:
            yield from _not_listed(session, line, day)
            continue
        soon = line.order_by is not None and line.order_by <= day + timedelta(days=ORDER_DAYS)
        if line.order_by is None or line.assumed or not soon:
            continue
        stock = "nobody has counted it" if line.in_stock is None else f"{line.in_stock:g} in stock"
        yield _Found(
            WarningKind.MATERIAL,
            line.name,
            f"{stock}; it runs out in {line.short_from} and is {line.lead_days} days on the way",
            f"order {line.order:g} {line.unit}",
            line.order_by,
        )


def _not_listed(session: Session, line: CallOff, day: date) -> Iterator[_Found]:
    """A material that the plan, the batches or the orders use, and that no sheet knows."""
    first = next(n for n, used in enumerate(line.used) if used)
    needed = (Week.parse(line.first_week) + first).monday()
    latest = working_day_before(site(session), needed - timedelta(days=ASSUMED_LEAD_DAYS))
    if latest <= day + timedelta(days=ORDER_DAYS):
        yield _Found(
            WarningKind.MATERIAL,
            line.name,
            f"about {line.total:g} {line.unit} are used in {len(line.used)} weeks, from "
            f"{Week.of(needed)} on, and it is not in sheet Materials",
            "list it with its stock and lead time; with amount 0 if it is never ordered",
            latest,
        )


def _forecasts(session: Session, day: date) -> Iterator[_Found]:
    here, at = site(session), now(session)
    soon = day + timedelta(days=SHIP_DAYS)
    shipping = session.exec(
        select(Zone.station_id)
        .join(CustomerOrder, col(CustomerOrder.zone_id) == col(Zone.id))
        .join(Promise, col(Promise.order_id) == col(CustomerOrder.id))
        .where(holding(at), col(Promise.ship_on) >= day, col(Promise.ship_on) <= soon)
        .distinct()
    ).all()
    wanted = sorted({key for key in (here.station_id, *shipping) if key is not None})
    issued = dict(
        session.exec(
            select(Forecast.station_id, func.max(Forecast.issued_at))
            .where(col(Forecast.station_id).in_(wanted), col(Forecast.issued_at) <= at)
            .group_by(col(Forecast.station_id))
        ).all()
    )
    for station in session.exec(select(Station).where(col(Station.id).in_(wanted))).all():
        last = issued.get(station.id or 0)
        if last is not None and at - last <= timedelta(hours=here.forecast_shelf_hours):
            continue
        hours = None if last is None else round((at - last).total_seconds() / 3600)
        said = (
            "there is no forecast"
            if hours is None
            else f"the last forecast is {hours} hours old; after {here.forecast_shelf_hours} it is "
            "none"
        )
        yield _Found(
            WarningKind.FORECAST,
            f"station {station.name}",
            said,
            "record a new one; until then a person decides on frost, heat and holds",
            day,
        )


def _pulls(session: Session, day: date) -> Iterator[_Found]:
    """Forecasts that were fetched and came back wrong, or only in part."""
    rows = session.exec(
        select(Station.name, ForecastPull.warning)
        .join(ForecastPull, col(ForecastPull.station_id) == col(Station.id))
        .where(col(ForecastPull.warning) != "")
        .order_by(col(Station.name))
    )
    for name, said in rows:
        next = "look at its row in Forecast sources, or record a forecast by hand"
        yield _Found(WarningKind.FORECAST, f"station {name}", said, next, day)


def _receivers(session: Session, day: date) -> Iterator[_Found]:
    for one in troubles(session):
        thing = f"receiver {one.receiver}"
        yield _Found(WarningKind.RECEIVER, thing, one.text, one.what_to_do, day)


_PARTS: tuple[Callable[[Session, date], Iterator[_Found]], ...] = (
    _frames,
    _shade,
    _holds,
    _promises,
    _parcels,
    _vetoes,
    _late,
    _last_sale,
    _counts,
    _mothers,
    _materials,
    _forecasts,
    _pulls,
    _receivers,
)
