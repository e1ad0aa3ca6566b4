"""Places from the owner's own list: where an address is, how far, in which order, and drawn."""

from __future__ import annotations

import itertools
import math
import random
import re
import xml.etree.ElementTree as ET
from pathlib import Path

import msgspec
import pytest
import sqlalchemy as sa

from condenser_monitor.monitor.core.errors import CommandError
from condenser_monitor.monitor.drawing.place_map import place_map
from condenser_monitor.monitor.fleet import places, tenants
from condenser_monitor.monitor.fleet.places import Place, Places
from condenser_monitor.monitor.fleet.setup import Dispatch, FleetSettings
from condenser_monitor.monitor.fleet.store import Store
from condenser_monitor.monitor.fleet.tables import state, visits
from condenser_monitor.web.fleet.app import create_app
from tests.fleet.load import site_name
from tests.fleet.office import Office, post

_LIST = "area,latitude,longitude\nTownley,40.0,-88.0\nNorth Townley,40.2,-88.0\n60601,40.0,-87.5\nMill End,39.9,-88.1\n"


def _read(tmp_path: Path, text: str, start: str = "") -> Places:
    path = tmp_path / f"{abs(hash(text))}.csv"
    path.write_text(text)
    return places.load(str(path), start)


@pytest.mark.parametrize(
    ("address", "area"),
    [
        ("4 Elm Street, Townley", "Townley"),
        ("4 Elm Street, north TOWNLEY", "North Townley"),
        ("4 Townley Road, Mill-End", "Mill End"),
        ("4 Elm Street, Townley 60601", "60601"),
        ("4 Elm Street, Townleyville", None),
        ("", None),
    ],
)
def test_an_address_lies_in_the_last_and_longest_area_that_it_names(
    tmp_path: Path, address: str, area: str | None
) -> None:
    """Whole words, in any case and with any marks between them."""
    found = _read(tmp_path, _LIST).of(address)
    assert (None if found is None else found.area) == area


@pytest.mark.parametrize(
    ("one", "other", "km"),
    [
        ((0.0, 0.0), (90.0, 0.0), 10007.557),  # a quarter of a great circle of the mean radius, pi R / 2
        ((0.0, 0.0), (0.0, 180.0), 20015.115),  # half of one
        ((45.0, 10.0), (45.0 + 1 / 60, 10.0), 1.853),  # a minute of arc; the nautical mile is 1.852 by definition
        ((60.0, 0.0), (60.0, 1 / 60), 0.9266),  # on 60 degrees a minute of longitude is half of that: cos 60 = 1/2
        ((12.0, 34.0), (12.0, 34.0), 0.0),
    ],
)
def test_distances_are_those_of_great_circles(one: tuple[float, float], other: tuple[float, float], km: float) -> None:
    """Against what geometry says of a sphere of the Earth's mean radius."""
    assert places.km(Place("a", *one), Place("b", *other)) == pytest.approx(km, rel=2e-4)


def test_the_order_of_visits_is_nearly_always_the_shortest_there_is() -> None:
    """Seven stops, every order tried: the way found is within 10 % of the best in each of 40 draws, the best one in
    three of four; it always begins at the start."""
    best_found = 0
    for seed in range(40):
        rng = random.Random(seed)
        stops = {n: Place(str(n), 40 + rng.uniform(-0.3, 0.3), -88 + rng.uniform(-0.3, 0.3)) for n in range(7)}
        start = Place("start", 40.0, -88.0)
        route = places.shortest(stops, start)
        assert sorted(route.order) == list(stops)
        lengths = {
            order: sum(places.km(*both) for both in itertools.pairwise([start, *(stops[n] for n in order)]))
            for order in itertools.permutations(stops)
        }
        best = min(lengths.values())
        assert lengths[route.order] == pytest.approx(route.km)
        assert route.km <= 1.1 * best
        best_found += math.isclose(route.km, best, rel_tol=1e-9)
    assert best_found >= 30


def test_stops_of_one_place_none_and_many_are_ordered_too(tmp_path: Path) -> None:
    """No distance between them, none at all, an address that nobody knows, two hundred on a ring."""
    known = _read(tmp_path, _LIST, "Townley")
    assert known.route(["a, Townley", "nowhere", "b, Townley"]) == ((0, 2), 0.0)
    assert known.route([]) == ((), 0.0)
    assert Places().route(["a, Townley"]) == ((), 0.0)
    ring = {n: Place(str(n), math.sin(n * math.tau / 200), math.cos(n * math.tau / 200)) for n in range(200)}
    mixed = list(ring)
    random.Random(1).shuffle(mixed)
    around = places.shortest({n: ring[n] for n in mixed}, None)
    assert around.km < 2 * math.pi * 111.3


@pytest.mark.parametrize(
    ("text", "start", "why"),
    [
        ("place,lat\nx,1\n", "", "header"),
        ("area,latitude,longitude\nx,91,0\n", "", "line 2: latitude"),
        ("area,latitude,longitude\nx,1,0\ny,1,east\n", "", "line 3: longitude"),
        ("area,latitude,longitude\n--,1,0\n", "", "line 2: area"),
        (_LIST, "Elsewhere", "start"),
    ],
)
def test_a_bad_list_is_named_by_its_line(tmp_path: Path, text: str, start: str, why: str) -> None:
    """Where, what was given, what is allowed."""
    with pytest.raises(CommandError, match=why):
        _read(tmp_path, text, start)


def test_visits_silences_and_cases_are_shown_by_place(tmp_path: Path) -> None:
    """The office with a list: a technician's day in an order by distance, cases counted by area, and the monitors that
    fell silent together on a map, north up."""
    store = Store(f"sqlite:///{tmp_path}/fleet.db")
    store.migrate()
    office = Office(store)
    path = tmp_path / "places.csv"
    path.write_text("area,latitude,longitude\nFar,41.0,-88.0\nNear,40.1,-88.0\nMiddle,40.5,-88.0\nYard,40.0,-88.0\n")
    with store.write() as connection:
        for number, area in enumerate(("Far", "Near", "Middle", "Far", "Near", "Far")):
            tenants.edit(connection, tenants.WHOLE, site_name(number), {"address": f"{number} Elm Street, {area}"})
        connection.execute(sa.update(visits).where(visits.c.status == "booked").values(due_day="2026-05-18"))
        silent = sa.update(state).where(state.c.site_id != 2)
        connection.execute(silent.values(online=False, online_at=office.now - 3600))
    settings = FleetSettings(dispatch=Dispatch(places_file=str(path), start="Yard"))
    office.app = create_app(settings, store, wall=lambda: office.now)
    office.app.testing = True
    browser = office.client("dispatcher")
    booking = {
        "kind": "plan",
        "due_day": "2026-05-18",
        "technician": str(office.people["kim"]),
        "finding": "",
        "note": "",
    }
    assert post(browser, "/password", f"/site/{site_name(1)}/visits", **booking).status_code == 302
    text = browser.get("/visits").text
    order = [text.index(f"{number} Elm Street") for number in (1, 2, 0)]  # near, middle, far
    assert order == sorted(order)
    assert "69 miles as the crow flies" in text  # one degree of latitude
    assert re.search(r"where: .*Far \d", browser.get("/").text)
    page = browser.get("/silent").text
    picture = ET.fromstring(page[page.index('<svg class="map"') : page.index("</svg>", page.index('class="map"')) + 6])
    rows = {one[0].text: float(one.get("cy", "0")) for one in picture.iter("circle") if len(one)}
    assert set(rows) == {"Far: 3 silent", "Near: 1 silent", "Near: 1 heard from", "Middle: 1 silent"}
    assert rows["Far: 3 silent"] < rows["Middle: 1 silent"] < rows["Near: 1 silent"]
    office.app = create_app(msgspec.structs.replace(settings, dispatch=Dispatch()), store, wall=lambda: office.now)
    assert "<svg" not in office.client("dispatcher").get("/silent").text
    store.close()


def test_a_map_stays_within_its_frame_wherever_the_places_lie() -> None:
    """One place, the poles, words that would break the picture; nothing for nothing."""
    assert place_map([], [("a", 1.0, 1.0)]) == ""
    for points in ([("a", 0.0, 0.0)], [("<b>&", 89.9, 10.0), ("c", -80.0, -170.0)], [("d", 40.0, 1.0)] * 5000):
        picture = ET.fromstring(place_map(points, []))
        for dot in picture.iter("circle"):
            assert 0 <= float(dot.get("cx", "-1")) <= 400
            assert 0 <= float(dot.get("cy", "-1")) <= 400
