"""SenML packs against the examples of RFC 8428 itself (section 5), and our own packs against its rules."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from typing import Any

import pytest

from condenser_monitor.monitor.core.errors import CommandError
from condenser_monitor.monitor.core.readings import READINGS
from condenser_monitor.monitor.publishers.senml import pack
from tests.monitor.senml_reader import Resolved, read, resolve

NOW_S = 1_780_000_020.0


def resolved(text: str) -> list[tuple[Any, ...]]:
    """(name, time, unit, value) of each record."""
    return [(row.name, row.time_s, row.unit, row.value) for row in resolve(read(text), NOW_S)]


def test_a_single_point() -> None:
    """RFC 8428, 5.1.1: one temperature; without a time it is of now."""
    text = '[{"n":"urn:dev:ow:10e2073a01080063","u":"Cel","v":23.1}]'
    assert resolved(text) == [("urn:dev:ow:10e2073a01080063", NOW_S, "Cel", 23.1)]


def test_base_name_is_put_before_each_name() -> None:
    """RFC 8428, 5.1.2: voltage and current of one device."""
    text = """[{"bn":"urn:dev:ow:10e2073a01080063:","n":"voltage","u":"V","v":120.1},
               {"n":"current","u":"A","v":1.2}]"""
    assert [row[:1] + row[2:] for row in resolved(text)] == [
        ("urn:dev:ow:10e2073a01080063:voltage", "V", 120.1),
        ("urn:dev:ow:10e2073a01080063:current", "A", 1.2),
    ]


def test_times_count_from_the_base_time() -> None:
    """RFC 8428, 5.1.2, second example: five seconds of current up to the base time, 2010-06-08T18:01:16.001Z."""
    text = """[{"bn":"urn:dev:ow:10e2073a0108006:","bt":1.276020076001e+09,"bu":"A","bver":5,
                "n":"voltage","u":"V","v":120.1},
               {"n":"current","t":-5,"v":1.2},{"n":"current","t":-4,"v":1.3},{"n":"current","t":-3,"v":1.4},
               {"n":"current","t":-2,"v":1.5},{"n":"current","t":-1,"v":1.6},{"n":"current","v":1.7}]"""
    base_s = datetime(2010, 6, 8, 18, 1, 16, 1000, UTC).timestamp()
    rows = resolved(text)
    assert rows[0] == ("urn:dev:ow:10e2073a0108006:voltage", pytest.approx(base_s), "V", 120.1)
    assert [row[3] for row in rows[1:]] == [1.2, 1.3, 1.4, 1.5, 1.6, 1.7]
    assert [row[1] - base_s for row in rows[1:]] == pytest.approx([-5, -4, -3, -2, -1, 0])
    assert {row[2] for row in rows[1:]} == {"A"}


def test_a_batch_of_one_reading() -> None:
    """RFC 8428, 5.1.3: humidity every ten seconds from 2011-10-31T13:24:24Z."""
    values = [21.2, 21.3, 21.4, 21.4, 21.5, 21.5, 21.5, 21.6, 21.7]
    records: list[dict[str, Any]] = [{"t": 10 * number, "v": value} for number, value in enumerate(values)]
    records[0] = {"bn": "urn:dev:ow:10e2073a01080063", "bt": 1.3200674641e9, "bu": "%RH", "v": 21.2}
    rows = resolved(json.dumps(records))
    assert [row[3] for row in rows] == values
    assert [row[1] - 1.3200674641e9 for row in rows] == pytest.approx([10.0 * number for number in range(9)])
    assert {(row[0], row[2]) for row in rows} == {("urn:dev:ow:10e2073a01080063", "%RH")}


def test_values_of_other_kinds() -> None:
    """RFC 8428, 5.1.5: a text, a flag and data in base64 ("hi" and a line end)."""
    text = """[{"bn":"urn:dev:ow:10e2073a01080063:","n":"temp","u":"Cel","v":23.1},
               {"n":"label","vs":"Machine Room"},{"n":"open","vb":false},{"n":"nfv-reader","vd":"aGkgCg=="}]"""
    assert [row[3] for row in resolved(text)] == [23.1, "Machine Room", False, "aGkgCg=="]


def test_small_times_are_relative_to_now() -> None:
    """RFC 8428, 4.5.3: below 2 to the 28 (268435456) a time counts from now, above it from 1970."""
    assert resolved('[{"n":"a","v":1,"t":-60}]')[0][1] == NOW_S - 60
    assert resolved('[{"n":"a","v":1,"t":268435455}]')[0][1] == NOW_S + 268435455
    assert resolved('[{"n":"a","v":1,"t":268435456}]')[0][1] == 268435456


def test_base_value_and_sums() -> None:
    """RFC 8428, 4.1: a base value is added to each value, a base sum to each sum."""
    rows = resolve(read('[{"bn":"m:","bv":100,"bs":7,"n":"a","v":1.5,"s":3},{"n":"b"}]'), NOW_S)
    assert rows[0] == Resolved(name="m:a", time_s=NOW_S, value=101.5, sum=10.0)
    assert rows[1] == Resolved(name="m:b", time_s=NOW_S, value=100.0, sum=7.0)


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("{}", "array"),
        ("[1]", "array"),
        ("[{", "array"),
        ('[{"n":"a","v":"x"}]', "array"),
        ('[{"n":"a"}]', "one value, or a sum"),
        ('[{"n":"a","v":1,"vb":true}]', "one value, or a sum"),
        ('[{"v":1}]', "letters, digits"),
        ('[{"n":"-a","v":1}]', "letters, digits"),
        ('[{"n":"a b","v":1}]', "letters, digits"),
        ('[{"bver":11,"n":"a","v":1}]', "at most 10"),
        ('[{"bver":10,"n":"a","v":1},{"bver":9,"n":"b","v":1}]', "same"),
        ('[{"n":"a","v":1,"secret_":2}]', "a label of RFC 8428"),
    ],
)
def test_what_the_rfc_does_not_allow_is_refused_with_the_reason(text: str, says: str) -> None:
    """No pack, no value or two, a name or version that cannot be, a label that must be understood and is not."""
    with pytest.raises(CommandError, match=says):
        resolve(read(text), NOW_S)


def test_labels_that_need_not_be_understood_are_let_through() -> None:
    """RFC 8428, 4.4: only a label that ends in "_" must be understood."""
    assert resolved('[{"n":"a","v":1,"foo":"bar"}]') == [("a", NOW_S, None, 1.0)]


def test_readings_go_out_with_their_units_and_come_back() -> None:
    """All readings: flags as booleans, numbers with the registered unit (V, A, Cel), under the site's base name."""
    given: dict[str, float | bool | None] = {
        name: (True if row.kind == "flag" else 12.3456) for name, row in READINGS.items()
    }
    rows = resolve(read(pack(given, "orchard-lane-4", NOW_S)), now_s=0.0)
    assert {row.name: row.value for row in rows} == {
        f"condenser/v1/orchard-lane-4/{name}": (True if value is True else 12.346) for name, value in given.items()
    }
    assert {row.time_s for row in rows} == {NOW_S}
    assert {row.unit for row in rows} == {None, "V", "A", "Cel", "W"}


def test_a_missing_reading_has_no_record() -> None:
    """Missing is not zero; a pack of nothing is an empty array; without a clock there is no time in it."""
    assert json.loads(pack({"call": None, "fan_a": 0.0}, "s", None)) == [
        {"bn": "condenser/v1/s/", "n": "fan_a", "u": "A", "v": 0.0}
    ]
    assert pack({"call": None}, "s", NOW_S) == b"[]"
