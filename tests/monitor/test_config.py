"""The site file (contract.md, Site file): read as written, or refused with file, key, given and allowed."""

from __future__ import annotations

from pathlib import Path

import pytest

from condenser_monitor.monitor import limits
from condenser_monitor.monitor.core.config import (
    OUTDOOR_SENSES,
    Settings,
    load,
    parse,
)
from condenser_monitor.monitor.core.errors import SiteError

# the contract's own example
EXAMPLE = """
[site]
name = "Orchard Lane 4"            # free text
id = "orchard-lane-4"              # letters, digits, hyphen: used in topics

[unit]                             # from the nameplate
line_hz = 60                       # 50 or 60
contactor_poles = 1                # 1 or 2
compressor_rla_a = 12.8            # rated-load amps
compressor_lra_a = 68.0            # locked-rotor amps
fan_fla_a = 1.1                    # full-load amps
delay_on_make_s = 0                # time-delay relay between the call sense and the coil, 0 for none
heat_pump = false                  # true: the fan may stop while the compressor runs (defrost)

[senses]
fitted = ["call", "control_v", "coil_a", "supply", "load", "compressor_a", "fan_a", "outdoor_c"]

[limits.call-without-run]
hold_s = 120                       # the condition must hold this long
"""


def test_the_contracts_example_is_read_as_written() -> None:
    """Every value of the example arrives."""
    site = parse(EXAMPLE)
    assert (site.site.name, site.site.id) == ("Orchard Lane 4", "orchard-lane-4")
    assert (site.unit.compressor_rla_a, site.unit.compressor_lra_a, site.unit.fan_fla_a) == (12.8, 68.0, 1.1)
    assert site.fitted == OUTDOOR_SENSES
    assert site.limit(limits.CALL_WITHOUT_RUN.hold_s) == 120
    assert site.limit(limits.CALL_WITHOUT_PULL_IN.hold_s) == limits.CALL_WITHOUT_PULL_IN.hold_s.value


def test_every_key_is_optional() -> None:
    """An empty file is the defaults."""
    assert parse("") == Settings()


@pytest.mark.parametrize(
    ("text", "key", "given", "allowed"),
    [
        ("[site]\nid = 'a b'", "site.id", "a b", "hyphens"),
        ("[site]\nnumber = 4", "site.number", "unknown key", "id, name"),
        ("[history]\nfile = ''", "history.file", "''", "path of a file"),
        ("[history]\nfile = '/tmp/..'", "history.file", "..", "path of a file"),
        ("[unit]\nline_hz = 55", "unit.line_hz", "55", "50 or 60"),
        ("[unit]\nline_hz = '60'", "unit.line_hz", "60", "int"),
        ("[unit]\ncontactor_poles = 3", "unit.contactor_poles", "3", "1 or 2"),
        ("[unit]\ncompressor_rla_a = -1", "unit.compressor_rla_a", "-1", "0.05 to 200"),
        ("[unit]\nfan_fla_a = nan", "unit.fan_fla_a", "nan", "0.01 to 20"),
        ("[unit]\ncompressor_lra_a = 20.0", "unit.compressor_lra_a", "20", "4 to 7 times"),
        ("[unit]\nheat_pump = 1", "unit.heat_pump", "1", "bool"),
        ("[senses]\nfitted = ['call', 'amps']", "senses.fitted", "amps", "compressor_a"),
        ("[senses]\nfitted = ['call', 'call']", "senses.fitted", "call", "once"),
        ("[limits.warm-feet]\nhold_s = 1", "limits.warm-feet", "unknown finding", "call-without-run"),
        ("[limits.locked-rotor]\nhold = 1", "limits.locked-rotor.hold", "unknown key", "hold_s"),
        ("[limits.locked-rotor]\nhold_s = -1", "limits.locked-rotor.hold_s", "-1", "0 to"),
        ("[limits.locked-rotor]\nhold_s = 'a'", "limits", "a", "float"),
        ("[mqtt]\nport = 70000", "mqtt.port", "70000", "1 to 65535"),
        ("[weather]\n", "weather", "unknown key", "site"),
        ("unit = 3", "unit", "3", "object"),
        ("[unit", "site.toml", "", "TOML"),
    ],
)
def test_bad_site_file_names_file_key_given_and_allowed(
    tmp_path: Path, text: str, key: str, given: str, allowed: str
) -> None:
    """Unknown key, wrong type, out of range: nothing is guessed."""
    path = tmp_path / "site.toml"
    path.write_text(text)
    with pytest.raises(SiteError) as caught:
        load(path)
    message = str(caught.value)
    assert "site.toml" in message
    assert key in caught.value.place
    assert given in message
    assert allowed in caught.value.allowed


def test_missing_or_binary_file_is_an_error(tmp_path: Path) -> None:
    """A file that cannot be read as text is named."""
    with pytest.raises(SiteError, match="nowhere"):
        load(tmp_path / "nowhere.toml")
    (tmp_path / "b.toml").write_bytes(b"\xff\xfe\x00")
    with pytest.raises(SiteError, match=r"b\.toml"):
        load(tmp_path / "b.toml")


def test_a_profile_that_is_no_name_is_refused_at_its_place() -> None:
    """A list or a table among the profiles' names, found by the fuzzing of settings files."""
    for value in ("[[1]]", "[{a = 2}]"):
        with pytest.raises(SiteError, match=r"unit\.profile\[0\]"):
            parse(f"[unit]\nprofile = {value}\n")
