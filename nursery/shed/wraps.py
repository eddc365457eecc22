"""In which wrap does each line travel, and does it stay moist until the parcel is opened?

The product's own wrap where it stays moist until the parcel is opened, in the site's safe share of
weather years; else the cheapest that does. A wrap's conductance is that of its weighed trials (the
safe one), else the one that was typed.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

from sqlmodel import Session, col, select

from nursery import moisture
from nursery.climate import Floats
from nursery.database import site
from nursery.errors import Fault, Refusal, Refused
from nursery.moisture import Calibration, Trial, saturation_vapour_pressure
from nursery.order import Promise, Wrap
from nursery.promising.packs import hours_packed
from nursery.shed.journey import journey_deficits
from nursery.shed.pick_sheet import Wanted, wanted_on
from nursery.travelling import WrapTrial


@dataclass(frozen=True, slots=True)
class KnownWrap:
    """A wrap with what its trials say; `used` is the conductance that is reckoned with."""

    name: str
    typed: float
    used: float
    water_g: float
    least_water_g: float
    cost_cents: int
    trials: int
    mean: float | None
    spread: float | None

    @property
    def physical(self) -> moisture.Wrap:
        """The same for the water balance."""
        return moisture.Wrap(
            self.name, self.used, self.water_g, min(self.least_water_g, self.water_g),
            self.cost_cents,
        )  # fmt: skip


@dataclass(frozen=True, slots=True)
class LineWrap:
    """The wrap of one line of a parcel.

    `water_g` is poured per wrap; `hours` is how long it must last, `chance` the share of weather
    years in which it does (None: no weather is known). `says` is for the sheet: why another wrap,
    or that none lasts; "" where all is as listed.
    """

    promise_line_id: int
    order_reference: str
    product_code: str
    wrap: str
    water_g: float
    hours: int
    chance: float | None
    says: str


def known_wraps(session: Session) -> list[KnownWrap]:
    """Which wraps are there, and how fast does each dry? In the order of their names."""
    quantile = site(session).safe_quantile
    trials: dict[int, list[Trial]] = {}
    for row in session.exec(select(WrapTrial).order_by(col(WrapTrial.weighed_at))).all():
        trials.setdefault(row.wrap_id, []).append(as_trial(row))
    return [
        _known(row, moisture.calibrate(trials[row.id or 0], quantile))
        if row.id in trials
        else _known(row, None)
        for row in session.exec(select(Wrap).order_by(col(Wrap.name))).all()
    ]


def as_trial(row: WrapTrial) -> Trial:
    """The weighings with the mean vapour pressure deficit of their air, kPa."""
    full = float(saturation_vapour_pressure(row.mean_c))
    if row.humidity is not None:
        deficit = full * (1 - row.humidity)
    else:
        deficit = full - float(saturation_vapour_pressure(row.night_c or 0.0))
    return Trial(row.grams_before, row.grams_after, row.hours, deficit, row.plants_take_g_per_h)


def record_trial(session: Session, name: str, trial: WrapTrial) -> KnownWrap:
    """How fast does this wrap dry, now that this trial parcel was weighed?

    `trial` needs no `wrap_id`. Raises Refused ("unknown_wrap", "bad_trial") with what to do.
    """
    wraps = session.exec(select(Wrap).order_by(col(Wrap.name))).all()
    wrap = next((row for row in wraps if row.name.casefold() == name.casefold()), None)
    if wrap is None:
        listed = ", ".join(row.name for row in wraps) or "none is listed"
        message = f"There is no wrap {name!r}"
        raise Refused(Refusal("unknown_wrap", message, "wrap", f"known are: {listed}"))
    _believable(trial, wrap.name)
    trial.wrap_id = wrap.id or 0
    session.add(trial)
    session.flush()
    return next(one for one in known_wraps(session) if one.name == wrap.name)


def line_wraps(session: Session, ship_day: date) -> list[LineWrap]:
    """Which wrap has each line that is to be picked for this ship day? As the slips list them."""
    known = known_wraps(session)
    deficits: dict[tuple[frozenset[int], date, date, float], Floats | None] = {}
    found = []
    for each in wanted_on(session, ship_day, ship_day):
        key = _way(session, each.promise)
        if key not in deficits:
            stations, first, last, warmer = key
            deficits[key] = journey_deficits(session, stations, first, last, warmer)
        found.append(_line_wrap(session, each, known, deficits[key]))
    return found


def lasting(
    wraps: Sequence[KnownWrap], own: str, deficits: Floats, stated: float
) -> tuple[KnownWrap, float, str]:
    """Which wrap is taken, with which chance that it lasts, and what is to be said of it?

    Its own where that lasts with the stated chance, else the cheapest that does, else the one with
    the best chance. Raises Fault where there is no wrap at all.
    """
    if not wraps:
        raise Fault("Wraps", "there must be one", None, "list it in sheet Wraps")
    by_name = {one.name: one for one in wraps}
    chances = {one.name: moisture.chance_moist(one.physical, deficits) for one in wraps}
    if own in by_name and chances[own] >= stated - 1e-9:
        return by_name[own], chances[own], ""
    best = moisture.cheapest_packing([one.physical for one in wraps], deficits, stated)
    dry = f"{own} stays moist in {chances[own]:.0%} of weather years only" if own in by_name else ""
    if best is not None:
        instead = f"{dry}: {best.wrap.name} instead" if dry else "the cheapest that lasts"
        return by_name[best.wrap.name], best.chance, instead
    surest = max(wraps, key=lambda one: (chances[one.name], one.name == own))
    says = f"NO WRAP LASTS ({chances[surest.name]:.0%}): tell the lead before it is packed"
    return surest, chances[surest.name], says


def _line_wrap(
    session: Session, each: Wanted, known: Sequence[KnownWrap], deficits: Floats | None
) -> LineWrap:
    own = each.wrap.name if each.wrap is not None else ""
    hours = hours_packed(each.promise.pack_on, each.promise.arrives_until)
    chance: float | None = None
    if deficits is None or not known:
        water = each.wrap.water_g if each.wrap is not None else 0.0
        says = "no weather is known: a person judges the wrap"
    else:
        wrap, chance, says = lasting(known, own, deficits, site(session).safe_quantile)
        own, water = wrap.name, wrap.water_g
    return LineWrap(
        each.line.id or 0,
        each.order.reference,
        each.product.code,
        own,
        water,
        hours,
        None if chance is None else round(chance, 3),
        says,
    )


def _way(session: Session, promise: Promise) -> tuple[frozenset[int], date, date, float]:
    ends = (site(session).station_id, promise.order.zone.station_id)
    stations = frozenset(one for one in ends if one is not None)
    warmer = float(getattr(promise.service, "warmer_c", 0.0))
    return stations, promise.pack_on, promise.arrives_until, warmer


def _known(row: Wrap, found: Calibration | None) -> KnownWrap:
    return KnownWrap(
        name=row.name,
        typed=row.conductance_g_per_h_kpa,
        used=row.conductance_g_per_h_kpa if found is None else found.safe,
        water_g=row.water_g,
        least_water_g=row.minimum_water_g,
        cost_cents=row.cost_cents,
        trials=0 if found is None else found.trials,
        mean=None if found is None else found.mean,
        spread=None if found is None else found.spread,
    )


def _believable(trial: WrapTrial, wrap: str) -> None:
    if trial.humidity is None and trial.night_c is None:
        rule = "needs the air's humidity, or the night's minimum"
        raise _bad(wrap, rule, "measure one of them and weigh again")
    if trial.humidity is not None and not 0 <= trial.humidity < 1:
        raise _bad(wrap, f"humidity is a share from 0 to below 1, got {trial.humidity:g}", "62 %?")
    try:
        moisture.calibrate([as_trial(trial)], 0.5)
    except Fault as fault:
        raise _bad(wrap, f"{fault.rule} (got {fault.value})", fault.next) from None


def _bad(wrap: str, rule: str, next: str) -> Refused:
    return Refused(Refusal("bad_trial", f"The trial of {wrap}: {rule}", "trial", next))
