"""The build of ready-made parts: its thresholds at both ends of what the modules' sheets promise, its transformers,
and the same unit found healthy and broken through it as through the boards."""

from __future__ import annotations

import re
from math import sqrt
from pathlib import Path

import pytest
import zxingcpp
from PIL import Image, ImageDraw

from condenser_monitor.hardware import values as v
from condenser_monitor.hardware.boards import channels
from condenser_monitor.hardware.channels import BUILDS, CHANNELS
from condenser_monitor.hardware.circuits import parts, wiring
from condenser_monitor.hardware.commission_rules import SensorPicture, judge
from condenser_monitor.hardware.uncertainty import uncertainty
from condenser_monitor.monitor.core import config
from condenser_monitor.monitor.core.config import BoardSettings, SensorSettings, Settings, Unit
from condenser_monitor.monitor.core.errors import SiteError
from condenser_monitor.monitor.core.records import Scan
from condenser_monitor.sim.condition import SenseCondition
from condenser_monitor.sim.designs import DESIGNS
from condenser_monitor.sim.registers import RegisterRig
from condenser_monitor.sim.world import World, WorldPlan
from tests.hardware.circuits import ready_made as ready
from tests.hardware.circuits.conftest import Measure
from tests.hardware.circuits.decks import Module

LOW, HIGH = v.PIN_LOW_V.nominal, v.PIN_HIGH_V.nominal
READY = BoardSettings(build="ready-made")
INPUTS = (("call", v.MODULE_24V), ("thermostat", v.MODULE_24V), ("supply", v.MODULE_LINE), ("load", v.MODULE_LINE))


@pytest.mark.parametrize(("name", "kind"), INPUTS, ids=[name for name, _ in INPUTS])
@pytest.mark.parametrize("hz", [50, 60])
def test_the_pin_keeps_both_thresholds_of_the_modules_sheet(
    measure: Measure, name: str, kind: v.InputModule, hz: float
) -> None:
    """At the lower one surely high with the module that switches first and leaks most; at the upper one surely low with
    the one that switches last, filtered or not, and the smallest hold capacitor."""
    assert measure(ready.steady(name, kind.off_v.nominal, hz=hz, module=ready.EARLY, start_v=3.3))["pin_min"] >= HIGH
    hold = next(ref for ref in parts.of("ready-made", name) if parts.part("ready-made", ref).value is v.READY_HOLD)
    for module in (ready.LATE, Module(1.0, filtered=False)):
        deck = ready.steady(name, kind.on_v.nominal, hz=hz, module=module, change={hold: v.READY_HOLD.low})
        assert measure(deck)["pin_max"] <= LOW


@pytest.mark.parametrize("source", [{"source_ohm": 1400.0}, {"source_ohm": 68e3}, {"source_f": 22e-9}])
def test_a_wire_that_nothing_loads_is_no_call(measure: Measure, source: dict[str, float]) -> None:
    """27.6 V through a stealing thermostat's kilohms or a snubber, the module that switches first, the bleeder high."""
    change = {"R10": v.CALL_BLEEDER.high}
    deck = ready.steady("call", 27.6, module=ready.EARLY, start_v=3.3, change=change, **source)  # type: ignore[arg-type]
    assert measure(deck)["pin_min"] >= HIGH


def test_without_the_bleeder_it_would_be_one(measure: Measure) -> None:
    """What the resistor in its aluminium case is for: 5 kohm of a thermostat that steals power."""
    deck = ready.steady(
        "call", 27.6, module=ready.EARLY, start_v=3.3, source_ohm=5e3, leave="resistor, in an aluminium"
    )
    assert measure(deck)["pin_max"] <= LOW


@pytest.mark.parametrize(("name", "volts"), [("call", 24.0), ("supply", 240.0)])
@pytest.mark.parametrize("module", [ready.EARLY, ready.LATE, Module()])
def test_voltage_is_told_soon_after_it_comes_and_goes(
    measure: Measure, name: str, volts: float, module: Module
) -> None:
    """Within 60 ms of coming, 200 ms of going: two changes of a chattering contactor, five a second, stay apart."""
    seen = measure(ready.step(name, volts, module=module))
    assert 0 < seen["came_s"] < 0.060
    assert 0.010 < seen["went_s"] < 0.200


def test_the_clamp_keeps_what_an_opened_coil_gives_back_from_the_module(measure: Measure) -> None:
    """Under 77 V (the clamp's sheet) with it, over 300 V without; the fuse stays whole (0.1 A2s melts it)."""
    seen = measure(ready.coil_opens())
    assert seen["tap_v"] < 77.0
    assert seen["fuse_i2t"] < 0.01
    assert measure(ready.coil_opens(clamp=False))["tap_v"] > 300.0


@pytest.mark.parametrize(
    ("reading", "amount", "rated"),
    [
        ("compressor_a", 15.0, 100.0),
        ("fan_a", 1.2, 5.0),
        ("coil_a", 0.25, 2.5),
        ("line_v", 240.0, 277.0),
        ("control_v", 24.0, 120.0),
    ],
)
def test_a_listed_transformer_arrives_in_proportion(
    measure: Measure, reading: str, amount: float, rated: float
) -> None:
    """0.333 V at the rated amount (what they are sold as) reads within 0.5 %, on the scale that the driver takes."""
    seen = measure(ready.signal(reading, amount, range_v=v.RANGE_START_V))
    assert seen["out_v"] == pytest.approx(0.333 * amount / rated, rel=0.005)
    assert BUILDS["ready-made"][reading].scale == pytest.approx(0.333 / rated, rel=1e-6)
    assert abs(seen["mean_v"]) < 0.001


def test_a_locked_rotor_stays_within_the_rails_and_an_open_burden_within_the_pins_current(measure: Measure) -> None:
    """150 A through 100 A : 333 mV; 8 V peak should the burden inside open."""
    seen = measure(ready.signal("compressor_a", v.LOCKED_ROTOR_DESIGN_A.nominal, range_v=v.RANGE_START_V))
    assert seen["pin_min"] > 0.0
    assert seen["pin_max"] < v.VDD.low
    assert measure(ready.open_burden("compressor_a"))["pin_a"] < v.ADC_PIN_A.nominal


def test_an_open_lead_is_told_by_the_drivers_own_rule(measure: Measure) -> None:
    """The direct voltage that the deck shows lies beyond what the driver takes for a plugged-in transformer."""
    row = BUILDS["ready-made"]["compressor_a"]
    assert row.burden_ohm is not None
    told = v.VDD.nominal / 2 * row.burden_ohm / (row.burden_ohm + row.loose_ohm) / 2
    assert measure(ready.loose("compressor_a"))["mean_v"] > told


def test_each_part_has_a_reference_of_its_own_and_names_no_brand() -> None:
    """A bill of materials: unique references, a rating for each, no type number but the converter's."""
    refs = list(parts.refs("ready-made"))
    assert len(refs) == len(set(refs))
    said = " ".join(f"{row.kind} {row.rating}" for row in parts.READY)
    assert set(re.findall(r"\b[A-Z]{2,}\d{2,}[A-Z]*\b", said)) <= {"ADS1115", "IP54"}
    assert all(row.rating for row in parts.READY)


def test_every_reading_has_its_own_place_as_on_the_boards() -> None:
    """Same pins, converters and inputs; what differs are scales, passes and the way an open lead is told."""
    for name, row in BUILDS["ready-made"].items():
        theirs = CHANNELS[name]
        assert (row.pin, row.address, row.mux, row.bands) == (theirs.pin, theirs.address, theirs.mux, theirs.bands)
    fitted = ("call", "compressor_a")
    found = channels(Settings(senses=SensorSettings(fitted=fitted), boards=READY))
    assert found["compressor_a"].scale == pytest.approx(0.00333)


def test_a_build_that_does_not_exist_is_refused() -> None:
    """With the key, what was given, and what is allowed."""
    with pytest.raises(SiteError, match=r"build.*ready-made"):
        config.parse('[boards]\nbuild = "wood"\n', "site.toml")


def test_the_shipped_drivers_read_the_same_unit_through_it_and_tell_an_open_lead() -> None:
    """Bytes and all: a running unit read through ready-made parts agrees with the world within 3 %; the coil's
    transformer comes off, and it is missing with its reason instead of nought."""
    fitted = ("call", "load", "control_v", "coil_a", "compressor_a", "fan_a", "line_v", "compressor_w")
    settings = Settings(senses=SensorSettings(fitted=fitted), boards=READY)
    world = World(WorldPlan(design=DESIGNS["three-ton"], calls=((1.0, 600.0),)))
    rig = RegisterRig(world, settings)
    *_, last = [item for item in rig.items(8.0) if isinstance(item, Scan) and item.compressor_a is not None]
    unit = world.unit
    assert last.compressor_a == pytest.approx(unit.compressor_a, rel=0.03)
    assert last.fan_a == pytest.approx(unit.fan.amps, rel=0.03)
    assert last.coil_a == pytest.approx(unit.volts.coil_a, rel=0.05)
    assert last.control_v == pytest.approx(unit.volts.unit_v, rel=0.03)
    assert last.line_v == pytest.approx(unit.supply_v, rel=0.03)
    world.condition.senses["coil_a"] = SenseCondition(unplugged=True)
    *_, last = [item for item in rig.items(12.0) if isinstance(item, Scan) and item.compressor_a is not None]
    assert last.coil_a is None
    assert "direct voltage" in rig.boards.faults()["coil_a"]
    rig.close()


def test_swapped_leads_are_told_by_ratings_and_not_by_passes() -> None:
    """A 5 A and a 100 A transformer in each other's terminals: what each reads is off by their ratings."""
    unit = Unit(compressor_rla_a=12.8, fan_fla_a=1.1)
    running: dict[str, float | bool | None] = {"compressor_a": 1.0 * (100 / 5), "fan_a": 10.0 * (5 / 100)}
    phases = {"running": SensorPicture(running)}
    remarks = judge(phases, unit, ("compressor_a", "fan_a"), {}, build="ready-made")
    assert [row.kind for row in remarks] == ["exchanged"]
    assert "plugged into the other's jack" in remarks[0].text


def test_uncertainty_follows_the_build() -> None:
    """Class 1 at its rated current: a 5 A transformer is surer at 1.1 A than a 30 A one with three passes."""
    assert uncertainty("fan_a", 1.1, build="ready-made").expanded < uncertainty("fan_a", 1.1).expanded
    volts = uncertainty("control_v", 24.0, build="ready-made")
    assert "calibrate" in volts.note
    assert volts.parts["transformer"] == pytest.approx(0.02 * 24.0)
    assert volts.expanded >= 2 * 0.02 * 24.0 / sqrt(3)


def test_committed_wiring_pictures_are_what_the_code_draws_now() -> None:
    """Renew with hardware.circuits.wiring.write_all()."""
    folder = Path(wiring.__file__).parent
    for name, text in wiring.pictures().items():
        assert (folder / name).read_text(encoding="utf-8") == text, name


@pytest.mark.parametrize("build", BUILDS)
def test_the_box_shows_every_wire_once_and_line_voltage_apart(build: str) -> None:
    """Each reading with its terminals; the sensors inside the cabinet stand among licensed work."""
    picture = wiring.box(build)
    for name, row in BUILDS[build].items():
        assert picture.description.count(f"{name}: ") == row.on_board
    assert {name for name in CHANNELS if wiring.compartment(name) == "line"} == {"supply", "load", "line_v"}
    assert wiring.compartment("call") == wiring.compartment("compressor_a") == "unit"


def test_a_phone_reads_the_label_in_the_lid() -> None:
    """By a decoder from elsewhere (zxing-cpp), in the picture that stands in the building guide."""
    text = (Path(wiring.__file__).parent / "lid-label.svg").read_text(encoding="utf-8")
    page = Image.new("L", (1500, 300), 255)
    draw = ImageDraw.Draw(page)
    for shape in re.finditer(
        r'<rect x="([\d.]+)" y="([\d.]+)" width="([\d.]+)" height="([\d.]+)"[^>]*fill="#000000"', text
    ):
        x, y, wide, high = (3 * float(number) for number in shape.groups())
        draw.rectangle((round(x), round(y), round(x + wide) - 1, round(y + high) - 1), fill=0)
    (found,) = zxingcpp.read_barcodes(page)
    assert found.text == wiring.LID_ADDRESS
    guide = (Path(wiring.__file__).parent / "building.md").read_text(encoding="utf-8")
    assert "(lid-label.svg)" in guide
