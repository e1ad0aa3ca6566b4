"""What a new reading, finding, suspect or check needs, and where: one failure names every place that is still left.

Then each part of the program is *run* with every reading there is: drivers, uncertainty, calibration, commissioning,
recording, history, report, terminal, broker and pages, so that no table is forgotten that nobody named here.

The tables are the program's own. Whoever adds a row to the first one of a kind (READINGS, findings.ROWS, SUSPECTS,
CHECKS) runs this file alone until it passes, then the suite.
"""

from __future__ import annotations

import io
from collections.abc import Collection, Iterator, Mapping
from html import unescape
from math import nan
from pathlib import Path
from typing import Any

import msgspec
import pytest

from condenser_monitor.hardware.calibration import CalibrationPoint, calibrate, one_line
from condenser_monitor.hardware.channels import CHANNELS
from condenser_monitor.hardware.commission import commission
from condenser_monitor.hardware.uncertainty import by_reading
from condenser_monitor.monitor.core.config import SensorSettings, Settings
from condenser_monitor.monitor.core.errors import ScanError
from condenser_monitor.monitor.core.findings import CATALOGUE
from condenser_monitor.monitor.core.readings import FLAGS, NUMBERS, PLOTTED, READINGS
from condenser_monitor.monitor.core.records import Scan
from condenser_monitor.monitor.diagnosis.checks.rows import CHECKS
from condenser_monitor.monitor.diagnosis.suspects import SUSPECTS
from condenser_monitor.monitor.diagnosis.unit_diagnosis import ROWS, SITUATIONS, SOUND
from condenser_monitor.monitor.limits import FINDINGS
from condenser_monitor.monitor.publishers import senml
from condenser_monitor.monitor.recording.csv_file import Reader, RecordingWriter
from condenser_monitor.monitor.report.write import report_html
from condenser_monitor.monitor.strings import findings as words
from condenser_monitor.monitor.strings import texts, time_format
from condenser_monitor.sim import meter_model, scenario, senses, truth
from condenser_monitor.sim.causes import CAUSES_OF
from condenser_monitor.sim.designs import DESIGNS
from condenser_monitor.sim.registers import RegisterRig
from condenser_monitor.sim.rig import ReadingsRig
from condenser_monitor.sim.timeline import Planned
from condenser_monitor.sim.weather import design_days
from condenser_monitor.sim.world import World, WorldPlan
from tests.web import filled
from tests.web.conftest import app_of

CAUSES = [cause for situation in SITUATIONS.values() for cause in situation.causes]
PREDICTED = {
    name
    for rows in ROWS.values()
    for row in rows
    for name, expected in row.predicts.items()
    if expected != SOUND.get(name)
}
SCENARIOS = [scenario.load(name) for name in scenario.names()]
# A temperature is taken as it is: no band to hold it against, no motor's lead to find it on.
JUDGED = [name for name, row in READINGS.items() if row.says]

Needs = Mapping[str, tuple[Collection[str], Collection[str]]]
SENSE: Needs = {
    "monitor/core/records.py: a field of Scan": (READINGS, Scan.__struct_fields__),
    "hardware/channels.py: CHANNELS": (READINGS, CHANNELS),
    "hardware/channels.py: its answers in a commissioning": (FLAGS, {n for n, row in CHANNELS.items() if row.answers}),
    "hardware/channels.py: what an answer that never changes means": (
        FLAGS,
        {n for n, row in CHANNELS.items() if row.stuck},
    ),
    "hardware/channels.py: its bands in a commissioning": (
        [n for n in NUMBERS if n in JUDGED],
        {n for n, row in CHANNELS.items() if row.bands},
    ),
    "sim/senses.py: WIRES, what it is wired to": (READINGS, senses.WIRES),
}
FINDING: Needs = {
    "monitor/limits.py: a class of FindingLimits, its numbers and when its alert is over": (CATALOGUE, FINDINGS),
    "monitor/diagnosis/predictions_*.py: its suspects": (CATALOGUE, SITUATIONS),
    "monitor/strings/findings.py: FINDINGS, its words": (CATALOGUE, words.FINDINGS),
    "monitor/strings/findings.py: its `lock`, what a lock screen shows of it": (
        CATALOGUE,
        {name for name, text in words.FINDINGS.items() if text.lock.means},
    ),
    "sim/truth.py: NEEDS, what it takes to see it, and in `Truth.look` whether it is so": (CATALOGUE, truth.NEEDS),
    "sim/scenarios: a scenario that expects it": (CATALOGUE, {row.finding for one in SCENARIOS for row in one.expect}),
}
SUSPECT: Needs = {
    "monitor/diagnosis/predictions_*.py: a cause of some finding": (SUSPECTS, {cause.suspect for cause in CAUSES}),
    "sim/causes.py: a physical cause": (SUSPECTS, CAUSES_OF),
}
CHECK: Needs = {
    "monitor/diagnosis (`meter` in table.py, or a prediction): a suspect under which it does not show what is sound": (
        [name for name, check in CHECKS.items() if check.news],
        PREDICTED,
    ),
    "sim/meter_model.py: SHOWN, what it shows in the simulated unit": (CHECKS, meter_model.SHOWN),
}


def places_left(needs: Needs) -> list[str]:
    """Return what a new part still lacks, a line for each place."""
    return [
        f"{name} is missing in {place}"
        for place, (wanted, there) in needs.items()
        for name in wanted
        if name not in there
    ]


@pytest.mark.parametrize("kind", ["SENSE", "FINDING", "SUSPECT", "CHECK"])
def test_a_new_part_stands_in_every_place_that_it_needs(kind: str) -> None:
    """Each name of the first table of its kind is in every other one."""
    left = places_left(globals()[kind])
    assert not left, f"a {kind.lower()} is not finished:\n" + "\n".join(left)


# ---------------------------------------------------------------- every part, run with every reading

SETTINGS = Settings(unit=DESIGNS["three-ton"].nameplate(), senses=SensorSettings(fitted=tuple(READINGS)))
CALLS = ((600.0, 1800.0),)
PHASE_SCANS_S = {"off": (300.0, 320.0), "called": (700.0, 720.0), "running": (1700.0, 1720.0)}


def world(*causes: Planned) -> World:
    """A sound unit that is called once, for twenty minutes."""
    return World(WorldPlan(design=DESIGNS["three-ton"], calls=CALLS, causes=causes), design_days([(36.0, 24.0)], 12.0))


@pytest.fixture(scope="module")
def finished() -> None:
    """A part that is not finished is listed once, and does not fail in every part of the program beside."""
    if any(map(places_left, (SENSE, FINDING, SUSPECT, CHECK))):
        pytest.skip("a part is not finished: its places stand in the failure above")


@pytest.fixture(scope="module")
def lived(finished: None) -> list[Scan]:
    """What ideal sensors read of it over forty minutes."""
    rig = ReadingsRig(world(), SETTINGS)
    return [item for item in rig.scans(2400.0) if isinstance(item, Scan)]


@pytest.fixture(scope="module")
def site(lived: list[Scan], tmp_path_factory: pytest.TempPathFactory) -> Iterator[filled.Site]:
    """The same, through the engine into a history."""
    made = filled.from_scans(tmp_path_factory.mktemp("new-parts"), SETTINGS, lived, end_s=lived[-1].t_s)
    made.flush()
    yield made
    made.history.close()


def numbers_of(scan: Scan) -> dict[str, float]:
    return {name: float(getattr(scan, name)) for name in NUMBERS}


def scan_of(name: str, value: float | bool) -> Scan:
    fields: dict[str, Any] = {name: value}
    return Scan(t_s=0.0, **fields)


def test_a_scan_holds_each_reading_and_refuses_what_it_cannot_be(finished: None) -> None:
    """The check that is written out in Scan is that of the table."""
    for name, row in READINGS.items():
        if row.kind == "flag":
            assert getattr(scan_of(name, True), name) is True
            continue
        for bound in (row.least, row.most):
            assert getattr(scan_of(name, bound), name) == bound
        for wrong in (row.least - 1e-3, row.most + 1e-3, nan):
            with pytest.raises(ScanError, match=name):
                scan_of(name, wrong)


def test_the_drivers_read_every_reading_from_the_wires(finished: None) -> None:
    """Pins, bytes and all: in a run nothing is missing, and each is what the world has."""
    made = world()
    made.advance(1500.0)
    rig = RegisterRig(made, SETTINGS)
    scans = [item for item in rig.items(1504.0) if isinstance(item, Scan) and item.compressor_a is not None]
    rig.close()
    assert rig.boards.faults() == {}
    for name in READINGS:
        true = senses.WIRES[name].true(made.unit, made.outdoor_c)
        read = getattr(scans[-1], name)
        assert read is not None, name
        if name in NUMBERS:
            assert read == pytest.approx(true, rel=0.03, abs=0.3), name
        else:
            assert read is (true >= senses.WIRES[name].knee_v), name


@pytest.mark.parametrize("name", NUMBERS)
def test_each_number_has_an_uncertainty_and_can_be_calibrated(name: str, lived: list[Scan]) -> None:
    """As built and as calibrated; the record is read again."""
    scan = next(scan for scan in lived if scan.t_s >= 1700.0)
    value = numbers_of(scan)[name]
    built = by_reading()(name, value)
    assert built > 0.0
    apparent = float(scan.line_v or 0.0) * float(scan.compressor_a or 0.0)
    point = CalibrationPoint(raw=value, meter=value, apparent=apparent, displacement_deg=18.0)
    row = calibrate(name, [point], by="R. Vale")
    assert by_reading([row])(name, value) > 0.0
    assert name in one_line(row)


def test_a_sound_installation_with_every_reading_passes_its_commissioning(lived: list[Scan]) -> None:
    """Off, called with the disconnect pulled, running: nothing is said, and every reading has been judged."""
    pulled = ReadingsRig(world(Planned(name="disconnect-pulled", at_s=0.0)), SETTINGS)
    called = [item for item in pulled.scans(720.0) if isinstance(item, Scan)]
    found = {
        phase: [scan for scan in (called if phase == "called" else lived) if low <= scan.t_s <= high]
        for phase, (low, high) in PHASE_SCANS_S.items()
    }
    record = commission(SETTINGS, found, by="R. Vale")
    assert [remark.text for remark in record.remarks] == []
    for phase in record.phases.values():
        assert set(phase) == set(READINGS)
    assert set(record.uncertainty["running"]) == set(NUMBERS)


def test_a_recording_keeps_every_reading(lived: list[Scan], tmp_path: Path) -> None:
    """What is written is read again, column by column."""
    file = io.StringIO()
    writer = RecordingWriter(file, tuple(READINGS), None)
    for scan in lived[:50]:
        writer.write(scan)
    path = tmp_path / "all.csv"
    path.write_text(file.getvalue())
    read = [item for item in Reader(path) if isinstance(item, Scan)]
    for name in READINGS:
        assert getattr(read[-1], name) == pytest.approx(getattr(lived[49], name), abs=2e-3)


def test_history_terminal_and_broker_have_every_reading(site: filled.Site) -> None:
    """Curves of each number, the status in words, one record each in the broker's pack."""
    end_s = filled.NOW_S
    curves = site.history.curves(NUMBERS, end_s - 2400.0, end_s, 100)
    assert all(curves[name] for name in NUMBERS)
    status = site.engine.status()
    assert set(status.readings) == set(READINGS)
    rows = msgspec.json.decode(senml.pack(status.readings, "unit-1", end_s))
    assert {row["n"] for row in rows} == set(READINGS)
    for name, value in status.readings.items():
        assert time_format.reading(
            name, value, "F", by_reading()(name, float(value or 0.0)) if name in NUMBERS else None
        )


@pytest.mark.parametrize("path", ["/", "/history?zoom=hour", "/cycles", "/trends", "/health", "/alerts", "/checks"])
def test_every_page_opens_with_every_reading(site: filled.Site, path: str) -> None:
    """The page of the unit, its past and its health; all plots of readings that have one are there."""
    answer = app_of(site).test_client().get(path)
    assert answer.status_code == 200
    shown = answer.get_data(as_text=True)
    if path.startswith("/history"):
        for name in PLOTTED:
            assert texts.capital(READINGS[name].title) in shown


def test_the_report_is_written_with_every_reading(site: filled.Site) -> None:
    """For the technician, with all that is sensed named."""
    written = unescape(report_html(site.history, SETTINGS, 3, wall_s=filled.NOW_S + 1))
    for row in READINGS.values():
        assert row.title in written
