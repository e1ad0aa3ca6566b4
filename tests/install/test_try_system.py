"""What the trial in the emulated machine hands out and how it judges: the page as one file, the order of what was told.

Outside check: the page kept is read by the standard library's HTML parser, as a browser with nothing behind it would.
"""

from __future__ import annotations

import importlib.util
import lzma
import shutil
import subprocess
import sys
from html.parser import HTMLParser
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest
from flask.testing import FlaskClient

from tests.web.conftest import app, client, impatient_page, site

__all__ = ["app", "client", "impatient_page", "site"]
INSTALL = Path(__file__).parents[2] / "hardware" / "install"


def _module(name: str) -> ModuleType:
    spec = importlib.util.spec_from_file_location(name.replace("-", "_"), INSTALL / f"{name}.py")
    assert spec is not None
    assert spec.loader is not None
    made = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = made
    spec.loader.exec_module(made)
    return made


class _Needs(HTMLParser):
    """The styles and scripts that a page asks its server for, and the style that it has inside."""

    def __init__(self) -> None:
        super().__init__()
        self.asked: list[str] = []
        self.style = ""
        self._inside = False

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        given = dict(attrs)
        if tag == "script" and "src" in given:
            self.asked.append(str(given["src"]))
        if tag == "link" and given.get("rel") == "stylesheet":
            self.asked.append(str(given["href"]))
        self._inside = tag == "style"

    def handle_endtag(self, tag: str) -> None:
        self._inside = False

    def handle_data(self, data: str) -> None:
        if self._inside:
            self.style += data


def test_the_page_that_is_sent_out_shows_without_the_machine(
    client: FlaskClient, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def fetched(path: str) -> str:
        with client.get(path) as answer:
            text: str = answer.get_data(as_text=True)
            return text

    inside, outside = _module("try-inside"), _module("try-system")
    monkeypatch.setattr(inside, "fetched", fetched)
    monkeypatch.setattr(inside, "PAGES", tmp_path / "pages")
    shown = inside.Shown()
    assert shown.look("fault")
    assert not shown.look("again")  # nothing has changed
    headline = capsys.readouterr().out.removeprefix("TRY page ").strip()
    outside.keep_pages(tmp_path / "pages", tmp_path / "kept")
    (kept,) = (tmp_path / "kept").iterdir()
    assert kept.name == "1-fault.html"
    text = kept.read_text(encoding="utf-8")
    needs = _Needs()
    needs.feed(text)
    assert needs.asked == []
    assert needs.style == fetched("/static/style.css")
    assert headline in text
    asked = _Needs()
    asked.feed(fetched("/"))
    assert len(asked.asked) == 3  # the parser does see them where they are


@pytest.mark.parametrize(
    ("news", "title"),
    [
        (["a-cleared", "b-raised", "c-revised"], "b-raised"),
        (["a-raised", "a-cleared", "b-raised"], "b-raised"),
        (["a-revised", "a-cleared"], "a-cleared"),
    ],
)
def test_a_page_is_named_after_what_was_raised_last(news: list[str], title: str) -> None:
    """Another finding that is revised in the same second does not take its place."""
    assert _module("try-inside").title_of(news) == title


TOLD = ["1.0 s: page All is well", "2.0 s: told raised a x,y,z", "3.0 s: page A", "4.0 s: told cleared a x"]


@pytest.mark.parametrize(
    ("more", "in_order", "on_the_page"),
    [
        (["5.0 s: told raised b x", "6.0 s: page B"], True, True),
        (["5.0 s: told raised b x"], True, False),
        (["5.0 s: told raised other x", "6.0 s: page Other"], False, False),
        ([], False, False),
    ],
)
def test_a_story_counts_where_each_finding_was_told_in_order_and_shown(
    more: list[str], in_order: bool, on_the_page: bool
) -> None:
    outside = _module("try-system")

    class Played:
        expect = (type("E", (), {"finding": "a"}), type("E", (), {"finding": "b"}))

    trial: Any = object.__new__(outside._Trial)
    trial._played = Played
    assert trial._in_order(TOLD + more) is in_order
    assert trial._on_the_page(TOLD + more) is on_the_page
    assert not trial._in_order(["2.0 s: told raised b x", "3.0 s: told raised a x"])


@pytest.mark.parametrize(
    ("said", "good"),
    [
        (["ok install", "ok end"], True),
        (["ok end", "12.0 s: says card full | no finding | no fault"], True),
        (["ok install"], False),
        (["FAILED install", "ok end"], False),
        ([], False),
    ],
)
def test_a_trial_passes_that_came_to_its_end_without_a_failure(said: list[str], good: bool) -> None:
    """A last word of the listener behind the end is no failure."""
    assert _module("try-system").passed(said) is good


@pytest.mark.parametrize(("within", "packed"), [(False, False), (True, True)])
def test_the_machine_starts_with_each_driver_that_its_kernel_has_not_within(
    tmp_path: Path, within: bool, packed: bool
) -> None:
    """As kernels name them (modules.dep, modules.builtin): Debian 12's has the disk's bus as a module, Debian 13's has
    it within itself and its modules packed. Checked by Debian's cpio, where it is there."""
    folder = tmp_path / "system/usr/lib/modules/6.1.0-arm64"
    folder.mkdir(parents=True)
    (tmp_path / "system/usr/bin").mkdir()
    (tmp_path / "system/usr/bin/busybox").write_bytes(b"busybox")
    end = ".ko.xz" if packed else ".ko"
    needs: dict[str, list[str]] = {
        "virtio_blk": [],
        "crc32c_generic": [],
        "ext4": ["jbd2"],
        "jbd2": [],
        "virtio_pci": ["virtio_pci_modern"],
    }
    needs |= {"virtio_pci_modern": []}
    built_in = {"virtio_pci", "virtio_pci_modern"} if within else set()
    modules = [name for name in needs if name not in built_in]
    for name in modules:
        (folder / f"{name}{end}").write_bytes(lzma.compress(name.encode()) if packed else name.encode())
    rows = [f"{name}{end}:" + "".join(f" {one}{end}" for one in needs[name]) for name in modules]
    (folder / "modules.dep").write_text("\n".join(rows) + "\n")
    (folder / "modules.builtin").write_text("".join(f"kernel/{name}.ko\n" for name in sorted(built_in)))
    made = _module("try-system").initial_disk(tmp_path / "system", tmp_path)
    loaded = [
        line.split("/")[-1] for line in made.read_bytes().decode(errors="replace").splitlines() if "insmod" in line
    ]
    first = [] if within else ["virtio_pci_modern.ko", "virtio_pci.ko"]
    assert loaded == [*first, "virtio_blk.ko", "crc32c_generic.ko", "jbd2.ko", "ext4.ko"]
    if shutil.which("cpio"):
        with made.open("rb") as archive:
            listed = subprocess.run(["cpio", "-t"], stdin=archive, capture_output=True, text=True, check=True)
        assert set(loaded) < set(listed.stdout.split())
