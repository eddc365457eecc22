"""How fast does each wrap dry, and which stays moist until the parcel is opened?

The product's own wrap where it stays moist until the parcel is opened, in the site's safe share of
weather years; else the cheapest that does. A wrap's conductance is that of its weighed trials (the
safe one), else the one that was typed. Which box it stands in is chosen in `shed.packing`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from sqlmodel import Session, col, select

from nursery import moisture
from nursery.climate import Floats, fahrenheit_question
from nursery.database import site
from nursery.errors import Fault, Refusal, Refused
from nursery.moisture import Calibration, Trial, saturation_vapour_pressure
from nursery.order import Wrap
from nursery.travelling import (
    HEAVIEST_G,
    LONGEST_TRIAL_HOURS,
    MEAN_C,
    MOST_DRUNK_G_PER_H,
    NIGHT_C,
    WrapTrial,
)


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
    minutes: float = 0.0

    def inside(self, share: float) -> moisture.Wrap:
        """The same for the water balance, in a box that lets this share of the vapour out."""
        least = min(self.least_water_g, self.water_g)
        return moisture.Wrap(self.name, self.used * share, self.water_g, least, self.cost_cents)


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


@dataclass(frozen=True, slots=True)
class Taken:
    """A wrap that is taken, the chance that it lasts, and what is to be said of it.

    `lasts` says whether that is the stated chance; `own_chance` is that of the product's own wrap
    (None: it has none).
    """

    wrap: KnownWrap
    chance: float
    lasts: bool
    own_chance: float | None
    says: str


def lasting(
    wraps: Sequence[KnownWrap], own: str, deficits: Floats, stated: float, share: float = 1.0
) -> Taken:
    """Which wrap is taken in a box that lets this share of the vapour out?

    Its own where that lasts with the stated chance, else the cheapest that does, else the one with
    the best chance. Raises Fault where there is no wrap at all.
    """
    if not wraps:
        raise Fault("Wraps", "there must be one", None, "list it in sheet Wraps")
    by_name = {one.name: one for one in wraps}
    inside = {one.name: one.inside(share) for one in wraps}
    chances = {name: moisture.chance_moist(wrap, deficits) for name, wrap in inside.items()}
    mine = chances.get(own)
    if mine is not None and mine >= stated - 1e-9:
        return Taken(by_name[own], mine, True, mine, "")
    best = moisture.cheapest_packing(list(inside.values()), deficits, stated)
    if best is not None:
        dry = 0.0 if mine is None else 1 - mine
        listed = f"{own} would dry out on the way in {dry:.0%} of weather years" if dry else ""
        says = listed or "the cheapest that stays moist"
        return Taken(by_name[best.wrap.name], best.chance, True, mine, says)
    surest = max(wraps, key=lambda one: (chances[one.name], one.name == own))
    chance = chances[surest.name]
    says = f"NO WRAP STAYS MOIST (this one in {chance:.0%} of weather years): ask the lead first"
    return Taken(surest, chance, False, mine, says)


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
        minutes=row.minutes,
    )


def _believable(trial: WrapTrial, wrap: str) -> None:
    for what, value, (least, most), unit in (
        ("mean of the air", trial.mean_c, MEAN_C, "°C"),
        ("night's minimum", trial.night_c, NIGHT_C, "°C"),
        ("time between the weighings", trial.hours, (0, LONGEST_TRIAL_HOURS), "hours"),
        ("weight at first", trial.grams_before, (0, HEAVIEST_G), "g"),
        ("weight at the second weighing", trial.grams_after, (0, HEAVIEST_G), "g"),
        ("plants' drink", trial.plants_take_g_per_h, (0, MOST_DRUNK_G_PER_H), "g an hour"),
    ):
        if value is not None and not least <= value <= most:  # what is no number is not between
            asked = fahrenheit_question(f"the {what}", value, most) if unit == "°C" else None
            rule = f"the {what} must lie from {least:g} to {most:g} {unit}, and is {value:g}"
            raise _bad(wrap, rule, asked or "weigh again, or type what was measured")
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
