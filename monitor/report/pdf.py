"""A report as PDF, by reportlab (extra `report`), with the fonts that every reader has: nothing is fetched. Pure."""

from __future__ import annotations

from functools import partial
from html import escape
from io import BytesIO
from typing import Any

from reportlab.lib import colors
from reportlab.lib.enums import TA_RIGHT
from reportlab.lib.pagesizes import A4, LETTER
from reportlab.lib.styles import ParagraphStyle
from reportlab.lib.units import mm
from reportlab.platypus import Flowable, KeepTogether, ListFlowable, Paragraph, SimpleDocTemplate, Spacer
from reportlab.platypus import Table as PdfTable

from condenser_monitor.monitor.drawing.shapes import (
    GRID,
    INK,
    SOFT,
    Curve,
    Drawing,
    Line,
    Rect,
    Text,
)
from condenser_monitor.monitor.report.blocks import (
    Block,
    Bullets,
    Document,
    Heading,
    Para,
    Picture,
    Table,
)
from condenser_monitor.monitor.strings.report import say
from condenser_monitor.monitor.strings.translate import reader

_MARGIN, _FOOT = 18 * mm, 16 * mm
_PADDING = 6  # of reportlab's frames, on each side
_AMBER, _RED, _GROUND = "#8a4b00", "#a8201a", "#f3f1ec"
_PLAIN = ParagraphStyle("plain", fontName="Helvetica", fontSize=9.5, leading=12.5, spaceAfter=4, textColor=INK)
_HEADINGS = {
    1: ParagraphStyle("h1", _PLAIN, fontName="Helvetica-Bold", fontSize=17, leading=20, spaceAfter=3),
    2: ParagraphStyle("h2", _PLAIN, fontName="Helvetica-Bold", fontSize=12.5, leading=15, spaceBefore=12, spaceAfter=5),
    3: ParagraphStyle("h3", _PLAIN, fontName="Helvetica-Bold", fontSize=10, leading=12.5, spaceBefore=7, spaceAfter=3),
}
_KINDS = {
    "plain": _PLAIN,
    "soft": ParagraphStyle("soft", _PLAIN, fontSize=8.5, leading=11, textColor=SOFT),
    "lead": ParagraphStyle("lead", _PLAIN, fontName="Helvetica-Bold", fontSize=11.5, leading=14, spaceBefore=6),
    "say": ParagraphStyle(
        "say", _PLAIN, backColor=_GROUND, borderPadding=5, leftIndent=5, rightIndent=5, spaceBefore=5, spaceAfter=9
    ),
    "warn": ParagraphStyle(
        *("warn", _PLAIN), fontName="Helvetica-Bold", borderColor=_RED, borderWidth=1.2, borderPadding=5, spaceAfter=9
    ),
}
_CELL = ParagraphStyle("cell", _PLAIN, fontSize=8, leading=9.8, spaceAfter=0)
_CELL_HEAD = ParagraphStyle("cell-head", _CELL, fontName="Helvetica-Bold")
_LIST = ParagraphStyle("list", _PLAIN, fontSize=9, leading=11.5, spaceAfter=1.5)
_PAGES = {"letter": LETTER, "a4": A4}


def pdf(document: Document, *, page: str = "letter") -> bytes:
    """The document as PDF; `page` is "letter" or "a4"."""
    out = BytesIO()
    template = SimpleDocTemplate(
        out,
        pagesize=_PAGES[page],
        leftMargin=_MARGIN,
        rightMargin=_MARGIN,
        topMargin=_MARGIN,
        bottomMargin=_MARGIN + 4 * mm,
        title=document.title,
        author="condenser-monitor",
        lang=reader().language,
    )
    foot = partial(_foot, document.foot)
    template.build(_joined(document, template.width - 2 * _PADDING), onFirstPage=foot, onLaterPages=foot)
    return out.getvalue()


def _foot(words: str, canvas: Any, template: Any) -> None:
    canvas.saveState()
    canvas.setFont("Helvetica", 7.5)
    canvas.setFillColor(colors.HexColor(SOFT))
    canvas.drawString(_MARGIN + _PADDING, _FOOT, _plain(words))
    canvas.drawRightString(_MARGIN + template.width - _PADDING, _FOOT, say("page", number=canvas.getPageNumber()))
    canvas.restoreState()


def _joined(document: Document, width: float) -> list[Flowable]:
    """The blocks in order; headings, their captions, and what announces a list stay with what follows them."""
    made: list[Flowable] = []
    waiting: list[Flowable] = []
    for block in document.blocks:
        flowables = _block(block, width)
        caption = isinstance(block, Para) and (block.words.endswith(":") or (waiting and block.kind == "soft"))
        if isinstance(block, Heading) or caption:
            waiting += flowables
        elif waiting:
            # A long table may break across pages; only its beginning stays with the heading, as keepWithNext does.
            made += [KeepTogether([*waiting, flowables[0]]), *flowables[1:]]
            waiting = []
        else:
            made += flowables
    return made + waiting


def _block(block: Block, width: float) -> list[Flowable]:
    match block:
        case Heading():
            return [Paragraph(_markup(block.words), _HEADINGS[block.level])]
        case Para():
            return [Paragraph(_markup(block.words), _KINDS[block.kind])]
        case Bullets():
            return [_bullets(block, width)]
        case Table():
            return [_table(block, width), Spacer(0, 6)]
        case Picture():
            return [_Drawn(block.drawing, width), Spacer(0, 4)]


def _markup(words: str) -> str:
    return escape(_plain(words), quote=False)


def _plain(words: str) -> str:
    """Text in the letters of the reader's own fonts (Latin-1 and a little more); what is beyond becomes a mark."""
    return words.encode("cp1252", "replace").decode("cp1252")


def _bullets(block: Bullets, width: float) -> Flowable:
    rows = [Paragraph(_markup(row), _LIST) for row in block.rows]
    if block.kind == "numbered":
        return ListFlowable(rows, bulletType="1", bulletFontSize=9, leftIndent=16)
    if block.kind == "plain":
        return ListFlowable(rows, bulletType="bullet", bulletFontSize=7, leftIndent=12)
    sign = ParagraphStyle("sign", _LIST, fontName="Helvetica-Bold", textColor=_AMBER)
    look = [
        ("BOX", (0, 0), (-1, -1), 1.0, colors.HexColor(_AMBER)),
        ("VALIGN", (0, 0), (-1, -1), "TOP"),
        ("TOPPADDING", (0, 0), (-1, -1), 2),
        ("BOTTOMPADDING", (0, 0), (-1, -1), 1),
    ]
    return PdfTable([[Paragraph("!", sign), row] for row in rows], colWidths=[14, width - 14], style=look, spaceAfter=6)


def _table(block: Table, width: float) -> Flowable:
    def cell(words: str, place: int, style: ParagraphStyle) -> Paragraph:
        right = ParagraphStyle(style.name + "-right", style, alignment=TA_RIGHT) if place in block.right else style
        return Paragraph(_markup(words), right)

    rows = [[cell(words, place, _CELL_HEAD) for place, words in enumerate(block.head)]]
    rows += [[cell(words, place, _CELL) for place, words in enumerate(row)] for row in block.rows]
    look = [
        ("VALIGN", (0, 0), (-1, -1), "TOP"),
        ("LINEBELOW", (0, 0), (-1, 0), 0.9, colors.HexColor(INK)),
        ("LINEBELOW", (0, 1), (-1, -1), 0.4, colors.HexColor(GRID)),
        ("LEFTPADDING", (0, 0), (-1, -1), 0),
        ("RIGHTPADDING", (0, 0), (-1, -1), 5),
        ("TOPPADDING", (0, 0), (-1, -1), 2),
        ("BOTTOMPADDING", (0, 0), (-1, -1), 2),
    ]
    return PdfTable(rows, colWidths=[width * share for share in block.widths], style=look, repeatRows=1, spaceBefore=5)


class _Drawn(Flowable):  # type: ignore[misc]
    """A drawing scaled to the width of the page."""

    def __init__(self, drawing: Drawing, width: float) -> None:
        super().__init__()
        self._drawing, self._scale = drawing, width / drawing.width
        self.width, self.height = width, drawing.height * self._scale

    def wrap(self, *_: float) -> tuple[float, float]:
        return self.width, self.height

    def draw(self) -> None:
        canvas = self.canv
        # Shapes are told with y down, as on a screen; a page has y up.
        canvas.translate(0, self.height)
        canvas.scale(self._scale, self._scale)
        for shape in self._drawing.shapes:
            canvas.setDash()
            match shape:
                case Line():
                    _draw_line(canvas, shape)
                case Rect():
                    _draw_rect(canvas, shape)
                case Curve():
                    _draw_curve(canvas, shape)
                case Text():
                    _draw_text(canvas, shape)


def _draw_line(canvas: Any, line: Line) -> None:
    canvas.setStrokeColor(colors.HexColor(line.colour))
    canvas.setLineWidth(line.width)
    if line.dash:
        canvas.setDash(list(line.dash))
    canvas.line(line.x1, -line.y1, line.x2, -line.y2)


def _draw_rect(canvas: Any, rect: Rect) -> None:
    if rect.fill:
        canvas.setFillColor(colors.HexColor(rect.fill))
    if rect.colour:
        canvas.setStrokeColor(colors.HexColor(rect.colour))
        canvas.setLineWidth(rect.stroke)
    if rect.dash:
        canvas.setDash(list(rect.dash))
    low = -rect.y - rect.height
    canvas.rect(rect.x, low, rect.width, rect.height, stroke=int(bool(rect.colour)), fill=int(bool(rect.fill)))


def _draw_curve(canvas: Any, curve: Curve) -> None:
    canvas.setStrokeColor(colors.HexColor(curve.colour))
    canvas.setLineWidth(curve.width)
    path = canvas.beginPath()
    for stretch in curve.stretches:
        path.moveTo(stretch[0][0], -stretch[0][1])
        for x, y in stretch[1:]:
            path.lineTo(x, -y)
    canvas.drawPath(path)


def _draw_text(canvas: Any, text: Text) -> None:
    canvas.setFont("Helvetica-Bold" if text.bold else "Helvetica", text.size)
    canvas.setFillColor(colors.HexColor(text.colour))
    draw = {"start": canvas.drawString, "middle": canvas.drawCentredString, "end": canvas.drawRightString}
    draw[text.anchor](text.x, -text.y, _plain(text.words))
