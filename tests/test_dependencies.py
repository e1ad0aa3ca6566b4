"""What the program stands on: the licences of everything that an installation brings along, and the light core."""

from __future__ import annotations

import re
import sys
import tomllib
from importlib.metadata import Distribution, PackageNotFoundError, distribution, packages_distributions
from pathlib import Path

import pytest
from packaging.markers import default_environment
from packaging.requirements import Requirement
from packaging.version import Version

from condenser_monitor.monitor.commands.shared import EXTRA_OF
from tests.size import long_one

OURS = "condenser-monitor"
# Permissive, or copyleft that ends at the library itself: none asks anything of a program that only uses it.
ALLOWED = re.compile(
    r"\b(MIT|BSD|Apache|ISC|PSF|Python Software Foundation|MPL|Mozilla Public|EPL|Eclipse|EDL|LGPL|Lesser General"
    r"|ZPL|Zope Public|Unlicense|CC0|HPND|Historical Permission|0BSD|Public Domain|Zlib)\b",
    re.IGNORECASE,
)
CORE = {
    *("msgspec", "gpiozero", "colorzero", "lgpio", "paho-mqtt", "logging-journald"),
    *("adafruit-circuitpython-ads1x15", "adafruit-extended-bus", "adafruit-blinka", "adafruit-circuitpython-busdevice"),
    *("adafruit-circuitpython-typing", "adafruit-circuitpython-requests", "adafruit-circuitpython-connectionmanager"),
    *("adafruit-platformdetect", "adafruit-pureio", "binho-host-adapter", "pyftdi", "pyserial", "pyusb"),
    *("rpi-ws281x", "rpi-gpio", "sysv-ipc", "toml", "typing-extensions", "setuptools", "rpi-lgpio", "packaging"),
}
EXTRAS = ("web", "phone", "report", "fleet", "demo")


# The oldest that may be used of what reads from the network or writes files for it, and what was mended by then. From
# memory: no service for known weaknesses is asked.
OLDEST = {
    "waitress": ("3.0.1", "requests sent in a row were answered after the first was refused"),
    "werkzeug": ("3.0.6", "a form in many parts took memory without bound"),
    "jinja2": ("3.1.6", "a template could leave its sandbox"),
    "reportlab": ("3.6.13", "colours in a text were worked out as Python"),
    "requests": ("2.32.4", "credentials of ~/.netrc were sent to a host that an address only seemed to name"),
    "urllib3": ("2.5.0", "redirects were followed though switched off"),
    "idna": ("3.7", "a long name took time that grew with its square"),
    "certifi": ("2024.7.4", "an authority that is no longer trusted"),
    "mako": ("1.2.2", "a template took time that grew with its square"),
    "pyyaml": ("5.4", "loading ran what a file said"),
}
NAMED = ("waitress", "werkzeug", "jinja2")  # what faces the network without a right: its oldest is demanded by name


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
    here = {name: str(value) for name, value in default_environment().items()}
    return needed.marker is None or needed.marker.evaluate(here | {"extra": extra})


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


@pytest.mark.parametrize("name", OLDEST)
def test_nothing_older_is_in_use_than_what_was_mended(name: str) -> None:
    """Of what is installed here; what is not brought along on this platform is none."""
    found = brought(*EXTRAS).get(name)
    assert found is None or Version(found.version) >= Version(OLDEST[name][0]), OLDEST[name][1]
    assert found is not None or name not in NAMED


@pytest.mark.parametrize("name", NAMED)
def test_the_page_demands_what_was_mended_of_what_faces_the_network(name: str) -> None:
    """By name in the extra, so that an old one on the machine is replaced when the page is installed."""
    project = tomllib.loads((Path(__file__).parents[1] / "pyproject.toml").read_text())["project"]
    needs = {one.name: one for one in map(Requirement, project["optional-dependencies"]["web"])}
    oldest = Version(OLDEST[name][0])
    assert str(oldest) in needs[name].specifier
    assert f"{oldest.major}.{oldest.minor}.{oldest.micro - 1}" not in needs[name].specifier


def test_the_core_on_the_pi_brings_nothing_unforeseen() -> None:
    """Without an extra only what is named here: a new one must be added on purpose."""
    assert brought().keys() - CORE == set()


@long_one
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
                # An extra that takes another one in lists that one's packages as its own.
                taken_in = [one for one in told if brought(one).keys() <= brought(extra).keys()]
                assert re.sub(r"[-_.]+", "-", needed.name).lower() in set().union(*(told[one] for one in taken_in))


@pytest.mark.parametrize("licence_said", ["GPL-3.0-only", "GNU General Public License v3 (GPLv3)", "Proprietary", ""])
def test_a_licence_that_asks_more_is_refused(licence_said: str) -> None:
    """The judge itself."""
    assert not ALLOWED.search(licence_said)


def test_python_is_one_that_is_still_mended() -> None:
    """3.11 gets mends of security until October 2027 (PEP 664)."""
    assert sys.version_info >= (3, 11)
