"""Second judges of rotas, boxes, walks and bench maps, and odd tiny problems, all as JSON data.

Written from what the forms say alone (the docstrings of `solver/*/problem.py`), with no line of the
solver's: each reads the texts and answers with the plan's cost, or None where it breaks a rule.
Bench maps are judged cell by cell (bench, place, period), walks on a grid of unit steps.
"""

from __future__ import annotations

import random
from collections import Counter, deque
from collections.abc import Callable, Iterator
from fractions import Fraction
from itertools import combinations, pairwise, permutations, product
from math import ceil
from typing import Any

Data = dict[str, Any]


# --- rotas ----------------------------------------------------------------------------------


def judge_rota(problem: Data, plan: Data) -> int | None:
    turns = plan["turns"]
    tasks = {task["key"]: task for task in problem["tasks"]}
    if not set(turns) <= set(tasks):
        return None
    total = 0
    does: Counter[tuple[str, int]] = Counter()
    for key, task in tasks.items():
        if key not in turns:
            price = task["undone_cost"]
            total += problem["undone_cost"] if price is None else price
            continue
        day, team = turns[key]["day"], turns[key]["people"]
        if not _may_be(problem, task, turns, day, team):
            return None
        for person in team:
            does[person, day] += task["minutes"]
    return total + _hours(problem, does)


def _may_be(problem: Data, task: Data, turns: Data, day: int, team: list[str]) -> bool:
    """Is the task done on one of its days, by people who can, after all that it waits for?"""
    shut = problem["not_on"].get(task["kind"], [])
    if day not in range(task["earliest"], task["latest"] + 1) or day in shut:
        return False
    able = {
        person["key"]
        for person in problem["people"]
        if person["minutes"][day] and task["skill"] in ("", *person["skills"])
    }
    if not set(team) <= able or not task["persons"] == len(team) == len(set(team)):
        return False
    return all(
        first["task"] in turns and turns[first["task"]]["day"] + first["days"] <= day
        for first in task["after"]
    )


def _hours(problem: Data, does: Counter[tuple[str, int]]) -> int:
    """What do days that are too long or uneven cost, and minutes beyond the week?"""
    total = 0
    work = sum(task["minutes"] * task["persons"] for task in problem["tasks"])
    there = sum(sum(person["minutes"]) for person in problem["people"])
    for person in problem["people"]:
        week = 0
        for day, own in enumerate(person["minutes"]):
            minutes = does[person["key"], day]
            week += minutes
            if minutes > own:
                total += problem["long_day_cost"] * (minutes - own)
            share = ceil(min(Fraction(own), Fraction(work * own, there))) if there else 0
            if minutes > share:
                total += problem["uneven_cost"] * (minutes - share)
        for minute in range(sum(person["minutes"]), week):
            agreed = minute < sum(person["minutes"]) + person["overtime"]
            total += problem["overtime_cost" if agreed else "beyond_cost"]
    return total


def odd_rota(seed: int) -> Data:
    chance = random.Random(seed)
    pick, some = chance.choice, chance.randint
    days, people = some(1, 3), some(0, 3)
    tasks: list[Data] = []
    for at in range(some(0, 3)):
        first = some(0, days - 1)
        task: Data = {"key": f"T{at}", "kind": pick(("move", "count")), "minutes": some(0, 9)}
        task |= {
            "earliest": first,
            "latest": some(first, days - 1),
            "persons": pick((1, 1, 1, 2, 4)),
        }
        task |= {"skill": pick(("", "", "", "knife")), "undone_cost": pick((None, None, 0, 40))}
        others = [f"T{some(0, at - 1)}" for _ in range(pick((0, 0, 1, 2)))] if at else []
        task["after"] = [{"task": other, "days": pick((0, 0, 1, 2))} for other in others]
        tasks.append(task)
    low = some(0, 30)
    return {
        "form": "rota-problem/1",
        "days": days,
        "people": [
            {
                "key": f"P{at}",
                "minutes": [pick((0, 1, 5, 8, 12)) for _ in range(days)],
                "overtime": pick((0, 0, 3)),
                "skills": pick(([], ["knife"], ["knife", "van"])),
            }
            for at in range(people)
        ],
        "tasks": tasks,
        "not_on": {"move": [day for day in range(-1, days + 1) if chance.random() < 0.2], "x": [0]},
        "overtime_cost": low,
        "beyond_cost": low + some(0, 40),
        "long_day_cost": some(0, 20),
        "uneven_cost": some(0, 4),
        "undone_cost": pick((0, 60, 1_000_000)),
    }


def every_rota(problem: Data) -> Iterator[Data]:
    people = [person["key"] for person in problem["people"]]
    turns: list[list[Data | None]] = []
    for task in problem["tasks"]:
        teams = list(combinations(people, task["persons"]))
        days = range(problem["days"])
        turns.append([None, *({"day": d, "people": list(team)} for d in days for team in teams)])
    keys = [task["key"] for task in problem["tasks"]]
    for choice in product(*turns):
        found = {key: turn for key, turn in zip(keys, choice, strict=True) if turn is not None}
        yield {"form": "rota-plan/1", "turns": found}


def bent_rota(problem: Data, plan: Data, chance: random.Random) -> None:
    keys = [*(task["key"] for task in problem["tasks"]), "none such"]
    people = [*(person["key"] for person in problem["people"]), "nobody"]
    key, turns = chance.choice(keys), plan["turns"]
    way = chance.random()
    if key not in turns or way < 0.3:
        team = chance.sample(people, min(len(people), chance.randint(0, 2)))
        turns[key] = {"day": chance.randint(-1, problem["days"]), "people": team}
    elif way < 0.6:
        turns[key]["day"] = chance.randint(0, problem["days"] - 1)
    elif way < 0.8:
        turns[key]["people"] = [chance.choice(people) for _ in turns[key]["people"]]
    else:
        del turns[key]


# --- boxes ----------------------------------------------------------------------------------


def judge_boxes(problem: Data, plan: Data) -> int | None:
    items = {item["key"]: item for item in problem["items"]}
    boxes = {box["key"]: box for box in problem["boxes"]}
    left = {key: item["count"] for key, item in items.items()}
    total = 0
    for packed in plan["boxes"]:
        if packed["box"] not in boxes:
            return None
        kind = boxes[packed["box"]]
        free, weighs = kind["room"], kind["weight"]
        for key, count in packed["holds"]:
            if key not in items or count < 1:
                return None
            left[key] -= count
            free -= items[key]["room"] * count
            weighs += items[key]["weight"] * count
        sent = [band["price"] for band in problem["bands"] if band["up_to"] >= weighs]
        if free < 0 or weighs > problem["lift"] or (problem["bands"] and not sent):
            return None
        total += kind["price"] + min(sent, default=0)
    return total if not any(left.values()) else None


def odd_boxes(seed: int) -> Data:
    chance = random.Random(seed)
    pick, some = chance.choice, chance.randint
    items = [
        {"key": f"i{at}", "count": some(0, 3), "room": some(0, 5), "weight": some(0, 5)}
        for at in range(some(0, 3))
    ]
    boxes = [
        {"key": f"b{at}", "room": some(0, 9), "weight": some(0, 4), "price": some(0, 9)}
        for at in range(some(0, 2))
    ]
    roomy = {"key": "roomy", "room": some(5, 12), "weight": some(0, 2), "price": some(0, 20)}
    bands = [{"up_to": some(3, 20), "price": some(0, 9)} for _ in range(pick((0, 0, 1, 3)))]
    if bands:
        bands.append({"up_to": some(7, 20), "price": some(0, 15)})
    whole = {"form": "boxing-problem/1", "items": items, "boxes": [*boxes, roomy]}
    return whole | {"bands": bands, "lift": some(7, 25)}


def cheapest_boxes(problem: Data) -> int:
    """The least cost over all ways to take bundles into a box, box after box."""
    items = problem["items"]
    price: dict[tuple[int, ...], int] = {}
    for inside in product(*(range(item["count"] + 1) for item in items)):
        holds = [[item["key"], n] for item, n in zip(items, inside, strict=True) if n]
        alone = [item | {"count": n} for item, n in zip(items, inside, strict=True)]
        small = problem | {"items": alone}
        costs = [
            judge_boxes(small, {"boxes": [{"box": box["key"], "holds": holds}]})
            for box in problem["boxes"]
        ]
        found = [cost for cost in costs if cost is not None]
        if holds and found:
            price[inside] = min(found)
    least = {tuple(0 for _ in items): 0}
    for want in product(*(range(item["count"] + 1) for item in items)):
        for inside, cost in price.items():
            rest = tuple(n - m for n, m in zip(want, inside, strict=True))
            if rest in least:
                least[want] = min(least.get(want, 10**9), least[rest] + cost)
    return least[tuple(item["count"] for item in items)]


def bent_boxes(problem: Data, plan: Data, chance: random.Random) -> None:
    boxes, way = plan["boxes"], chance.random()
    keys = [*(item["key"] for item in problem["items"]), "none such"]
    kinds = [*(box["key"] for box in problem["boxes"]), "bag"]
    full = [box for box in boxes if box["holds"]]
    if way < 0.3 and boxes:
        chance.choice(boxes)["box"] = chance.choice(kinds)
    elif way < 0.5 and full:  # one bundle goes into another box
        one, other = chance.choice(full), chance.choice(boxes)
        held = chance.choice(one["holds"])
        held[1] -= 1
        other["holds"].append([held[0], 1])
        one["holds"] = [each for each in one["holds"] if each[1]]
    elif way < 0.6 and full:
        chance.choice(chance.choice(full)["holds"])[1] += chance.choice((-1, 1))
    elif way < 0.7 and boxes:
        boxes.remove(chance.choice(boxes))
    elif way < 0.85:
        boxes.append({"box": chance.choice(kinds), "holds": []})
    else:
        holds = [[chance.choice(keys), chance.randint(0, 1)]]
        boxes.append({"box": chance.choice(kinds), "holds": holds})


# --- walks ----------------------------------------------------------------------------------


def steps_from(problem: Data, start: tuple[int, int]) -> dict[tuple[int, int], int]:
    """Unit steps to every spot: along an aisle anywhere, across at the front and at the back."""
    xs = [problem["table"], *(stop["x"] for stop in problem["stops"])]
    low, high, depth = min(xs), max(xs), problem["depth"]
    far, todo = {start: 0}, deque([start])
    while todo:
        x, y = todo.popleft()
        near = [(x, y - 1), (x, y + 1)] if x in xs else []
        near += [(x - 1, y), (x + 1, y)] if y in (0, depth) else []
        for spot in near:
            if spot not in far and low <= spot[0] <= high and 0 <= spot[1] <= depth:
                far[spot] = far[x, y] + 1
                todo.append(spot)
    return far


def judge_walks(problem: Data, plan: Data) -> int | None:
    spots = {stop["key"]: (stop["x"], stop["y"]) for stop in problem["stops"]}
    loads = {stop["key"]: stop["load"] for stop in problem["stops"]}
    walked = [key for walk in plan["walks"] for key in walk]
    if sorted(walked) != sorted(spots):
        return None
    total = 0
    for walk in plan["walks"]:
        if sum(loads[key] for key in walk) > problem["trolley"]:
            return None
        table = (problem["table"], 0)
        way = [table, *(spots[key] for key in walk), table]
        total += sum(steps_from(problem, one)[other] for one, other in pairwise(way))
    return total


def odd_walks(seed: int) -> Data:
    chance = random.Random(seed)
    some = chance.randint
    depth, trolley = some(0, 5), some(1, 7)
    xs = [some(-3, 5) for _ in range(some(1, 3))]
    stops = [
        {"key": f"s{at}", "x": chance.choice(xs), "y": some(0, depth), "load": some(0, trolley)}
        for at in range(some(0, 4))
    ]
    whole = {"form": "walking-problem/1", "stops": stops, "depth": depth, "trolley": trolley}
    return whole | {"table": chance.choice([*xs, 0])}


def shortest_walks(problem: Data) -> int:
    """The least length over all orders of all stops, cut into walks in every way."""
    keys = [stop["key"] for stop in problem["stops"]]
    known: dict[tuple[str, ...], int | None] = {}

    def alone(walk: tuple[str, ...]) -> int | None:
        if walk not in known:
            stops = [stop for stop in problem["stops"] if stop["key"] in walk]
            known[walk] = judge_walks(problem | {"stops": stops}, {"walks": [walk]})
        return known[walk]

    found = []
    for order in permutations(keys):
        least: list[int] = [0]
        for end in range(1, len(order) + 1):
            cut = [(least[at], alone(order[at:end])) for at in range(end)]
            least.append(min(so_far + more for so_far, more in cut if more is not None))
        found.append(least[-1])
    return min(found)


def bent_walks(problem: Data, plan: Data, chance: random.Random) -> None:
    walks, way = plan["walks"], chance.random()
    keys = [*(stop["key"] for stop in problem["stops"]), "none such"]
    full = [walk for walk in walks if walk]
    if way < 0.4 and full:
        chance.shuffle(chance.choice(full))
    elif way < 0.6 and full:
        one, other = chance.choice(full), chance.choice(walks)
        other.insert(0, one.pop(chance.randrange(len(one))))
    elif way < 0.75 and full:  # one walk becomes two
        one = chance.choice(full)
        walks.append([one.pop() for _ in range(chance.randint(0, len(one)))])
    elif way < 0.85 and full:
        chance.choice(full).pop()
    elif way < 0.95 and walks:
        chance.choice(walks).append(chance.choice(keys))
    else:
        walks.append([])


# --- bench maps -----------------------------------------------------------------------------


def judge_map(problem: Data, plan: Data) -> int | None:
    stands = {stand["key"]: stand for stand in problem["stands"]}
    benches = {b["key"]: (b, area) for area in problem["areas"] for b in area["benches"]}
    if not set(plan["places"]) <= set(stands):
        return None
    total = 0
    cells: dict[str, set[tuple[str, int]]] = {}
    for key, stand in stands.items():
        mine = _stands_on(stand, plan["places"].get(key, []), benches)
        if mine is None or len(mine) > stand["places"] or len(set(mine)) < len(mine):
            return None
        cells[key] = set(mine)
        if stand["fixed"] and cells[key] != spots_of(stand["fixed"]):
            return None
        total += _stand_cost(problem, stand, cells[key], benches)
    for one, other in permutations(stands.values(), 2):
        if not (one["fixed"] and other["fixed"]) and _clash(problem, one, other, cells):
            return None
    return total


def _stands_on(stand: Data, blocks: list[Data], benches: Data) -> list[tuple[str, int]] | None:
    """The places of these blocks; None where the stand may not have them, whoever else is there."""
    mine: list[tuple[str, int]] = []
    for block in blocks:
        if block["bench"] not in benches or block["places"] < 1:
            return None
        bench, area = benches[block["bench"]]
        run = range(block["first"], block["first"] + block["places"])
        if area["key"] != stand["area"] or run[0] < 0 or run[-1] >= bench["places"]:
            return None
        if stand["bench"] not in (None, bench["key"]):
            return None
        periods = range(stand["enters"], stand["leaves"])
        shut = any(first <= t < until for first, until in bench["closed"] for t in periods)
        if not stand["fixed"] and (shut or block["places"] % stand["tray_places"]):
            return None
        mine += [(bench["key"], place) for place in run]
    return mine


def spots_of(blocks: list[Data]) -> set[tuple[str, int]]:
    return {(b["bench"], b["first"] + n) for b in blocks for n in range(b["places"])}


def _stand_cost(problem: Data, stand: Data, mine: set[tuple[str, int]], benches: Data) -> int:
    short = (stand["places"] - len(mine)) * (stand["leaves"] - stand["enters"])
    runs = sum((bench, place - 1) not in mine for bench, place in mine)
    houses = len({benches[bench][0]["growing_area"] for bench, _ in mine})
    cost: int = short * problem["short_cost"]
    cost += (max(0, runs - 1) + max(0, houses - 1)) * problem["split_cost"]
    if stand["last"] and not stand["fixed"] and mine != spots_of(stand["last"]):
        cost += problem["change_cost"]
    return cost


def _clash(problem: Data, one: Data, other: Data, cells: dict[str, set[tuple[str, int]]]) -> bool:
    """Does the one stand where the other stands or is cleaned up after, or too near to it?"""
    gap = {area["key"]: area["gap"] for area in problem["areas"]}[other["area"]]
    here = set(range(one["enters"], one["leaves"]))
    if cells[one["key"]] & cells[other["key"]] and here & set(
        range(other["enters"], other["leaves"] + gap)
    ):
        return True
    if not here & set(range(other["enters"], other["leaves"])) or one["crop"] == other["crop"]:
        return False
    rules = [
        rule["distance"]
        for rule in problem["apart"]
        if {one["crop"], other["crop"]} <= set(rule["crops"])
    ]
    return any(
        bench == its and (distance is None or abs(place - spot) - 1 < distance)
        for distance in rules
        for bench, place in cells[one["key"]]
        for its, spot in cells[other["key"]]
    )


def odd_map(seed: int) -> Data:
    chance = random.Random(seed)
    pick, some = chance.choice, chance.randint
    areas = []
    for name, houses in (("a", ("", "east")), ("b", ("west",)))[: pick((1, 1, 2))]:
        benches = [
            {
                "key": f"{name}{at}",
                "places": pick((0, 1, 2, 3)),
                "growing_area": pick(houses),
                "closed": [[f := some(-1, 4), f + some(1, 2)]] if chance.random() < 0.2 else [],
            }
            for at in range(some(0, 2))
        ]
        areas.append({"key": name, "benches": benches, "gap": pick((0, 0, 1, 2))})
    stands: list[Data] = []
    used: set[tuple[str, int, int]] = set()
    for at in range(some(0, 3)):
        area, enters, tray = pick(areas), some(0, 3), pick((1, 1, 1, 2))
        benches, leaves = area["benches"], enters + some(1, 2)
        stand: Data = {"key": f"S{at}", "area": area["key"], "crop": pick("xyz")}
        stand |= {"places": tray * some(1, 2), "enters": enters, "leaves": leaves}
        stand |= {"tray_places": tray, "bench": None, "fixed": [], "last": []}
        real = [bench for bench in benches if bench["places"]]
        if benches and chance.random() < 0.2:
            stand["bench"] = pick(benches)["key"]
        elif real and chance.random() < 0.2:
            bench = pick(real)
            first = some(0, bench["places"] - 1)
            most = min(stand["places"], bench["places"] - first)
            fixed = {"bench": bench["key"], "first": first, "places": some(1, most)}
            its = {(*spot, t) for spot in spots_of([fixed]) for t in range(enters, leaves)}
            stand["fixed"] = [] if its & used else [fixed]
            used |= its if stand["fixed"] else set()
        if chance.random() < 0.3:
            name = pick([*(bench["key"] for bench in benches), "sold"])
            stand["last"] = [{"bench": name, "first": some(0, 2), "places": some(1, 2)}]
        stands.append(stand)
    rules = [
        {"crops": pick((["x", "y"], ["x", "y", "z"], ["z"])), "distance": pick((None, 0, 1, 2))}
        for _ in range(pick((0, 0, 1, 2)))
    ]
    whole: Data = {"form": "bench-problem/1", "periods": 5, "areas": areas, "stands": stands}
    prices = {f"{name}_cost": pick((0, some(0, 60))) for name in ("short", "split", "change")}
    return whole | {"apart": rules} | prices


def every_map(problem: Data) -> Iterator[Data]:
    """Every set of places of its area for every stand; runs of places are blocks."""
    benches = {area["key"]: area["benches"] for area in problem["areas"]}
    choices = []
    for stand in problem["stands"]:
        spots = [(b["key"], n) for b in benches[stand["area"]] for n in range(b["places"])]
        sizes = range(min(stand["places"], len(spots)) + 1)
        if stand["fixed"]:
            choices.append([stand["fixed"]])
        else:
            choices.append([runs_of(some) for n in sizes for some in combinations(spots, n)])
    keys = [stand["key"] for stand in problem["stands"]]
    for choice in product(*choices):
        yield {"form": "bench-plan/1", "places": dict(zip(keys, choice, strict=True))}


def runs_of(spots: tuple[tuple[str, int], ...]) -> list[Data]:
    blocks: list[Data] = []
    for bench, place in sorted(spots):
        last = blocks[-1] if blocks else None
        if last and last["bench"] == bench and last["first"] + last["places"] == place:
            last["places"] += 1
        else:
            blocks.append({"bench": bench, "first": place, "places": 1})
    return blocks


def bent_map(problem: Data, plan: Data, chance: random.Random) -> None:
    places, way = plan["places"], chance.random()
    names = [b["key"] for area in problem["areas"] for b in area["benches"]] + ["sold"]
    key = chance.choice([*(stand["key"] for stand in problem["stands"]), "none such"])
    blocks = places.setdefault(key, []) if way > 0.1 or key in places else []
    if way < 0.3 and blocks:
        chance.choice(blocks)["first"] += chance.choice((-1, 1))
    elif way < 0.5 and blocks:
        chance.choice(blocks)["places"] += chance.choice((-1, 1))
    elif way < 0.65 and blocks:
        chance.choice(blocks)["bench"] = chance.choice(names)
    elif way < 0.8:
        places.pop(key, None)
    else:
        name, first = chance.choice(names), chance.randint(0, 2)
        blocks.append({"bench": name, "first": first, "places": chance.randint(0, 2)})


Bend = Callable[[Data, Data, random.Random], None]
