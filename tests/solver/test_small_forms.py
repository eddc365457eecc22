"""What files of rotas, boxes, walks and bench maps may say, and how others are refused.

As `test_dispatch_form.py` does for the dispatch problem, and then any file changed by chance, those
of dispatching and propagation among them: each is read or refused by ValueError, nothing else.
"""

from __future__ import annotations

import json
import random
from collections.abc import Callable, Iterator
from copy import deepcopy
from typing import Any

import pytest

from solver import benching, boxing, dispatching, propagation, rota, walking
from solver.benching import Apart, Area, Bench, Block, Stand
from solver.boxing import Band, Box, Item, Packed
from solver.rota import After, Person, Task, Turn
from solver.walking import Stop
from tests.solver.changed_json import Data, drop, put, twice
from tests.solver.dispatch_instances import season

ROTA = rota.Problem(
    3,
    (Person("Ada", (400, 0, 60), 30, ("knife",)), Person("Ben", (0, 90, 90))),
    (
        Task("cut", "cut", 60, 0, 2, skill="knife"),
        Task("pot", "pot", 9, 1, 2, after=(After("cut"),)),
    ),
    {"pot": (2,)},
)  # fmt: skip
BOXING = boxing.Problem(
    (Item("a", 2, 3, 400), Item("b", 1, 5, 90)),
    (Box("small", 6, 80, 20), Box("large", 9, 150, 60)),
    (Band(500, 300), Band(1000, 350)),
    lift=900,
)
WALKING = walking.Problem((Stop("a", 0, 5, 3), Stop("b", 30, 9, 4)), depth=20, trolley=5)
BENCHING = benching.Problem(
    9,
    (Area("frames", (Bench("F1", 4, "east", ((2, 4),)), Bench("F2", 3)), 1),),
    (
        Stand("A", "frames", "cress", 2, 0, 3, fixed=(Block("F2", 0, 2),)),
        Stand("B", "frames", "kale", 4, 4, 6, 2, "F1", last=(Block("F1", 0, 4),)),
    ),
    (Apart(("cress", "kale"), 1),),
)
READ: dict[str, tuple[Any, str]] = {
    "rota": (rota.Problem, ROTA.to_json()),
    "boxing": (boxing.Problem, BOXING.to_json()),
    "walking": (walking.Problem, WALKING.to_json()),
    "benching": (benching.Problem, BENCHING.to_json()),
    "rota plan": (rota.Plan, rota.Plan({"cut": Turn(0, ("Ada",))}, 7, 3).to_json()),
    "boxing plan": (boxing.Plan, boxing.Plan((Packed("large", (("a", 2),)),), 9, 9).to_json()),
    "walking plan": (walking.Plan, walking.Plan((("a",), ("b",)), 9, 4).to_json()),
    "benching plan": (benching.Plan, benching.Plan({"A": (Block("F2", 0, 2),)}, 9, 0).to_json()),
}
LOT_SIZING = propagation.Problem(
    name="two weeks",
    weeks=2,
    areas=(propagation.Area("frames", (9, 9), (0, 1)),),
    crops=(
        propagation.Crop(
            "cress", (3, 4), (0, 0), 2, 1, 90, 5, 1, 2,
            (propagation.Protocol("seed", 3, (5, 5), 9, 1, (4,),
                                  (propagation.Stage("frames", 1, 2, (0, 1)),), "stock", 1),),
        ),
    ),
    regular_minutes=(60, 60), overtime_minutes=(9, 9), wip_minutes=(0, 0),
    regular_cost=1, overtime_cost=2, beyond_cost=3, overflow_cost=50, starts_per_week=3,
    ready_area="frames", plugs_per_ready_place=10, mothers=(propagation.Mother("stock", (9, 9)),),
    fixed=(propagation.Start("seed", 0, 0, 1),), accepted=(propagation.Start("seed", 1, 0, 1),),
)  # fmt: skip
ALL = READ | {
    "dispatching": (dispatching.Problem, season(3, 3, 2, seed=1).to_json()),
    "dispatching plan": (dispatching.Plan, dispatching.Plan({"A": 3}, 9, 7).to_json()),
    "propagation": (propagation.Problem, LOT_SIZING.to_json()),
    "propagation plan": (propagation.Plan, propagation.Plan(LOT_SIZING.fixed, 9, 7).to_json()),
}


def refused(kind: str, change: Callable[[Data], None]) -> str:
    reader, text = ALL[kind]
    data = json.loads(text)
    change(data)
    with pytest.raises(ValueError) as why:
        reader.from_json(json.dumps(data))
    assert "\n" not in str(why.value)
    return str(why.value)


ANY = "input should be a valid integer"


@pytest.mark.parametrize(
    ("kind", "change", "said"),
    [
        ("rota", put("form", to="rota-problem/9"), "form must be rota-problem/1"),
        ("rota", put("days", to=True), f"Rota problem: days: {ANY}, got True; correct the file"),
        ("rota", put("days", to=2), "one number of minutes a day, got 3 for 2 days"),
        ("rota", put("days", to=-1), "days must be in 0..366, got -1"),
        ("rota", put("days", to=10**9), "days must be in 0..366, got 1000000000; plan fewer"),
        ("rota", put("people", 0, "minutes", 1, to=1.5), f"people[0].minutes[1]: {ANY}, got 1.5"),
        ("rota", put("people", 0, "skills", to="knife"), "people[0].skills: input should be a val"),
        ("rota", put("tasks", 1, "minutes", to="3"), f"tasks[1].minutes: {ANY}, got '3'"),
        ("rota", put("tasks", 1, "after", 0, "days", to=-2), "After 'cut': days must be >= 0"),
        ("rota", put("tasks", 1, "after", 0, "task", to="x"), "it waits for a task that is not th"),
        ("rota", put("tasks", 0, "undone_cost", to=-5), "leave it undone must cost >= 0, got -5"),
        ("rota", put("tasks", 0, "persons", to=0), "persons >= 1"),
        ("rota", put("not_on", "pot", to=[None]), f"not_on.pot[0]: {ANY}, got None"),
        ("rota", put("undone_cost", to=2**40), "undone_cost: input should be less than or equal"),
        ("rota", drop("tasks", 0, "kind"), "tasks[0].kind: field required; correct the file"),
        ("rota", twice("people"), "key stands twice; rename one"),
        ("rota plan", put("turns", "cut", "day", to=float("nan")), f"turns.cut.day: {ANY}, got n"),
        ("rota plan", put("turns", to=[]), "turns: input should be a valid dictionary"),
        ("boxing", put("items", 0, "count", to=1.5), f"items[0].count: {ANY}, got 1.5"),
        ("boxing", put("items", 0, "count", to=10**9), "an order may have 100000 bundles, got 100"),
        ("boxing", put("items", 0, "weight", to=-1), "Item 'a': no number may be below 0"),
        ("boxing", put("bands", 0, "price", to=-1), "no number of a band may be below 0"),
        ("boxing", put("boxes", 0, "key", to=7), "boxes[0].key: input should be a valid string"),
        ("boxing", put("lift", to=float("inf")), f"lift: {ANY}, got inf"),
        ("boxing", put("lift", to=10), "no box has room for one"),
        ("boxing", put("boxes", to=[]), "no box has room for one"),
        ("boxing", twice("items"), "an item's key stands twice; rename one"),
        ("boxing", twice("boxes"), "a box's key stands twice; rename one"),
        ("boxing plan", put("boxes", 0, "holds", 0, to=["a"]), "boxes[0].holds[0][1]: field req"),
        ("boxing plan", put("boxes", 0, "holds", 0, 1, to=True), f"holds[0][1]: {ANY}, got True"),
        ("boxing plan", put("boxes", 0, "holds", to={"a": 2}), "boxes[0].holds: input should be a"),
        ("walking", put("depth", to=None), f"depth: {ANY}, got None"),
        ("walking", put("stops", 0, "y", to="5"), f"stops[0].y: {ANY}, got '5'"),
        ("walking", put("stops", 0, "y", to=21), "Stop 'a': must lie 0 to 20 from the front"),
        ("walking", put("trolley", to=0), "trolley >= 1"),
        ("walking", put("trolley", to=2), "0 to 2, the trolley's room, got 3; split it"),
        ("walking", drop("stops", 1, "x"), "stops[1].x: field required"),
        ("walking", twice("stops"), "the key of a stop stands twice"),
        ("walking plan", put("walks", 0, to="a"), "walks[0]: input should be a valid list, got"),
        ("walking plan", put("cost", to=1.5), f"cost: {ANY}, got 1.5"),
        ("benching", put("areas", 0, "gap", to=-1), "places and gaps must be >= 0"),
        ("benching", put("periods", to=10**9), "periods must be in 0..100000, got 1000000000"),
        ("benching", put("areas", 0, "benches", 0, "closed", 0, to=[5, 2]), "got 5 until before 2"),
        ("benching", put("areas", 0, "benches", 0, "closed", 0, to=[2, 2]), "one period at least"),
        ("benching", put("stands", 1, "last", 0, "places", to=0), "blocks of the last map have pl"),
        ("benching", put("areas", 0, "benches", 0, "closed", 0, to=[5]), "closed[0]: list should"),
        ("benching", put("stands", 0, "places", to=2.0), f"stands[0].places: {ANY}, got 2.0"),
        ("benching", put("stands", 1, "places", to=3), "places must be whole trays"),
        ("benching", put("stands", 0, "fixed", to=None), "stands[0].fixed: input should be"),
        ("benching", put("stands", 0, "area", to="shed"), "there is no area 'shed'"),
        ("benching", put("apart", 0, "distance", to=-1), "a distance apart must be >= 0"),
        ("benching", twice("stands"), "a stand's key stands twice"),
        ("propagation", put("weeks", to=10**12), "weeks must be in 0..10000, got 1000000000000"),
        ("propagation", put("weeks", to=-1), "weeks must be in 0..10000, got -1; plan fewer"),
        ("benching plan", put("places", "A", 0, "first", to="0"), f"places.A[0].first: {ANY}, got"),
    ],
)  # fmt: skip
def test_a_wrong_field_is_refused_with_its_place_the_rule_and_the_value(
    kind: str, change: Callable[[Data], None], said: str
) -> None:
    told = refused(kind, change)
    assert said in told, told


@pytest.mark.parametrize("kind", ["rota", "boxing", "benching"])
def test_costs_that_would_not_add_up_exactly_are_refused(kind: str) -> None:
    """Each number may be as large as that, all of them together not (a double has 53 bits)."""
    dear, many = {
        "rota": (put("beyond_cost", to=10**12), put("tasks", 0, "minutes", to=20_000)),
        "boxing": (put("boxes", 0, "price", to=10**12), put("items", 0, "count", to=90_000)),
        "benching": (put("short_cost", to=10**12), put("stands", 1, "places", to=9_000)),
    }[kind]

    def both(data: Data) -> None:
        dear(data)
        many(data)

    said = refused(kind, both)
    assert "9007199254740992 at most" in said and "take a larger unit" in said


@pytest.mark.parametrize("kind", list(READ))
def test_what_is_no_text_of_the_form_at_all_is_refused_in_one_sentence(kind: str) -> None:
    reader, text = READ[kind]
    form = json.loads(text)["form"]
    deep = "[" * 400 + "]" * 400
    for wrong in (
        "",
        "[]",
        "7",
        "{",
        b"\xff\xfe",
        "[" * 100_000,
        "9" * 5_000,
        f'{{"form":{deep}}}',
    ):
        with pytest.raises(ValueError):
            reader.from_json(wrong)
    with pytest.raises(ValueError, match="field required; correct the file"):
        reader.from_json(json.dumps({"form": form}))
    name = next(name for name in json.loads(text) if name != "form")
    with pytest.raises(ValueError, match="a name stands once"):
        reader.from_json(text[:-1] + f', "{name}": []}}')


@pytest.mark.parametrize("kind", list(READ))
def test_fields_that_the_form_does_not_know_are_passed_over_wherever_they_stand(kind: str) -> None:
    """As in the dispatch form: others may write more than is read."""
    reader, text = READ[kind]

    def noted(value: Any, of_keys: bool = False) -> Any:
        if isinstance(value, list):
            return [noted(each) for each in value]
        if not isinstance(value, dict):
            return value
        found = {
            key: noted(each, key in ("turns", "places", "not_on")) for key, each in value.items()
        }
        return found if of_keys else found | {"note of somebody": ["blue pots"]}

    assert reader.from_json(json.dumps(noted(json.loads(text)))) == reader.from_json(text)


def test_what_a_form_may_leave_out_is_what_the_problem_has_without_it() -> None:
    data = json.loads(ROTA.to_json())
    for name in ("overtime_cost", "beyond_cost", "long_day_cost", "uneven_cost", "undone_cost"):
        del data[name]
    assert rota.Problem.from_json(json.dumps(data)) == ROTA
    assert boxing.Problem.from_json('{"form":"boxing-problem/1","items":[],"boxes":[]}') == (
        boxing.Problem((), ())
    )
    assert walking.Problem.from_json('{"form":"walking-problem/1","stops":[],"depth":3}') == (
        walking.Problem((), 3)
    )
    assert benching.Problem.from_json(
        '{"form":"bench-problem/1","periods":1,"areas":[],"stands":[]}'
    ) == benching.Problem(1, (), ())


# --- any file that chance makes of it -------------------------------------------------------

DEEP = "lists in lists"
ODD: tuple[Any, ...] = (
    None, True, False, 0, 1, -1, 2, 1.5, 2.0, -0.0, float("nan"), float("inf"), -float("inf"),
    2**40, 10**12, -(10**12), 2**63, 10**30, 1e300, "", "3", "a", "A", "F1", "\ud800", "\x00",
    [], {}, [1], [[]], {"key": "a"}, ["a", 2], DEEP,
)  # fmt: skip


def places_of(data: Any, at: tuple[Any, ...] = ()) -> Iterator[tuple[Any, ...]]:
    yield at
    if isinstance(data, dict | list):
        for key in data if isinstance(data, dict) else range(len(data)):
            yield from places_of(data[key], (*at, key))


def broken(data: Any, chance: random.Random) -> Any:
    """One to four changes: another value, one gone, one more, two swapped, a field renamed."""
    for _ in range(chance.randint(1, 4)):
        places = [at for at in places_of(data) if at]
        if not places or not isinstance(data, dict | list):
            break
        *to, last = chance.choice(places)
        inside: Any = data
        for key in to:
            inside = inside[key]
        way = chance.random()
        if way < 0.6:
            inside[last] = deepcopy(chance.choice(ODD))
        elif way < 0.75:
            del inside[last]
        elif isinstance(inside, list):
            inside.insert(last, deepcopy(inside[chance.randrange(len(inside))]))
        else:
            inside[chance.choice(("key", "days", "form", "x"))] = inside.pop(last)
    return data


def read_or_refused(kind: str, seed: int) -> bool:
    """Is a file broken by this seed read? Anything but ValueError, and a word too much, fails."""
    reader, text = ALL[kind]
    chance = random.Random(seed)
    changed = json.dumps(broken(json.loads(text), chance))
    changed = changed.replace(f'"{DEEP}"', "[" * 600 + "]" * 600)
    if chance.random() < 0.1:
        cut = chance.randrange(len(changed))
        changed = changed[:cut] + changed[cut + chance.randint(1, 3) :]
    try:
        again = reader.from_json(changed)
    except ValueError as why:
        assert why.args and "\n" not in str(why), (kind, seed)
        return False
    assert reader.from_json(again.to_json()) == again, (kind, seed)
    return True


@pytest.mark.parametrize("kind", list(ALL))
def test_a_file_broken_by_chance_is_read_or_refused_and_nothing_else(kind: str) -> None:
    read = sum(read_or_refused(kind, seed) for seed in range(250))
    assert 0 < read < 250
