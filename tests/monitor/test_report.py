"""The report for a technician: what it holds, that it needs nothing from outside, and that both forms say the same."""

from __future__ import annotations

import importlib
import io
import re
from collections.abc import Iterator
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import msgspec
import pytest

from condenser_monitor.monitor import limits
from condenser_monitor.monitor.core.config import (
    SensorSettings,
    Settings,
    Site,
    Unit,
)
from condenser_monitor.monitor.core.errors import CommandError
from condenser_monitor.monitor.core.records import MeterReading, Request, RequestKind, StoredVisit
from condenser_monitor.monitor.drawing.shapes import Drawing, Text
from condenser_monitor.monitor.report.blocks import (
    Block,
    Bullets,
    Document,
    Heading,
    Para,
    Picture,
    Table,
)
from condenser_monitor.monitor.report.html import html
from condenser_monitor.monitor.report.pdf import pdf
from condenser_monitor.monitor.report.write import (
    report,
    report_html,
    report_pdf,
    write_report,
)
from condenser_monitor.monitor.storage.history import History
from tests.conftest import set_limit
from tests.monitor.units import (
    ALL,
    REST,
    RUN,
    UNIT,
    but,
    scans,
)
from tests.size import long_one
from tests.web import filled

DEAD = but(RUN, coil_a=0.0, load=False, compressor_a=0.0, fan_a=0.0)
SETTINGS = Settings(site=Site(name="Orchard House", id="orchard"), unit=UNIT, senses=SensorSettings(fitted=ALL))
HARD = "<b>&</b> 漢 Ω “x”"


@pytest.fixture
def site(tmp_path: Path) -> Iterator[filled.Site]:
    """A unit that ran twice and then gets a call that its open coil does not follow."""
    parts = ((60, REST), (600, RUN), (300, REST), (600, RUN), (60, REST), (400, DEAD))
    made = filled.from_scans(tmp_path / "site", SETTINGS, scans(*parts), end_s=2019.0)
    yield made
    made.history.close()


def made(site: filled.Site, **how: Any) -> Document:
    return report(site.history, site.settings, how.pop("days", 3), wall_s=filled.NOW_S + 1, **how)


def text(document: Document) -> str:
    """Every word of a document."""
    words: list[str] = []
    for block in document.blocks:
        match block:
            case Heading() | Para():
                words.append(block.words)
            case Bullets():
                words += block.rows
            case Table():
                words += [*block.head, *(cell for row in block.rows for cell in row)]
            case Picture():
                words += [block.drawing.title, block.drawing.description]
    return "\n".join(words)


# ---------------------------------------------------------------- what it holds


def test_report_tells_what_stands_who_is_suspected_and_who_is_ruled_out_and_why(site: filled.Site) -> None:
    """The finding in plain words, suspects in order, each one ruled out with its reason, what comes next."""
    said = text(made(site))
    assert "its contactor does not switch it on" in said
    assert "Suspected, the likeliest first:" in said
    assert said.index("Contactor coil open (burnt out). Repair:") < said.index("Ruled out")
    assert "Contactor coil shorted\nthe coil draws no current" in said
    assert "Contactor coil, ohms" in said


def test_report_holds_chain_runs_pictures_nameplate_and_cautions(site: filled.Site) -> None:
    """The chain names the break; two runs with their figures; the site file's nameplate; the usual cautions first."""
    document = made(site)
    said = text(document)
    assert "Contactor coil: no current, the break" in said
    runs = next(block for block in document.blocks if isinstance(block, Table) and "pull-in" in block.head)
    assert [row[1] for row in runs.rows] == ["10 min", "10 min"]
    assert {row[4] for row in runs.rows} == {"9.0"}
    assert "RLA 12.8 A, LRA 68 A" in said
    assert "one leg live" in said
    assert said.index("lock and tag") < said.index("Current status, step by step")
    pictures = {block.drawing.title for block in document.blocks if isinstance(block, Picture)}
    assert {"Current status, step by step", "What ran in the last 24 hours", "Compressor current"} <= pictures


def test_two_pole_contactor_has_no_caution_for_one_pole(site: filled.Site) -> None:
    """Cautions are those of this unit."""
    site.settings = msgspec.structs.replace(SETTINGS, unit=Unit(contactor_poles=2))
    assert "one leg live" not in text(made(site))


def test_meter_readings_narrow_the_suspects_of_the_report(site: filled.Site) -> None:
    """A sound coil on the meter: the coil is no longer suspected, and the reading is listed."""
    finding = "call-without-pull-in"
    assert "Contactor coil open (burnt out). Repair" in text(made(site))
    site.history.add_meter_reading(
        MeterReading(check="coil-ohms", typed="14.2", by="Sam", wall_s=filled.NOW_S, symbol="usual", finding=finding)
    )
    said = text(made(site))
    assert "Loose or burnt connection. Repair" in said
    assert "Contactor coil open (burnt out). Repair" not in said
    assert "Checked since: Contactor coil, ohms" in said
    assert "14.2" in said
    site.history.add_meter_reading(
        MeterReading(check="plunger", typed="blocked", by="Sam", wall_s=filled.NOW_S, symbol="blocked", finding=finding)
    )
    assert "by eye and by hand: the armature cannot be pushed in" in text(made(site))


def test_report_tells_the_story_that_people_were_told(site: filled.Site) -> None:
    """One line for the cause: that somebody has answered, and says that it is repaired."""
    for kind, day in ((RequestKind.ACKNOWLEDGE, "2026-07-16"), (RequestKind.REPAIRED, None)):
        wish = Request(id=f"r-{kind}", request=kind, by="Sam", finding="episode-1", day=day)
        answer, events = site.engine.request(wish, site.now_s, site.hands.wall_s)
        assert answer.done
        site.step(events=events, answers=[answer])
    tables = [block for block in made(site).blocks if isinstance(block, Table)]
    rows = [
        row for table in tables for row in table.rows if "Answered by Sam; a technician comes on Thu Jul 16." in row[-1]
    ]
    (row,) = rows
    assert row[-1].startswith("The outdoor unit is asked to cool, but its contactor does not switch it on.")
    assert "Repaired, says Sam; the next run confirms it or takes it back." in row[-1]
    assert row[1] == "Active"


def test_finding_that_comes_again_and_again_is_one_row(tmp_path: Path) -> None:
    """Five calls without a run, one after the other: one episode with its count, numbered in the pictures."""
    parts = [part for _ in range(5) for part in ((120, DEAD), (300, REST))]
    site = filled.from_scans(tmp_path / "often", SETTINGS, scans((60, REST), *parts), end_s=2159.0)
    document = made(site)
    story = next(block for block in document.blocks if isinstance(block, Table) and block.head[1:3] == ("from", "to"))
    assert len(story.rows) == 1
    assert "5 times." in story.rows[0][3]
    assert "Quiet for now, not known to be repaired" in text(document)
    site.history.close()


def test_blind_monitor_shows_nothing_as_live(site: filled.Site) -> None:
    """A status of yesterday: said first, and every link of the picture is not known."""
    site.hands.forward(86400.0)
    document = report(site.history, SETTINGS, 3, wall_s=filled.NOW_S + 86400.0)
    assert "The monitor isn't receiving readings" in text(document)
    told = next(block for block in document.blocks if isinstance(block, Picture)).drawing.description
    assert "arrives" not in told
    assert told.count("not known") == 8


def test_what_is_asked_for_has_bounds(site: filled.Site) -> None:
    """No day and a whole year are refused."""
    for days in (0, 93):
        with pytest.raises(CommandError, match="1 to 92"):
            made(site, days=days)


# ---------------------------------------------------------------- the two forms


class _Outside(HTMLParser):
    """Gathers what a page would fetch, and every tag."""

    def __init__(self) -> None:
        super().__init__()
        self.fetched: list[str] = []
        self.tags: set[str] = set()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.add(tag)
        self.fetched += [f"{tag} {name}" for name, _ in attrs if name in ("src", "href", "srcset", "data", "action")]


def test_html_needs_nothing_from_outside_and_runs_nothing(site: filled.Site) -> None:
    """No script, no link, no source, no url() in the style; the policy forbids what a mistake might add."""
    page = report_html(site.history, SETTINGS, 3, wall_s=filled.NOW_S + 1)
    seen = _Outside()
    seen.feed(page)
    assert seen.fetched == []
    assert not seen.tags & {"script", "link", "iframe", "img", "object", "form"}
    assert "url(" not in page
    assert "@import" not in page
    assert "default-src 'none'" in page


def test_html_holds_every_word_of_the_document(site: filled.Site) -> None:
    """Nothing is left out on the way."""
    page = report_html(site.history, SETTINGS, 3, wall_s=filled.NOW_S + 1)
    plain: list[str] = []
    reader = HTMLParser()
    reader.handle_data = plain.append  # type: ignore[method-assign,assignment]
    reader.feed(page)
    found = " ".join(plain)
    for words in text(made(site)).splitlines():
        assert words in found


def test_pdf_says_the_same_as_html(site: filled.Site) -> None:
    """Every heading, bullet and cell is in the PDF's text, read back with pypdf."""
    pypdf = importlib.import_module("pypdf")
    reader = pypdf.PdfReader(io.BytesIO(report_pdf(site.history, SETTINGS, 3, wall_s=filled.NOW_S + 1)))
    found = _squeezed(" ".join(page.extract_text() for page in reader.pages))
    assert len(reader.pages) >= 3
    assert reader.metadata.title == "Orchard House: report for the technician"
    for block in made(site).blocks:
        if not isinstance(block, Picture):
            for words in text(Document("", "", (block,))).splitlines():
                assert _squeezed(words) in found


def _squeezed(words: str) -> str:
    return re.sub(r"\s+", "", words)


def test_page_of_the_pdf_is_that_of_the_line(site: filled.Site) -> None:
    """A4 (210 x 297 mm, ISO 216) where the line has 50 Hz, letter (8.5 x 11 in) at 60 Hz."""
    pypdf = importlib.import_module("pypdf")
    for line_hz, size_mm in ((60, (215.9, 279.4)), (50, (210.0, 297.0))):
        settings = msgspec.structs.replace(SETTINGS, unit=msgspec.structs.replace(UNIT, line_hz=line_hz))
        page = pypdf.PdfReader(io.BytesIO(report_pdf(site.history, settings, 1, wall_s=filled.NOW_S))).pages[0]
        assert [float(side) * 25.4 / 72 for side in page.mediabox[2:]] == pytest.approx(size_mm, abs=0.1)


def test_words_of_people_are_words_and_never_markup(site: filled.Site) -> None:
    """A name with angle brackets and letters of other scripts: shown in HTML as typed, and no error in the PDF."""
    site.settings = msgspec.structs.replace(SETTINGS, site=Site(name=HARD))
    site.history.add_visit(StoredVisit(was="coil-open", by=HARD, wall_s=filled.NOW_S, note=HARD))
    page = report_html(site.history, site.settings, 3, wall_s=filled.NOW_S + 1)
    assert "<b>" not in page
    assert "&lt;b&gt;&amp;&lt;/b&gt; 漢 Ω “x”" in page
    assert report_pdf(site.history, site.settings, 3, wall_s=filled.NOW_S + 1).startswith(b"%PDF")


def test_every_kind_of_block_shows_words_as_they_are() -> None:
    """Brackets and ampersands in headings, paragraphs, lists, tables and pictures: read back as typed, from both."""
    pypdf = importlib.import_module("pypdf")
    words = "<i>x & y</i>"
    drawing = Drawing(words, words, 100, 20, (Text(0, 10, words),))
    kinds = (Heading(words), Para(words), Bullets([words]), Bullets([words], "caution"), Bullets([words], "numbered"))
    blocks = (*kinds, Table((words,), [(words,)], (1.0,)), Picture(drawing))
    page = html(Document(words, words, blocks))
    assert "<i>" not in page
    assert page.count("&lt;i&gt;x &amp; y&lt;/i&gt;") == 12  # title, foot, five, two cells, and three of the picture
    reader = pypdf.PdfReader(io.BytesIO(pdf(Document(words, words, blocks))))
    assert _squeezed(reader.pages[0].extract_text()).count(_squeezed(words)) == 9


def _lowest_fonts(document: bytes) -> list[tuple[str, str]]:
    """Font and words of the lowest line of each page of a PDF, its foot left out."""
    pypdf = importlib.import_module("pypdf")
    found = []
    for page in pypdf.PdfReader(io.BytesIO(document)).pages:
        lines: list[tuple[float, str, str]] = []

        def visit(words: str, moved: list[float], place: list[float], font: dict[str, Any] | None, size: float) -> None:
            if words.strip() and font is not None and size > 7.5:
                lines.append((moved[5] + moved[3] * place[5], font["/BaseFont"], words.strip()))  # noqa: B023

        page.extract_text(visitor_text=visit)
        found.append(min(lines)[1:])
    return found


@long_one
@pytest.mark.parametrize("rows", [1, 12, 120], ids=["short table", "table", "table over pages"])
def test_no_heading_stands_alone_at_the_foot_of_a_page(rows: int) -> None:
    """Whatever is above it: the lowest words of each page, by their place in the PDF, are no heading's."""
    table = Table(("a", "b"), [("some words", "and others")] * rows, (0.5, 0.5))
    after = (Heading("A heading"), Heading("Within it", 3), table)
    for above in range(25, 48):
        blocks: list[Block] = [
            *[Para("A line.")] * above,
            *after,
            Heading("Another"),
            Para("Said of it:"),
            Bullets(["one", "two"]),
        ]
        found = _lowest_fonts(pdf(Document("title", "foot", tuple(blocks))))
        assert len(found) >= 1
        assert [words for font, words in found if "Bold" in font or words.endswith(":")] == [], above


def test_a_caption_under_a_heading_stays_with_its_picture() -> None:
    """A heading and "the last 24 hours" say nothing at the foot of a page whose picture is on the next."""
    drawing = Drawing("title", "words", 100, 60, (Text(0, 10, "drawn"),))
    for above in range(20, 40):
        blocks: list[Block] = [Para("A line.")] * above
        blocks += [Heading("Over the days"), Para("The last 24 hours", "soft"), Picture(drawing)]
        found = _lowest_fonts(pdf(Document("title", "foot", tuple(blocks))))
        assert "The last 24 hours" not in [words for _, words in found], above


def test_no_page_of_a_report_ends_with_a_heading(site: filled.Site) -> None:
    """The same of a whole report, with its pictures and cautions."""
    found = _lowest_fonts(report_pdf(site.history, SETTINGS, 3, wall_s=filled.NOW_S + 1))
    assert len(found) >= 3
    assert [words for font, words in found if "Bold" in font] == []


def test_story_that_is_too_long_leaves_out_its_oldest(site: filled.Site, monkeypatch: pytest.MonkeyPatch) -> None:
    """With room for one row, the newest is shown, and how many are not is said."""
    request = Request(id="a", request=RequestKind.ACKNOWLEDGE, by="Sam", finding="call-without-pull-in")
    site.history.add_request(request)
    site.work()
    set_limit(monkeypatch, limits.REPORT.events, 1)
    said = text(made(site))
    assert "The 1 oldest are left out." in said
    assert "Sam set" in said


def test_empty_history_makes_a_report_that_says_so(history: History) -> None:
    """Before the first scan: both forms, and no claim about the unit."""
    page = report_html(history, SETTINGS)
    assert "The monitor has not seen the unit yet." in page
    assert "Nothing stands" not in page
    assert report_pdf(history, SETTINGS).startswith(b"%PDF")


def test_file_is_written_whole_by_its_ending(site: filled.Site, tmp_path: Path) -> None:
    """HTML and PDF by name; another ending and a place that cannot be written are refused and leave nothing."""
    said: list[str] = []
    for name, begins in (("a.html", b"<!doctype html>"), ("a.PDF", b"%PDF")):
        assert write_report(site.history, SETTINGS, str(tmp_path / name), say=said.append, wall_s=filled.NOW_S) == 0
        assert (tmp_path / name).read_bytes().startswith(begins)
    assert "gathering" in said[0]
    for name in ("a.txt", "none/a.html"):
        with pytest.raises(CommandError):
            write_report(site.history, SETTINGS, str(tmp_path / name), say=said.append)
    assert sorted(place.name for place in tmp_path.glob("a.*")) == ["a.PDF", "a.html"]
