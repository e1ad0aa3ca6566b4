"""A report as one HTML file that needs nothing else: no script, no font, no picture from anywhere. Pure."""

from __future__ import annotations

from base64 import b64encode
from hashlib import sha256
from html import escape

from condenser_monitor.monitor.drawing.shapes import as_svg
from condenser_monitor.monitor.report.blocks import (
    Block,
    Bullets,
    Document,
    Heading,
    Para,
    Picture,
    Table,
)
from condenser_monitor.monitor.strings.translate import reader

STYLE = (
    """
.report { color-scheme: light; margin: 0 auto; padding: 1.2rem; max-width: 46rem; background: #fff; color: #1d2226;
  font: 16px/1.45 Helvetica, Arial, sans-serif; }
.report h1 { font-size: 1.5rem; line-height: 1.2; margin: 0 0 .3rem; }
.report h2 { font-size: 1.2rem; margin: 2rem 0 .5rem; padding-top: .5rem; border-top: 2px solid #1d2226; }
.report h3 { font-size: 1rem; margin: 1.2rem 0 .4rem; }
.report p { margin: 0 0 .6rem; }
.report .is-soft { color: #5a636b; font-size: .9rem; }
.report .is-lead { font-size: 1.12rem; font-weight: 700; margin-top: .8rem; }
.report .is-say { border-left: 4px solid #5a636b; padding: .4rem .8rem; background: #f3f1ec; }
.report .is-warn { border: 2px solid #a8201a; padding: .4rem .8rem; font-weight: 700; }
.report ul, .report ol { margin: 0 0 .8rem; padding-left: 1.4rem; } .report li { margin-bottom: .25rem; }
.report ul.is-caution { list-style: none; padding: .6rem .8rem; border: 1.5px solid #8a4b00; }
.report ul.is-caution li { padding-left: 1.5rem; position: relative; }
.report ul.is-caution li::before { content: "!"; position: absolute; left: 0; font-weight: 700; color: #8a4b00;
  border: 1.5px solid; width: 1rem; height: 1rem; line-height: 1rem; text-align: center; border-radius: 3px;
  font-size: .85rem; top: .12rem; }
.report .wide { overflow-x: auto; margin: 0 0 1rem;
  background: linear-gradient(to right, #fff 40%, transparent) 0 0 / 2.5rem 100% no-repeat local,
    linear-gradient(to left, #fff 40%, transparent) 100% 0 / 2.5rem 100% no-repeat local,
    linear-gradient(to right, #bbb, transparent) 0 0 / .9rem 100% no-repeat scroll,
    linear-gradient(to left, #bbb, transparent) 100% 0 / .9rem 100% no-repeat scroll; }
.report table { border-collapse: collapse; width: 100%; font-size: .88rem; }
.report table.many { min-width: 36rem; } .report table.many td { overflow-wrap: normal; }
.report table.many td:first-child { white-space: nowrap; }
.report th, .report td { text-align: left; vertical-align: top; padding: .25rem .5rem .25rem 0;
  border-bottom: 1px solid #d5d2ca; color: inherit; }
.report th { border-bottom: 1.5px solid #1d2226; font-weight: 700; font-size: inherit; }
.report .n { text-align: right; font-variant-numeric: tabular-nums; }
.report td.n { white-space: nowrap; }
.report svg { display: block; width: 100%; min-width: 36rem; height: auto; }
.report .foot { margin-top: 2rem; border-top: 1px solid #d5d2ca; padding-top: .5rem; }
@media print { .report { max-width: none; padding: 0; font-size: 10.5pt; } .report h2 { break-after: avoid; }
  .report h3, .report ul.is-caution, .report svg, .report tr, .report .is-say { break-inside: avoid; }
  .report .wide { overflow: visible; background: none; } }
"""
    + "\n".join(f".report .w{percent} {{ width: {percent}%; }}" for percent in range(1, 101))
    + "\n"
)
# The one style is known by its hash, so that the file may hold no other.
_KNOWN = b64encode(sha256(STYLE.encode()).digest()).decode()
_HEAD = (
    '<meta charset="utf-8">'
    '<meta name="viewport" content="width=device-width, initial-scale=1">'
    f"<meta http-equiv=\"Content-Security-Policy\" content=\"default-src 'none'; style-src 'sha256-{_KNOWN}'\">"
)


def html(document: Document) -> str:
    """The document as one HTML page."""
    return (
        f'<!doctype html><html lang="{reader().language}"><head>{_HEAD}'
        f"<title>{escape(document.title)}</title><style>{STYLE}</style></head>"
        f"<body><main>{article(document)}</main></body></html>\n"
    )


def article(document: Document) -> str:
    """The document as an element for a page that has STYLE among its style sheets."""
    body = "".join(_block(block, place) for place, block in enumerate(document.blocks))
    return f'<article class="report">{body}<p class="is-soft foot">{escape(document.foot)}</p></article>'


def _block(block: Block, place: int) -> str:
    match block:
        case Heading():
            return f"<h{block.level}>{escape(block.words)}</h{block.level}>"
        case Para():
            return f'<p class="is-{block.kind}">{escape(block.words)}</p>'
        case Bullets():
            return _bullets(block)
        case Table():
            return _table(block)
        case Picture():
            return f'<div class="wide" tabindex="0">{as_svg(block.drawing, f"picture-{place}")}</div>'


def _bullets(block: Bullets) -> str:
    tag = "ol" if block.kind == "numbered" else "ul"
    rows = "".join(f"<li>{escape(row)}</li>" for row in block.rows)
    return f'<{tag} class="is-{block.kind}">{rows}</{tag}>'


def _table(block: Table) -> str:
    def cell(tag: str, place: int, words: str) -> str:
        kind = ' class="n"' if place in block.right else ""
        return f"<{tag}{kind}>{escape(words)}</{tag}>"

    head = "".join(cell("th", place, words) for place, words in enumerate(block.head))
    rows = "".join(
        "<tr>" + "".join(cell("td", at, words) for at, words in enumerate(row)) + "</tr>" for row in block.rows
    )
    # On a phone a table of figures or of many columns is rather moved sideways than read word under word.
    many = ' class="many"' if block.right or len(block.head) > 4 else ""
    columns = "".join(f'<col class="w{share * 100:.0f}">' for share in block.widths)
    return (
        f'<div class="wide" tabindex="0"><table{many}><colgroup>{columns}</colgroup><thead><tr>{head}</tr></thead>'
        f"<tbody>{rows}</tbody></table></div>"
    )
