"""The walk through the senses: a sound installation is silent, and each usual mistake is named in plain words.

Scans come from the real boards on fake wires. A mistake is made on the wires: leads or plugs exchanged, a lead through
the transformer too seldom, a bias that is not there; nothing here edits a reading.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from pathlib import Path

import pytest

from condenser_monitor.hardware import commission as walk
from condenser_monitor.hardware import values
from condenser_monitor.hardware.commission import Commissioning
from condenser_monitor.monitor.core.config import (
    SensorSettings,
    Settings,
    Site,
    Unit,
)
from condenser_monitor.monitor.core.errors import CommandError, SiteError
from condenser_monitor.monitor.core.records import (
    Scan,
    StartTransient,
)
from tests.hardware.bench import (
    BASIC,
    Bench,
    Signal,
    Wave,
    ohm_at,
    steady,
)

UNIT = Unit(compressor_rla_a=12.8, compressor_lra_a=68.0, fan_fla_a=1.1)
SETTINGS = Settings(site=Site(id="mill-row-2"), unit=UNIT, senses=SensorSettings(fitted=BASIC))
NOON_S = 1784052000.0  # 2026-07-14T18:00:00Z
PHASES = ("off", "called", "running")
# what flows in each lead, A RMS, and lies on the control terminals, V RMS, by phase
AMOUNTS: dict[str, tuple[float, float, float]] = {
    "control_v": (0.3, 26.2, 25.6),
    "coil_a": (0.0, 0.26, 0.25),
    "compressor_a": (0.9, 0.0, 9.6),
    "fan_a": (0.0, 0.0, 0.95),
}
# on the terminals of each presence channel, by phase
PRESENT: dict[str, tuple[bool, bool, bool]] = {
    "call": (False, True, True),
    "supply": (True, False, True),
    "load": (False, False, True),
    "control_power": (True, True, True),
    "thermostat": (False, True, True),
}
Wired = dict[str, tuple[float, ...]]


def walked(
    amounts: Mapping[str, tuple[float, ...]] = AMOUNTS,
    present: Mapping[str, tuple[bool, ...]] = PRESENT,
    *,
    celsius: float = 31.0,
    upset: Callable[[Bench], None] = lambda bench: None,
    thermometer_c: float | None = 31.0,
) -> Commissioning:
    """The three phases on the bench, and what the walk says of them."""
    scans: dict[str, list[Scan]] = {}
    faults: dict[str, str] = {}
    for place, phase in enumerate(PHASES):
        signals: dict[str, Signal] = {name: Wave(max(row[place], 1e-6)) for name, row in amounts.items()}
        bench = Bench({**signals, "outdoor_c": steady(ohm_at(celsius))}, unit=UNIT)
        upset(bench)
        for name in PRESENT:
            bench.present(name, present[name][place])
        scans[phase] = [bench.boards.scan() for _ in range(6)][1:]
        faults |= bench.boards.faults()
        bench.boards.close()
    start = StartTransient(t_s=1.0, duration_s=0.21, peak_a=61.0, settled_a=9.5, rate_hz=860.0)
    return walk.commission(
        SETTINGS,
        scans,
        by="R. Vale",
        faults=faults,
        starts=[start],
        thermometer_c=thermometer_c,
        wall_s=NOON_S,
    )


def kinds(record: Commissioning) -> list[tuple[str, tuple[str, ...]]]:
    return [(remark.kind, remark.senses) for remark in record.remarks]


def scaled(name: str, times: float) -> Wired:
    return {**AMOUNTS, name: tuple(amount * times for amount in AMOUNTS[name])}


def exchanged(one: str, other: str, there: float = 1.0) -> Wired:
    """Each sense sees the other's lead; `there` is how many times over `one` sees it."""
    return {
        **AMOUNTS,
        one: tuple(amount * there for amount in AMOUNTS[other]),
        other: tuple(amount / there for amount in AMOUNTS[one]),
    }


def test_a_sound_installation_is_silent_and_teaches() -> None:
    """Nothing is said, and standing current, coil, running currents, volts and the start are learned."""
    record = walked()
    assert record.remarks == ()
    assert record.at == "2026-07-14T18:00:00Z"
    learned = record.learned
    assert learned.standing_a == pytest.approx(0.9, abs=0.02)
    assert learned.coil_a == pytest.approx(0.25, abs=0.005)
    assert learned.compressor_a == pytest.approx(9.6, rel=0.01)
    assert learned.fan_a == pytest.approx(0.95, rel=0.02)
    assert learned.control_v == pytest.approx(25.6, rel=0.01)
    assert (learned.start_s, learned.start_peak_a) == (0.21, 61.0)


FAN_PLUG = values.FAN.passes / values.COMPRESSOR.passes
MISTAKES: dict[str, tuple[Wired, str, tuple[str, ...], str]] = {
    "compressor and fan transformers on each other's leads": (
        exchanged("compressor_a", "fan_a"),
        "exchanged",
        ("compressor_a", "fan_a"),
        "each transformer sits on the other's lead",
    ),
    "compressor and fan plugs exchanged": (
        exchanged("compressor_a", "fan_a", FAN_PLUG),
        "exchanged",
        ("compressor_a", "fan_a"),
        "plugged into the other's jack",
    ),
    "coil and fan transformers on each other's leads": (
        exchanged("coil_a", "fan_a"),
        "exchanged",
        ("coil_a", "fan_a"),
        "each transformer sits on the other's lead",
    ),
    "fan lead once through instead of three times": (scaled("fan_a", 1 / 3), "passes", ("fan_a",), "went once"),
    "compressor lead three times through": (scaled("compressor_a", 3), "passes", ("compressor_a",), "3"),
    "compressor transformer round both leads": (
        {**AMOUNTS, "compressor_a": (0.0, 0.0, 0.05)},
        "wrong-conductor",
        ("compressor_a",),
        "cancel",
    ),
    "compressor transformer on the start lead": (
        {**AMOUNTS, "compressor_a": (0.9, 0.0, 3.6)},
        "wrong-conductor",
        ("compressor_a",),
        "common lead",
    ),
    "fan transformer on another unit's lead": (
        {**AMOUNTS, "fan_a": (0.0, 0.8, 0.95)},
        "wrong-conductor",
        ("fan_a",),
        "another unit's lead",
    ),
    "coil transformer on the indoor fan's lead": (
        {**AMOUNTS, "coil_a": (0.25, 0.25, 0.25)},
        "wrong-conductor",
        ("coil_a",),
        "without a call",
    ),
    "control volts at R instead of Y": (
        {**AMOUNTS, "control_v": (26.8, 26.2, 25.6)},
        "wrong-terminal",
        ("control_v",),
        "R instead of Y",
    ),
}


@pytest.mark.parametrize("mistake", MISTAKES)
def test_a_mistake_with_a_current_is_named(mistake: str) -> None:
    """One remark, of the right kind, about the right senses, in words that tell what to look at."""
    amounts, kind, senses, says = MISTAKES[mistake]
    record = walked(amounts)
    assert kinds(record) == [(kind, senses)]
    assert says in record.remarks[0].text


@pytest.mark.parametrize(
    ("present", "kind", "senses", "says"),
    [
        (
            {"supply": PRESENT["load"], "load": PRESENT["supply"]},
            "exchanged",
            ("supply", "load"),
            "what the other should",
        ),
        (
            {"control_power": PRESENT["thermostat"], "thermostat": PRESENT["control_power"]},
            "exchanged",
            ("control_power", "thermostat"),
            "what the other should",
        ),
        ({"call": (True, False, False)}, "reversed", ("call",), "reversed"),
        ({"load": (False, False, False)}, "never-changes", ("load",), "T1 to T2"),
        ({"load": (True, True, True)}, "never-changes", ("load",), "one-pole contactor"),
        ({"call": (True, True, True)}, "never-changes", ("call",), "R instead of Y"),
        ({"load": (True, False, True)}, "wrong-terminal", ("load",), "to ground from the leg"),
        ({"supply": (False, False, True)}, "wrong-terminal", ("supply",), "ahead of the contactor"),
        ({"supply": (True, True, True)}, "never-changes", ("supply",), "behind the disconnect"),
        ({"thermostat": (False, True, False)}, "unexpected", ("thermostat",), "while running"),
    ],
)
def test_a_mistake_with_a_presence_channel_is_named(
    present: dict[str, tuple[bool, ...]], kind: str, senses: tuple[str, ...], says: str
) -> None:
    """Exchanged, reversed, stuck and odd answers, each with what to look at."""
    record = walked(present={**PRESENT, **present})
    assert kinds(record) == [(kind, senses)]
    assert says in record.remarks[0].text


def _no_bias(bench: Bench) -> None:
    bench.inputs[0x49].bias_v = 0.0


def _unplugged(bench: Bench) -> None:
    bench.inputs[0x49].unplugged.add("fan_a")


def _absent(bench: Bench) -> None:
    bench.chips[0x48].absent = True


def _stuck(bench: Bench) -> None:
    bench.chips[0x48].stuck = True


def _open_thermistor(bench: Bench) -> None:
    bench.signals["outdoor_c"] = steady(1e9)


@pytest.mark.parametrize(
    ("upset", "expected"),
    [
        (_no_bias, {("bias-missing", ("compressor_a", "fan_a", "outdoor_c"))}),
        (_unplugged, {("unplugged", ("fan_a",))}),
        (_absent, {("chip-silent", ("control_v", "coil_a"))}),
        (_stuck, {("chip-silent", ("control_v", "coil_a"))}),
        (_open_thermistor, {("unplugged", ("outdoor_c",))}),
    ],
)
def test_what_cannot_be_read_is_told_with_its_cause(
    upset: Callable[[Bench], None], expected: set[tuple[str, tuple[str, ...]]]
) -> None:
    """A missing bias, an empty jack, a chip that is silent or hangs, an open thermistor: by the boards' own reasons."""
    assert set(kinds(walked(upset=upset))) == expected


def test_too_much_for_the_converter_is_told() -> None:
    """A wave beyond the coarse range too, as with a burden gone open: clipped, not a number."""
    record = walked({**AMOUNTS, "compressor_a": (0.9, 0.0, 576.0)})
    assert kinds(record) == [("clipped", ("compressor_a",))]


def test_a_thermometer_at_hand_is_compared() -> None:
    """A sensor in the sun is told; a few kelvin are not."""
    assert kinds(walked(celsius=42.0)) == [("wrong-value", ("outdoor_c",))]
    assert kinds(walked(celsius=33.0)) == []
    assert kinds(walked(celsius=42.0, thermometer_c=None)) == []


def test_a_flickering_flag_is_unsteady_and_judged_no_further() -> None:
    """A flag that half of the scans contradict is neither on nor off."""
    scans = [Scan(t_s=float(second), call=second % 2 == 0) for second in range(10)]
    seen = walk.picture(scans, ("call",))
    assert seen.values == {}
    assert seen.unsteady == ("call",)
    record = walk.commission(
        Settings(senses=SensorSettings(fitted=("call",))), {"called": scans, "running": scans[::2] * 2}, by="x"
    )
    assert kinds(record) == [("unsteady", ("call",))]


def test_one_odd_scan_moves_nothing() -> None:
    """The median of a number and the answer of nearly all scans count; a reading missing from most is missing."""
    scans = [Scan(t_s=float(second), fan_a=1.0, load=True) for second in range(9)]
    odd = [*scans, Scan(t_s=9.0, fan_a=40.0, load=False)]
    assert walk.picture(odd, ("fan_a", "load")).values == {"fan_a": 1.0, "load": True}
    silent = [*scans[:3], *(Scan(t_s=10.0 + second) for second in range(4))]
    assert walk.picture(silent, ("fan_a", "load")).values == {"fan_a": None, "load": None}


def test_refusals() -> None:
    """No name, an unknown phase and too few scans are refused in words."""
    enough = [Scan(t_s=float(second), call=False) for second in range(6)]
    with pytest.raises(CommandError, match="the name of who"):
        walk.commission(SETTINGS, {"off": enough}, by=" ")
    with pytest.raises(CommandError, match="one of off, called, running"):
        walk.commission(SETTINGS, {"asleep": enough}, by="x")
    with pytest.raises(CommandError, match="scans of a phase"):
        walk.commission(SETTINGS, {"off": enough[:2]}, by="x")


def test_the_record_is_kept_and_read_again(tmp_path: Path) -> None:
    """What was walked, by whom and when comes back as it was; a file of something else is refused by name."""
    record = walked(scaled("fan_a", 1 / 3))
    path = tmp_path / "commissioning.json"
    walk.keep(path, record)
    assert walk.read(path) == record
    path.write_text("[]")
    with pytest.raises(SiteError, match=r"commissioning\.json"):
        walk.read(path)


def test_every_phase_says_what_to_do_and_what_to_mind() -> None:
    """The three phases are those the expectations know, and two of them warn of line voltage."""
    assert tuple(phase.name for phase in walk.PHASES) == PHASES
    assert all(phase.do and phase.mind for phase in walk.PHASES)
    assert sum("Line voltage" in phase.mind for phase in walk.PHASES) == 2
