"""One catalogue: no template holds words of its own, each key that is asked for exists, and none is left over."""

from __future__ import annotations

import re
from html.parser import HTMLParser
from pathlib import Path
from string import Formatter

import pytest
from jinja2 import Environment, nodes

from condenser_monitor.monitor.strings import texts, visits
from condenser_monitor.monitor.strings.page import PAGE
from condenser_monitor.monitor.strings.translate import Reader, reading
from condenser_monitor.web.template_strings import plain, t

WEB = Path(__file__).parents[2] / "web"
VISITS = Path(visits.__file__)
DRAWING = Path(__file__).parents[2] / "monitor" / "drawing"
TEMPLATES = sorted((WEB / "templates").glob("*.html"))
SPOKEN = ("aria-label", "title", "alt", "placeholder", "label", "content")
NOT_SPOKEN = {"viewport"}  # <meta name=...> whose content nobody reads out
WORD = re.compile(r"[^\W\d_]")
# Keys put together at run time: a template or view gives the beginning, a table of the program the end.
BUILT = re.compile(
    r"(severity|alert|symptom|told|power|such-as|zoom|board|is|right|publisher|lane|part|menu|suspect|renewed|error|answer|answered|drift|step|field|refused|not-watched|episode|seen|note|basis)-"
)


class _Spoken(HTMLParser):
    """Collects the letters that a reader would see or hear."""

    def __init__(self) -> None:
        super().__init__()
        self.found: list[str] = []

    def handle_data(self, data: str) -> None:
        if WORD.search(data):
            self.found.append(data.strip())

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        given = dict(attrs)
        if given.get("name") in NOT_SPOKEN or given.get("http-equiv") is not None:
            return
        named = tag == "meta" and given.get("name") != "description"
        self.found += [given[key] or "" for key in SPOKEN if WORD.search(given.get(key) or "") and not named]


def own_words(source: str) -> list[str]:
    """The words that stand in a template itself: as HTML, and as texts within its expressions."""
    parser = _Spoken()
    source = re.sub(r"\{% block body %\}.*?\{% endblock %\}", "", source)  # attributes of the body's own tag
    parser.feed(re.sub(r"\{#.*?#\}|\{%.*?%\}|\{\{.*?\}\}", "", source, flags=re.S))
    tree = Environment().parse(source)
    shown = [const for output in tree.find_all(nodes.Output) for node in output.nodes for const in _shown(node)]
    return parser.found + [value for value in shown if WORD.search(value)]


def _shown(node: nodes.Node) -> list[str]:
    """The texts of an expression that come out as they are; what is given to a function or compared does not."""
    if isinstance(node, nodes.Const):
        return [str(node.value)]
    if isinstance(node, nodes.CondExpr):
        return _shown(node.expr1) + ([] if node.expr2 is None else _shown(node.expr2))
    if isinstance(node, nodes.Concat):
        return [text for part in node.nodes for text in _shown(part)]
    if isinstance(node, nodes.BinExpr):
        return _shown(node.left) + _shown(node.right)
    if isinstance(node, nodes.Getitem):
        return _shown(node.node)
    if isinstance(node, nodes.Dict):
        return [text for pair in node.items for text in _shown(pair.value)]
    return []


@pytest.mark.parametrize("path", TEMPLATES, ids=lambda path: path.stem)
def test_no_template_holds_words_of_its_own(path: Path) -> None:
    """All that is read or heard comes through the catalogue, so that a translation is another table."""
    assert own_words(path.read_text()) == []


@pytest.mark.parametrize(
    "source",
    ["<p>Well</p>", '<a title="Well">1</a>', '{{ "Well" if x }}', '{{ {"a": "Well"}[k] }}', '{{ n ~ " min" }}'],
)
def test_the_look_for_own_words_finds_them(source: str) -> None:
    """Text, attribute, choice, table and joined text are each noticed."""
    assert own_words(source) != []


def asked_for() -> set[str]:
    """The keys that templates and views name in full."""
    sources = [path.read_text() for path in (*TEMPLATES, *WEB.glob("*.py"), *DRAWING.glob("*.py"), VISITS)]
    return {key for source in sources for key in re.findall(r'(?<=["\'])[a-z0-9][a-zA-Z0-9-]*(?=["\'])', source)}


def test_every_key_that_is_asked_for_exists_and_none_is_left_over() -> None:
    """`t("...")` and `plain("...")` find their words; a key that nobody asks for is not kept."""
    sources = [path.read_text() for path in (*TEMPLATES, *WEB.glob("*.py"), *DRAWING.glob("*.py"), VISITS)]
    named = {key for source in sources for key in re.findall(r'\b(?:t|plain)\("([a-zA-Z0-9-]+)"[,)]', source)}
    known = {**texts.WORDS, **PAGE}
    assert named - set(known) == set()
    used = asked_for()
    singular = {f"{key}-one" for key in PAGE}  # chosen where one thing is counted
    assert [key for key in PAGE if key not in used | singular and not BUILT.match(key)] == []


def test_no_key_stands_twice() -> None:
    """The page's own words do not hide those of the common catalogue."""
    assert set(texts.WORDS) & set(PAGE) == set()


def test_what_is_put_in_is_escaped_on_the_page_and_plain_in_a_drawing() -> None:
    """A name with markup in it stays a name."""
    assert str(t("share-ended", name="<b>")) == "The code of &lt;b&gt; no longer works."
    assert plain("share-ended", name="<b>") == "The code of <b> no longer works."
    with pytest.raises(KeyError):
        t("share-ended")


@pytest.mark.parametrize(
    ("language", "one", "more"),
    [("en", "1 finished cycle", "2 finished cycles"), ("es", "1 ciclo terminado", "2 ciclos terminados")],
)
def test_one_is_counted_in_the_singular(language: str, one: str, more: str) -> None:
    """As both languages have it; a count that is a text too. Each singular asks for no more than its plural."""
    with reading(Reader(language)):
        assert (plain("cycles-count", count=1), plain("cycles-count", count=2)) == (one, more)
        assert plain("cycles-count", count="1") == str(t("cycles-count", count=1)) == one
    fields = {key: {name for _, name, _, _ in Formatter().parse(text) if name} for key, text in PAGE.items()}
    for key in PAGE:
        assert fields.get(f"{key}-one", set()) <= fields[key]
