"""Heat and cold packs: what they open, for how long, down to where; and in which parcel they go."""

from dataclasses import replace
from datetime import date, timedelta

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from sqlmodel import Session, select

from nursery.database import Database, now
from nursery.growing_area import Site
from nursery.order import Product, Promise, State
from nursery.promising.basket import Limits, parcel_for
from nursery.promising.packs import Pack, hours_packed, openings, pack_kinds, with_packs
from nursery.promising.promise import amend, confirm, re_date, reserve
from nursery.promising.quote import Quote, quote
from nursery.shed.journey import Trip
from nursery.shed.packer import Goods, Packed, Packer
from nursery.shed.packing import parcel_packs
from nursery.shed.pick_sheet import pick_sheet
from nursery.shed.picking import record_pick
from nursery.stock import Lot
from nursery.travelling import Against, ParcelBox, TravelPack
from nursery.weather import Forecast
from nursery.weather_in.decisions import decide_days
from nursery.week.materials import call_off
from nursery.week.pack_use import packs_used
from nursery.week.posted import posted
from nursery.weeks import Horizon, Week
from tests.builders import crop_named, ready_lot
from tests.shop import HERE, MONDAY, both, caltha, mild_nursery

TUESDAY, WEDNESDAY = date(2027, 3, 2), date(2027, 3, 3)
WARM = Pack("heat pack 72 h", Against.FROST, 72, 5, -10, 240, 120)
SHORT = Pack("heat pack 20 h", Against.FROST, 20, 5, -10, 90, 60)
COLD = Pack("cold pack", Against.HEAT, 60, 4, 31, 150, 300)


@given(
    st.floats(20, 32), st.floats(-10, 2), st.floats(0.5, 12), st.floats(-15, 0), st.floats(25, 40)
)
@settings(deadline=None)
def test_a_pack_never_narrows_what_plants_stand_nor_reaches_past_its_own_limit(
    heat: float, frost: float, covers: float, coldest: float, hottest: float
) -> None:
    packs = (
        Pack("w", Against.FROST, 48, covers, coldest, 1, 1),
        Pack("c", Against.HEAT, 48, covers, hottest, 1, 1),
    )
    found = with_packs(Limits(heat, frost, 4), packs)
    assert frost - covers - 1e-9 <= found.frost_c <= frost and found.days_in_box == 4
    assert heat <= found.heat_c <= heat + covers + 1e-9
    assert found.frost_c >= min(frost, coldest) and found.heat_c <= max(heat, hottest)


def test_only_packs_that_last_are_tried_the_cheapest_first_and_one_of_each_kind() -> None:
    assert openings([WARM, SHORT, COLD], [Against.FROST], 10) == [(SHORT,), (WARM,)]
    assert openings([WARM, SHORT, COLD], [Against.FROST], 30) == [(WARM,)]
    assert openings([WARM, COLD], [Against.HEAT, Against.FROST], 30) == [(COLD, WARM)]
    assert openings([WARM], [Against.HEAT], 1) == [] == openings([WARM], [], 1)
    assert pack_kinds(["frost"]) == [Against.FROST] and pack_kinds(["frost", "days_in_box"]) == []
    assert hours_packed(TUESDAY, WEDNESDAY) == 30  # noon to six in the evening of the next day


def _frosty(session: Session, low: float, *packs: Pack) -> Quote:
    """Plants that stand more than -3 °C; `low` is forecast for the days of a parcel's way."""
    mild_nursery(session)
    station = session.get_one(Site, 1).station_id or 0
    for ahead in range(1, 7):
        session.add(
            Forecast(
                station_id=station,
                day=MONDAY + timedelta(days=ahead),
                issued_at=now(session) - timedelta(hours=1),
                min_c=low,
                max_c=8,
            )
        )
    session.add_all(
        TravelPack(
            name=one.name, against=one.against, hours=one.hours, covers_c=one.covers_c,
            outside_c=one.outside_c, cost_cents=one.cost_cents, weight_g=one.weight_g,
        )
        for one in packs
    )  # fmt: skip
    session.flush()
    return quote(session, caltha(2), HERE, TUESDAY, TUESDAY)


def test_a_heat_pack_opens_a_day_that_frost_holds_and_the_quote_says_so_and_costs_it(
    db: Database,
) -> None:
    with db.writing() as session:
        bare = _frosty(session, -4.0)
        assert [why.code for why in bare.closed_days[0].reasons] == ["frost"] and not bare.options
        session.add(
            TravelPack(name="heat pack 72 h", against=Against.FROST, hours=72, covers_c=5,
                       outside_c=-10, cost_cents=240, weight_g=120)
        )  # fmt: skip
        session.flush()
        (option,) = quote(session, caltha(2), HERE, TUESDAY, TUESDAY).options
    assert option.packs == ("1 heat pack 72 h against frost",)
    assert option.price_cents == 795 + 240
    assert option.ship_on == TUESDAY and option.probability >= 0.98


@pytest.mark.parametrize(
    ("low", "pack"),
    [(-4.0, SHORT), (-4.0, COLD), (-9.5, WARM), (-12.0, WARM)],
    ids=["ends too soon", "against heat", "covers too little", "not trusted so far down"],
)
def test_a_pack_that_does_not_do_leaves_the_day_held(db: Database, low: float, pack: Pack) -> None:
    with db.writing() as session:
        found = _frosty(session, low, pack)
    assert not found.options
    assert [why.code for why in found.closed_days[0].reasons] == ["frost"]


def test_no_pack_goes_in_on_a_day_that_is_open_without(db: Database) -> None:
    with db.writing() as session:
        (option,) = _frosty(session, 4.0, WARM).options
    assert option.packs == () and option.price_cents == 795


def test_the_parcel_gets_its_pack_by_the_weather_of_the_packing_morning(db: Database) -> None:
    with db.writing() as session:
        (option,) = _frosty(session, -4.0, WARM).options
        made = reserve(session, "O-1", caltha(2), HERE, option.ship_on, option.service, "shop")
        confirm(session, made.id or 0, "shop")
        (parcel,) = parcel_packs(session, TUESDAY)
        assert [pack.name for pack in parcel.packs] == ["heat pack 72 h"]
        assert (parcel.weight_g, parcel.cost_cents) == (120, 240)
        assert parcel.says == "1 heat pack 72 h against frost" and parcel.frost_chance > 0.5
        _turns(session, 3.0)
        assert parcel_packs(session, TUESDAY)[0].packs == ()
        _turns(session, -14.0)
        (parcel,) = parcel_packs(session, TUESDAY)
        assert parcel.packs == () and "no pack helps: ask the lead" in parcel.says
        assert session.get_one(Promise, made.id).pack_on <= TUESDAY


@pytest.mark.parametrize(
    ("low", "packs", "put", "says"),
    [
        (-9.5, (SHORT, WARM), ("1 heat pack 72 h against frost",), "with 1 heat pack 72 h against"),
        (-9.5, (SHORT,), (), "; no pack lowers it"),
        (-9.5, (), (), "; no pack lowers it"),
    ],
    ids=["the one that lasts", "it ends too soon", "none is listed"],
)
def test_a_parcel_whose_day_a_person_opened_says_who_and_why_and_takes_the_pack_that_does_most(
    db: Database, low: float, packs: tuple[Pack, ...], put: tuple[str, ...], says: str
) -> None:
    with db.writing() as session:
        _frosty(session, low, *packs)
        decide_days(session, True, TUESDAY, TUESDAY, "Lea", "heated van")
        made = reserve(session, "O-1", caltha(2), HERE, TUESDAY, "Van", "shop")
        confirm(session, made.id or 0, "shop")
        (slip,) = pick_sheet(session, TUESDAY).slips
        said = " ".join(slip.minded)
        assert slip.packs == put and says in said
        assert "opened by hand (2027-03-02, everywhere) by Lea: heated van. 100% chance" in said
        assert "ask the lead" not in said and "keep it indoors until the van comes" in said
        decide_days(session, False, TUESDAY, TUESDAY, "Ada", "no heated van after all")
        (slip,) = pick_sheet(session, TUESDAY).slips
        assert slip.packs == () and "no pack helps: ask the lead" in " ".join(slip.minded)


def test_of_two_packs_that_leave_the_same_chance_the_one_with_the_most_degrees_goes_in(
    db: Database,
) -> None:
    thin = replace(WARM, name="thin pack", covers_c=2, cost_cents=100)
    with db.writing() as session:
        _frosty(session, -30.0, thin, WARM)
        decide_days(session, True, TUESDAY, TUESDAY, "Lea", "heated van")
        made = reserve(session, "O-1", caltha(2), HERE, TUESDAY, "Van", "shop")
        confirm(session, made.id or 0, "shop")
        (parcel,) = parcel_packs(session, TUESDAY)
    assert [pack.name for pack in parcel.packs] == [WARM.name]


def _turns(session: Session, low: float) -> None:
    """The forecast of all days turns out otherwise."""
    for row in session.exec(select(Forecast)).all():
        row.min_c = low
    session.flush()


def test_packs_that_promised_parcels_need_are_called_off_a_lead_time_before(db: Database) -> None:
    """Twelve weeks from Monday 1 March; one pack goes in on Tuesday, none is there, ten are a box;
    seven days on the way: the order is late."""
    with db.writing() as session:
        (option,) = _frosty(session, -4.0, WARM, COLD).options
        made = reserve(session, "O-1", caltha(2), HERE, option.ship_on, option.service, "shop")
        confirm(session, made.id or 0, "shop")
        row = session.exec(select(TravelPack).where(TravelPack.name == WARM.name)).one()
        row.in_stock, row.lead_days, row.sold_in = 0, 7, 10
        session.flush()
        found = {line.name: line for line in call_off(session)}
        warm, cold = found["heat pack 72 h"], found["cold pack"]
        assert (warm.kind, warm.unit, warm.used) == ("packs", "pieces", (1.0, *[0.0] * 11))
        assert (warm.order, warm.late, warm.order_by) == (10.0, True, date(2027, 2, 22))
        assert cold.total == 0 and cold.order_by is None
        row.in_stock = 1
        session.flush()
        found = {line.name: line for line in call_off(session)}
        assert found["heat pack 72 h"].order_by is None


def test_a_parcel_of_which_a_line_is_picked_still_takes_its_packs_and_boxes(db: Database) -> None:
    """Two bundles of room 6 make two boxes of 6, a pack in each, whichever line is picked first."""
    with db.writing() as session:
        _frosty(session, -4.0, WARM)
        ready_lot(session, crop_named(session, "Primula rosea"), 50, MONDAY, date(2027, 7, 1))
        for product in session.exec(select(Product)):
            product.frost_limit_c = -3.0
        session.add(ParcelBox(name="small", room=6, weight_g=100, cost_cents=50))
        session.flush()
        made = reserve(session, "O-1", both(), HERE, TUESDAY, "Van", "shop")
        confirm(session, made.id or 0, "shop")
        horizon = Horizon(Week.of(MONDAY), 2)

        def used() -> tuple[list[float], list[float]]:
            taken = posted(session, horizon, MONDAY)
            ((_, packs),) = packs_used(session, horizon, taken.packed)
            return packs, taken.boxes["small"]

        assert used() == ([2.0, 0.0], [2.0, 0.0])
        line = made.lines[0]
        lot = session.exec(select(Lot).where(Lot.pool_id == line.pool_id)).one()
        record_pick(session, line, lot, line.plugs, "Pat")
        session.refresh(made)
        assert made.state is State.CONFIRMED and used() == ([2.0, 0.0], [2.0, 0.0])


def test_a_call_off_of_materials_packs_each_promised_parcel_once(
    db: Database, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Its wraps, its boxes and its packs are those of one packing."""
    with db.writing() as session:
        (option, *_) = _frosty(session, -4.0, WARM, COLD).options
        for reference in ("O-1", "O-2"):
            made = reserve(
                session, reference, caltha(2), HERE, option.ship_on, option.service, "shop"
            )
            confirm(session, made.id or 0, "shop")
        packed, asked = Packer.packed, []

        def counted(packer: Packer, goods: Goods, trip: Trip) -> Packed:
            asked.append(trip)
            return packed(packer, goods, trip)

        monkeypatch.setattr(Packer, "packed", counted)
        used = {line.name: line.total for line in call_off(session)}
        assert used[WARM.name] == 2 and len(asked) == 2


@pytest.mark.parametrize("spare", [0, 1])
def test_putting_a_pack_in_takes_packing_minutes_of_the_day(db: Database, spare: int) -> None:
    """The parcel alone fits into the day to the minute; a pack of two minutes needs two more."""
    with db.writing() as session:
        _frosty(session, -4.0, WARM)
        session.exec(select(TravelPack)).one().minutes = 2.0
        needed = parcel_for(session, session.get_one(Site, 1), caltha(2)).minutes
        session.get_one(Site, 1).packing_minutes_a_day = needed + 1 + spare
        session.flush()
        found = quote(session, caltha(2), HERE, TUESDAY, TUESDAY)
        if not spare:
            assert [why.code for why in found.closed_days[0].reasons] == ["packing_full"]
            return
        (option,) = found.options
        made = reserve(session, "O-1", caltha(2), HERE, option.ship_on, option.service, "shop")
        assert made.minutes == needed + 2
        confirm(session, made.id or 0, "shop")
        (slip,) = pick_sheet(session, TUESDAY).slips
        assert (slip.minutes, slip.packs) == (needed + 2, ("1 heat pack 72 h against frost",))


def _cold_tuesday(session: Session) -> tuple[Promise, int, int]:
    """A promise for a Tuesday that needs a pack of two minutes; from Wednesday on it is mild.

    With the minutes that two and that one of its product take to pack without packs.
    """
    (option,) = _frosty(session, -4.0, WARM).options
    session.exec(select(TravelPack)).one().minutes = 2.0
    for row in session.exec(select(Forecast).where(Forecast.day > TUESDAY)):
        row.min_c = 4.0
    session.flush()
    made = reserve(session, "O-1", caltha(2), HERE, TUESDAY, option.service, "shop")
    here = session.get_one(Site, 1)
    two, one = (parcel_for(session, here, caltha(many)).minutes for many in (2, 1))
    assert made.minutes == two + 2 and one < two
    return made, two, one


def test_another_day_another_basket_and_both_take_the_minutes_of_the_packs_they_need(
    db: Database,
) -> None:
    with db.writing() as session:
        made, two, one = _cold_tuesday(session)
        key = made.id or 0
        assert amend(session, key, "shop", ship_on=WEDNESDAY).minutes == two
        assert amend(session, key, "shop", basket=caltha(1), ship_on=TUESDAY).minutes == one + 2
        assert amend(session, key, "shop", basket=caltha(2)).minutes == two + 2
        assert amend(session, key, "shop", basket=caltha(1)).minutes == one + 2


def test_fewer_plants_lose_the_minutes_of_a_pack_that_is_not_needed_any_more(db: Database) -> None:
    with db.writing() as session:
        made, _, one = _cold_tuesday(session)
        _turns(session, 4.0)
        assert amend(session, made.id or 0, "shop", basket=caltha(1)).minutes == one


def test_a_day_that_is_closed_to_others_keeps_the_fewer_plants_of_its_promise(db: Database) -> None:
    """Nobody may leave that day any more, but to want less is always allowed."""
    with db.writing() as session:
        made, _, one = _cold_tuesday(session)
        session.exec(select(TravelPack)).one().hours = 1.0
        session.flush()
        assert amend(session, made.id or 0, "shop", basket=caltha(1)).minutes == one


def test_a_promise_that_the_nursery_moves_takes_the_minutes_of_its_new_day(db: Database) -> None:
    with db.writing() as session:
        made, two, _ = _cold_tuesday(session)
        confirm(session, made.id or 0, "shop")
        assert re_date(session, made.id or 0, WEDNESDAY, "Van", "Ada", "Snow.").minutes == two
        assert re_date(session, made.id or 0, TUESDAY, "Van", "Ada", "None.").minutes == two + 2
