"""What the program stands on: the licences of everything that an installation brings along, and the light core."""

from __future__ import annotations

import re
import sys
from importlib.metadata import Distribution, PackageNotFoundError, distribution, packages_distributions

import pytest
from packaging.markers import default_environment
from packaging.requirements import Requirement

from monitor.commands.parts import EXTRA_OF

OURS = "condenser-monitor"
# Permissive, or copyleft that ends at the library itself: none asks anything of a program that only uses it.
ALLOWED = re.compile(
    r"\b(MIT|BSD|Apache|ISC|PSF|Python Software Foundation|MPL|Mozilla Public|EPL|Eclipse|EDL|LGPL|Lesser General"
    r"|ZPL|Zope Public|Unlicense|CC0|HPND|Historical Permission|0BSD|Public Domain|Zlib)\b",
    re.IGNORECASE,
)
CORE = {
    *("msgspec", "gpiozero", "colorzero", "lgpio", "paho-mqtt"),
    *("adafruit-circuitpython-ads1x15", "adafruit-extended-bus", "adafruit-blinka", "adafruit-circuitpython-busdevice"),
    *("adafruit-circuitpython-typing", "adafruit-circuitpython-requests", "adafruit-circuitpython-connectionmanager"),
    *("adafruit-platformdetect", "adafruit-pureio", "binho-host-adapter", "pyftdi", "pyserial", "pyusb"),
    *("rpi-ws281x", "rpi-gpio", "sysv-ipc", "toml", "typing-extensions", "setuptools", "rpi-lgpio", "packaging"),
}
EXTRAS = ("web", "phone", "report", "fleet", "demo")


def brought(*extras: str) -> dict[str, Distribution]:
    """Everything that an installation with these extras brings, by normal name; what is not for this machine is out."""
    found: dict[str, Distribution] = {}
    waiting = [(OURS, frozenset(extras))]
    seen: set[tuple[str, frozenset[str]]] = set()
    while waiting:
        name, wanted = waiting.pop()
        if (name, wanted) in seen:
            continue
        seen.add((name, wanted))
        try:
            found[name] = distribution(name)
        except PackageNotFoundError:
            continue  # for another platform
        for text in found[name].requires or []:
            needed = Requirement(text)
            if any(_asked(needed, extra) for extra in (*wanted, "")):
                waiting.append((re.sub(r"[-_.]+", "-", needed.name).lower(), frozenset(needed.extras)))
    del found[OURS]
    return found


def _asked(needed: Requirement, extra: str) -> bool:
    return needed.marker is None or needed.marker.evaluate(default_environment() | {"extra": extra})


def licence(dist: Distribution) -> str:
    """What a package says of its licence, wherever it says so."""
    said = [dist.metadata[field] or "" for field in ("License-Expression", "License")]
    said += [line for line in dist.metadata.get_all("Classifier") or [] if line.startswith("License")]
    return " ; ".join(line.strip().partition("\n")[0] for line in said if line.strip())


def test_every_package_that_comes_along_has_a_licence_that_allows_it() -> None:
    """Over the whole closure of every extra that is installed anywhere but for tests."""
    packages = brought(*EXTRAS)
    assert len(packages) > 20
    said = {name: licence(dist) for name, dist in packages.items()}
    refused = {name: words for name, words in said.items() if not ALLOWED.search(words)}
    assert refused == {}


def test_the_core_on_the_pi_brings_nothing_unforeseen() -> None:
    """Without an extra only what is named here: a new one must be added on purpose."""
    assert brought().keys() - CORE == set()


def test_every_package_of_an_extra_is_told_by_the_name_of_the_extra() -> None:
    """A command whose package is missing names the extra that brings it: each extra's own packages are in the table,
    each by the name it is imported by, and none of them comes without that extra."""
    named = packages_distributions()
    plain = brought()
    told = {extra: set[str]() for extra in EXTRA_OF.values()}
    for package, extra in EXTRA_OF.items():
        one = re.sub(r"[-_.]+", "-", named[package][0]).lower()
        assert one in brought(extra)
        assert one not in plain
        told[extra].add(one)
    for text in distribution(OURS).requires or []:
        needed = Requirement(text)
        for extra in EXTRAS:
            if needed.marker is not None and _asked(needed, extra) and not _asked(needed, "") and needed.name != OURS:
                assert re.sub(r"[-_.]+", "-", needed.name).lower() in told[extra]


@pytest.mark.parametrize("licence_said", ["GPL-3.0-only", "GNU General Public License v3 (GPLv3)", "Proprietary", ""])
def test_a_licence_that_asks_more_is_refused(licence_said: str) -> None:
    """The judge itself."""
    assert not ALLOWED.search(licence_said)


def test_python_is_one_that_is_still_mended() -> None:
    """3.11 gets mends of security until October 2027 (PEP 664)."""
    assert sys.version_info >= (3, 11)
