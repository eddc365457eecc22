"""The sheets of selling: wraps, products, carriers, zones, closures, demand, orders."""

from datetime import date, datetime, time
from functools import partial

from nursery.carrier import CarrierService, Closure, PostageBand, Transit, Zone, ZonePrefix
from nursery.demand import Demand
from nursery.material import Material
from nursery.order import CustomerOrder, OrderLine, Product, Substitute, Wrap
from nursery.workbook.growing_sheets import MOST
from nursery.workbook.sheet import Reference, Sheet, Type, column, naming

_crop = naming("Crop", "Caltha palustris", help="as in Crops: Botanical name 'Cultivar'")
_zone = naming("Zone", "Low land", help="as in Zones")

_c = partial(column, Wrap)
WRAPS = Sheet(
    "Wraps",
    Wrap,
    ("Name",),
    (
        _c("Name", "name", "moss and paper"),
        _c("Water", "water_g", 120.0, unit="g held when packed", low=0, high=100_000),
        _c("Least water", "minimum_water_g", 30.0, unit="g", low=0, high=100_000),
        _c("Conductance", "conductance_g_per_h_kpa", 0.8, unit="g per hour and kPa",
           low=0, high=1000),
        _c("Cost", "cost_cents", 20, unit="cents", low=0, high=MOST),
        _c("Minutes", "minutes", 0.5, unit="minutes", low=0, high=10_000),
    ),
)  # fmt: skip
_c = partial(column, Material)
_amount = partial(_c, low=0, high=10**6)
MATERIALS = Sheet(
    "Materials",
    Material,
    ("Name",),
    (
        _c("Name", "name", "plug compost"),
        _c("Kind", "kind", "substrate"),
        _c("Unit", "unit", "litres"),
        _c("Used for", "used_for", "tray", help="each tray filled, batch, bundle or parcel"),
        _amount("Amount", "amount", 2.4, unit="of it for each"),
        naming("Tray format", "104", needed=False, help="for trays of this format alone"),
        naming("Wrap", None, needed=False, help="for bundles in this wrap alone"),
        _amount("In stock", "in_stock", 700.0, help="blank: nobody has counted it"),
        _amount("Spare", "spare", 70.0, help="never used up by plan"),
        _c("Lead", "lead_days", 14, unit="days after the order", low=0, high=1000),
        _c("Pack", "pack", 70.0, above=0, high=10**6, help="the supplier sends whole packs"),
    ),
    (
        Reference("tray_format_id", "Tray formats", ("Tray format",), needed=False),
        Reference("wrap_id", "Wraps", ("Wrap",), needed=False),
    ),
    help="What is used up by starting, moving and posting plants, and how soon more comes.",
)
_c = partial(column, Product)
PRODUCTS = Sheet(
    "Products",
    Product,
    ("Code",),
    (
        _c("Code", "code", "CP-6", help="the shop's own"),
        _c("Name", "name", "Caltha palustris, 6 plugs"),
        _crop,
        _c("Grade", "grade", "A"),
        _c("Plugs", "plugs", 6, unit="plugs", low=1, high=100_000),
        naming("Wrap", "moss and paper", needed=False, help="as in Wraps"),
        _c("Heat limit", "heat_limit_c", 28.0, unit="°C", celsius=True, low=-10, high=50),
        _c("Frost limit", "frost_limit_c", -3.0, unit="°C", celsius=True, low=-40, high=20),
        _c(
            "Caution",
            "caution_c",
            1.0,
            unit="°C",
            low=0,
            high=10,
            help="a forecast nearer to a limit is shown with a caution; nothing is held by it",
        ),
        _c("Days in the box", "max_days_in_box", 4, unit="days at most", low=1, high=60),
        _c("Minutes", "minutes", 1.0, unit="minutes to pick and wrap", low=0, high=10_000),
        _c("Price", "price_cents", 1450, unit="cents", low=0, high=MOST),
        _c("Priority", "priority", 1.0, above=0, high=1000, help="beside the crop's own"),
        _c(
            "Box units",
            "box_units",
            0,
            unit="of a box's room",
            low=0,
            high=MOST,
            help="0: one a plug; larger plugs take more",
        ),
        _c("Weight", "weight_g", 0, unit="g, wrapped and moist", low=0, high=10**6),
    ),
    (
        Reference("crop_id", "Crops", ("Crop",)),
        Reference("wrap_id", "Wraps", ("Wrap",), needed=False),
    ),
)
_c = partial(column, Substitute)
SUBSTITUTES = Sheet(
    "Substitutes",
    Substitute,
    ("Product", "Substitute"),
    (
        naming("Product", "CP-6", help="Code in Products: what was ordered"),
        naming("Substitute", "PRG-6", help="Code in Products: what may be sent for it"),
        _c("Place", "place", 1, low=1, high=1000, help="1 is taken first"),
    ),
    (
        Reference("product_id", "Products", ("Product",)),
        Reference("other_id", "Products", ("Substitute",)),
    ),
    help="Which product may be sent for which, to customers who agreed. One way only.",
)
_c = partial(column, CarrierService)
SERVICES = Sheet(
    "Services",
    CarrierService,
    ("Name",),
    (
        _c("Name", "name", "Van"),
        _c("Collects", "collects", "1111100", help="Monday first, 1 = collects"),
        _c("Delivers", "delivers", "1111110", help="Monday first, 1 = delivers"),
        _c("Collection time", "collection_time", time(15, 30)),
        _c("Cut-off", "cut_off", time(12, 0)),
        _c("Cut-off days", "cut_off_days_before", 1, unit="open days before the pack day",
           low=0, high=30),
        _c("Pack same day", "pack_same_day", True),
        _c("Price", "price_cents", 795, unit="cents a parcel", low=0, high=MOST),
        _c("Vehicles warmer", "warmer_c", 0.0, unit="°C", low=0, high=30,
           help="than the air outside: a logger in a trial parcel and one in the shade, three hot "
           "days, the largest difference of the days' maxima"),
    ),
)  # fmt: skip
_c = partial(column, Zone)
ZONES = Sheet(
    "Zones",
    Zone,
    ("Name",),
    (
        _c("Name", "name", "Low land"),
        _c("Country", "country", "NL", help="ISO 3166 code of two letters"),
        _c("Holiday region", "holiday_region", "NL", help="country or country-subdivision"),
        naming("Station", "Home", needed=False, help="as in Stations: its weather"),
        _c("Blocked", "blocked", "", help="why nothing is sent there; blank: open"),
    ),
    (Reference("station_id", "Stations", ("Station",), needed=False),),
)
_c = partial(column, ZonePrefix)
ZONE_PREFIXES = Sheet(
    "Zone prefixes",
    ZonePrefix,
    ("Country", "Prefix"),
    (
        _zone,
        _c("Country", "country", "NL", help="ISO 3166 code of two letters"),
        _c("Prefix", "prefix", "", help="postcodes that begin so; blank: the whole country"),
    ),
    (Reference("zone_id", "Zones", ("Zone",)),),
    help="Which zone a postcode is in: the longest prefix wins.",
)
_c = partial(column, Transit)
TRANSIT = Sheet(
    "Transit",
    Transit,
    ("Service", "Zone", "Delivery days"),
    (
        naming("Service", "Van", help="as in Services"),
        _zone,
        _c("Delivery days", "delivery_days", 1, unit="J+n", low=1, high=60),
        _c("Share", "percent", 100.0, unit="per cent of parcels that arrive that day",
           above=0, high=100),
    ),
    (
        Reference("service_id", "Services", ("Service",)),
        Reference("zone_id", "Zones", ("Zone",)),
    ),
    help="The shares of one service and zone sum to 100 per cent.",
)  # fmt: skip
_c = partial(column, PostageBand)
POSTAGE = Sheet(
    "Postage",
    PostageBand,
    ("Service", "Zone", "Up to"),
    (
        naming("Service", "Van", help="as in Services"),
        _zone,
        _c("Up to", "up_to_g", 2000, unit="g, the packed box", low=1, high=10**6),
        _c("Price", "price_cents", 695, unit="cents a box", low=0, high=MOST),
    ),
    (
        Reference("service_id", "Services", ("Service",)),
        Reference("zone_id", "Zones", ("Zone",)),
    ),
    help="Bands of weight; no box is heavier than the last. Without any: the price in Services.",
)
_c = partial(column, Closure)
CLOSURES = Sheet(
    "Closures",
    Closure,
    ("Closed at", "Which", "First day"),
    (
        _c("Closed at", "closed_at", "origin"),
        _c("Which", "key", "", help="the service, zone or holiday region; blank for the origin"),
        _c("First day", "first_day", date(2027, 8, 2)),
        _c("Last day", "last_day", date(2027, 8, 6), help="included"),
        _c("Reason", "reason", "nursery holiday"),
    ),
    help="Days on which nothing is collected or delivered, beyond public holidays.",
)
_c = partial(column, Demand)
DEMAND = Sheet(
    "Demand",
    Demand,
    ("Crop", "Week", "Kind"),
    (
        _crop,
        _c("Week", "week", "2027-W18", type=Type.WEEK),
        _c("Kind", "kind", "expected sales"),
        _c("Plugs", "plugs", 300, unit="plugs", low=0, high=MOST),
    ),
    (Reference("crop_id", "Crops", ("Crop",)),),
    help="What is expected to be wanted beyond the orders on the book.",
)
_c = partial(column, CustomerOrder)
ORDERS = Sheet(
    "Orders",
    CustomerOrder,
    ("Reference",),
    (
        _c("Reference", "reference", "S-10001", help="the shop's order reference"),
        _c("Placed at", "placed_at", datetime(2027, 2, 26, 14, 5)),
        _c("Country", "country", "NL", help="ISO 3166 code of two letters"),
        _c("Postcode", "postcode", "1011AB"),
        _c("Not before", "not_before", None, help="earliest arrival"),
        _c("Not after", "not_after", None, help="latest arrival"),
        _c("May split", "may_split", False),
        _c("May substitute", "may_substitute", False, help="only with recorded consent"),
        _c("May be bought in", "may_be_bought_in", False, help="only with recorded consent"),
        _c("Weight", "weight", 1, low=1, high=1000),
        _c("Label reference", "label_reference", ""),
    ),
    help="No names or addresses: those stay with the shop.",
)
_c = partial(column, OrderLine)
ORDER_LINES = Sheet(
    "Order lines",
    OrderLine,
    ("Order", "Product"),
    (
        naming("Order", "S-10001", help="Reference in Orders"),
        naming("Product", "CP-6", help="Code in Products"),
        _c("Quantity", "quantity", 2, low=1, high=100_000),
    ),
    (
        Reference("order_id", "Orders", ("Order",)),
        Reference("product_id", "Products", ("Product",)),
    ),
)
