"""The sheets of shade and of travelling: layers, the kept calendar, trials, packs, care cards."""

from datetime import date, datetime
from functools import partial

from nursery.shading import ShadeChange, ShadeSetting
from nursery.travelling import (
    HEAVIEST_G,
    LONGEST_TRIAL_HOURS,
    MEAN_C,
    MOST_DRUNK_G_PER_H,
    NIGHT_C,
    CareCard,
    ParcelBox,
    TravelPack,
    WrapTrial,
)
from nursery.workbook.sheet import Reference, Sheet, Type, column, naming

_area = naming("Area", "Mist house", help="as in Areas")
_in_area = (Reference("area_id", "Areas", ("Area",)),)

_c = partial(column, ShadeSetting)
SHADE = Sheet(
    "Shade",
    ShadeSetting,
    ("Area",),
    (
        _area,
        _c("Layers at most", "most_layers", 3, unit="shade layers", low=0, high=9),
        _c("Limit", "limit_c", 24.0, unit="°C", celsius=True, low=-10, high=50,
           help="felt maximum; blank: the lowest of the crops that stand there"),
        _c("Chance", "chance", 0.9, type=Type.SHARE, above=0, below=1,
           help="share of years in which no day of a week reaches the limit"),
        _c("Change minutes", "change_minutes", 20.0, unit="minutes of each person and layer",
           low=0, high=1440),
        _c("Persons", "persons", 2, low=1, high=20, help="who put a layer on or off together"),
        _c("Change cost", "change_cents", 500, unit="cents a day with a change",
           low=0, high=10**9),
        _c("Light cost", "light_cents", 300, unit="cents a layer and week", low=0, high=10**9),
        _c("Cover", "cover_c", 2.0, unit="°C that a cover keeps off in a frost night",
           low=0, high=20),
        _c("Cover minutes", "cover_minutes", 20.0, unit="minutes to cover and uncover it all",
           low=0, high=1440),
        _c("Carry minutes", "carry_minutes", 2.0, unit="minutes a tray, in and out again",
           low=0, high=1440),
    ),
    _in_area,
    help="How each area is shaded and covered. Estimates: local rules on lifting rule.",
)  # fmt: skip
_c = partial(column, ShadeChange)
SHADE_CALENDAR = Sheet(
    "Shade calendar",
    ShadeChange,
    ("Area", "From"),
    (
        _area,
        _c("From", "on_day", date(2027, 5, 17)),
        _c("Layers", "layers", 2, unit="shade layers on from that day", low=0, high=9),
        _c("Decided by", "decided_by", "Ada"),
    ),
    _in_area,
    help="The kept calendar: `nursery shade --keep` writes it, and so may you.",
)
_c = partial(column, WrapTrial)
WRAP_TRIALS = Sheet(
    "Wrap trials",
    WrapTrial,
    ("Wrap", "Weighed at"),
    (
        naming("Wrap", "moss and paper", help="as in Wraps"),
        _c("Weighed at", "weighed_at", datetime(2027, 2, 22, 12, 0), help="the first weighing"),
        _c("Before", "grams_before", 412.0, unit="g", above=0, high=HEAVIEST_G),
        _c("After", "grams_after", 396.5, unit="g", low=0, high=HEAVIEST_G),
        _c("Hours", "hours", 24.0, unit="hours between the weighings", above=0,
           high=LONGEST_TRIAL_HOURS),
        _c("Mean", "mean_c", 15.0, unit="°C of the air, mean", celsius=True,
           low=MEAN_C[0], high=MEAN_C[1]),
        _c("Humidity", "humidity", 0.6, type=Type.SHARE, low=0, below=1,
           help="of the air, mean; blank: the night's minimum is given"),
        _c("Night", "night_c", None, unit="°C", celsius=True, low=NIGHT_C[0], high=NIGHT_C[1],
           help="the night's minimum, where nobody measured humidity"),
        _c("Plants drink", "plants_take_g_per_h", 0.0, unit="g an hour", low=0,
           high=MOST_DRUNK_G_PER_H),
        _c("Weighed by", "weighed_by", "Ada"),
    ),
    (Reference("wrap_id", "Wraps", ("Wrap",)),),
    help="Two weighings of a trial parcel: how fast a wrap dries. They rule over Conductance.",
)  # fmt: skip
_c = partial(column, TravelPack)
PACKS = Sheet(
    "Packs",
    TravelPack,
    ("Name",),
    (
        _c("Name", "name", "heat pack 40 h"),
        _c("Against", "against", "frost"),
        _c("Hours", "hours", 40.0, unit="hours that it lasts", above=0, high=1000),
        _c("Covers", "covers_c", 5.0, unit="°C that it keeps off", above=0, high=40),
        _c("Outside", "outside_c", -10.0, unit="°C", celsius=True, low=-40, high=60,
           help="coldest (frost) or hottest (heat) air in which it is trusted"),
        _c("Cost", "cost_cents", 140, unit="cents", low=0, high=10**9),
        _c("Weight", "weight_g", 90, unit="g", low=0, high=100_000),
        _c("Minutes", "minutes", 0.5, unit="minutes to put it in", low=0, high=1440),
        _c("In stock", "in_stock", 40, low=0, high=10**6, help="blank: nobody has counted them"),
        _c("Spare", "spare", 5, low=0, high=10**6, help="kept back"),
        _c("Lead", "lead_days", 14, unit="days on the way", low=0, high=366),
        _c("Sold in", "sold_in", 10, unit="packs at a time", low=1, high=100_000),
    ),
    help="Heat and cold packs that may open a held day. Test each with a logger first.",
)  # fmt: skip
_c = partial(column, ParcelBox)
BOXES = Sheet(
    "Boxes",
    ParcelBox,
    ("Name",),
    (
        _c("Name", "name", "small box"),
        _c("Room", "room", 24, unit="plugs of the usual size", low=1, high=100_000),
        _c("Weight", "weight_g", 180, unit="g, empty", low=0, high=100_000),
        _c("Cost", "cost_cents", 65, unit="cents", low=0, high=10**9),
        _c("Vapour", "vapour_share", 1.0, type=Type.SHARE, above=0, high=1,
           help="share of what a wrap loses in the open that gets out; weigh a trial parcel in it"),
    ),
    help="Kinds of boxes. Without any, the pick sheet does not say which box to take.",
)  # fmt: skip
_c = partial(column, CareCard)
CARE_CARDS = Sheet(
    "Care cards",
    CareCard,
    ("Product",),
    (
        naming("Product", "CP-6", help="Code in Products"),
        _c("Unwrap", "unwrap", "", help="blank in any column: the usual sentence"),
        _c("Within", "within_days", 2, unit="days until potted or planted", low=1, high=60),
        _c("Pot or plant", "plant", "", help="how and where"),
        _c("Shade", "shade", ""),
        _c("Pests", "pests", ""),
        _c("Also", "more", "hardy once it has rooted"),
    ),
    (Reference("product_id", "Products", ("Product",)),),
    help="What the card in the parcel says of each product.",
)
