"""Slates to print and to show: the code large, the words larger than a lens needs, one drawing for every format.

Everything is laid out once, in millimetres on a landscape A5 sheet, and written as PDF, SVG or PNG.  Black on
white, whatever the screen: a reader wants dark squares on a light, quiet ground.
"""

from __future__ import annotations

import io
from dataclasses import dataclass
from xml.sax.saxutils import escape

from ingest.errors import UsageError
from ingest.steps.setups.slates import Slate, code_text

WIDTH_MM, HEIGHT_MM = 210.0, 148.0
HIGHEST_VERSION = 4  # 33 squares a side: larger ones are too fine at a few metres
QUIET = 4  # squares of quiet zone (ISO/IEC 18004)
_PX_PER_MM = 8
FORMATS = (".pdf", ".svg", ".png")
_WORDS = {
    "probe": "light probe", "clean_plate": "clean plate", "dirty_plate": "dirty plate", "chart": "colour chart",
    "balls": "grey and mirror ball", "reference": "reference",
}


@dataclass(frozen=True, kw_only=True, slots=True)
class Symbol:
    """A QR code: ``rows`` of squares without the quiet zone, true is dark."""

    rows: tuple[tuple[bool, ...], ...]
    version: int
    level: str

    @property
    def side(self) -> int:
        return len(self.rows)

    def path(self) -> str:
        """The dark squares as an SVG path, one unit a square, runs of a row drawn as one."""
        out = []
        for y, row in enumerate(self.rows):
            x = 0
            while x < self.side:
                run = 0
                while x + run < self.side and row[x + run]:
                    run += 1
                if run:
                    out.append(f"M{x} {y}h{run}v1h-{run}z")
                x += run or 1
        return "".join(out)


def symbol(text: str, levels: str = "HQ") -> Symbol:
    """The code of a text at the first of ``levels`` at which version 4 holds it.

    Raises UsageError for a text that version 4 at level Q cannot hold.
    """
    import segno

    for level in levels:
        made = segno.make_qr(text, error=level.lower(), boost_error=False)
        if int(made.version) <= HIGHEST_VERSION:
            rows = tuple(tuple(bool(s) for s in row) for row in made.matrix)
            return Symbol(rows=rows, version=int(made.version), level=level)
    raise UsageError(
        f"the slate's text needs {len(text)} signs; a code that is read across a set holds 67.", item=text,
        next="Shorten the names, or leave out what the setup log tells anyhow (unit, day, camera).",
    )


@dataclass(frozen=True, kw_only=True, slots=True)
class Words:
    """One line of words: left end of its baseline and height of its letters' body, in mm."""

    x: float
    y: float
    size: float
    text: str
    bold: bool = False


@dataclass(frozen=True, kw_only=True, slots=True)
class Sheet:
    """A laid-out slate: the code's upper left corner and the side of one square, in mm, and the words."""

    symbol: Symbol
    x: float
    y: float
    square: float
    words: tuple[Words, ...]


def lay_out(slate: Slate) -> Sheet:
    """Place code and words.  Raises UsageError where the text is too long or no slate's."""
    try:
        made = symbol(code_text(slate))
    except ValueError as error:
        raise UsageError(f"{error}.") from error
    side = 118.0
    square = side / (made.side + 2 * QUIET)
    left = 8 + side
    rows = [(slate.setup, 30.0, True), (slate.shot, 15.0, True), (_WORDS.get(slate.role, ""), 10.0, False),
            (f"take {slate.take}" if slate.take else "", 13.0, True),
            (" · ".join(filter(None, (slate.show, slate.unit, slate.day, slate.camera))), 6.0, False)]
    words, y = [], 22.0
    for text, size, bold in rows:
        if text:
            fits = min(size, (WIDTH_MM - left - 6) / (0.62 * len(text)))  # letters of a sans are 0.6 of their size wide
            y += max(fits, size * 0.5)
            words.append(Words(x=left, y=y, size=fits, text=text, bold=bold))
            y += 5
    words.append(Words(x=12, y=138, size=4.6, text="This way up before what it names; upside down after it."))
    return Sheet(symbol=made, x=8 + QUIET * square, y=8 + QUIET * square, square=square, words=tuple(words))


def written(sheet: Sheet, suffix: str) -> bytes:
    """The sheet as a file of that suffix; UsageError for one that is none of ``FORMATS``."""
    if suffix.lower() not in FORMATS:
        raise UsageError("a slate is written as PDF, SVG or PNG.", item=suffix, next="Give a name that ends so.")
    return {".pdf": _pdf, ".svg": lambda s: svg(s).encode(), ".png": _png}[suffix.lower()](sheet)


def svg(sheet: Sheet) -> str:
    """For print and for a page; no style, so that any content policy shows it."""
    words = "".join(
        f'<text x="{w.x:.2f}" y="{w.y:.2f}" font-size="{w.size:.2f}" font-family="Helvetica, Arial, sans-serif"'
        f' font-weight="{"700" if w.bold else "400"}" fill="#000">{escape(w.text)}</text>'
        for w in sheet.words
    )
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{WIDTH_MM:g}mm" height="{HEIGHT_MM:g}mm"'
        f' viewBox="0 0 {WIDTH_MM:g} {HEIGHT_MM:g}"><rect width="100%" height="100%" fill="#fff"/>'
        f'<path transform="translate({sheet.x:.3f} {sheet.y:.3f}) scale({sheet.square:.4f})"'
        f' shape-rendering="crispEdges" fill="#000" d="{sheet.symbol.path()}"/>{words}</svg>'
    )


def _pdf(sheet: Sheet) -> bytes:
    from fpdf import FPDF

    page = FPDF(orientation="landscape", unit="mm", format=(HEIGHT_MM, WIDTH_MM))
    page.set_auto_page_break(False)
    page.set_title(" ".join(w.text for w in sheet.words[:2]))
    page.add_page()
    page.set_fill_color(0)
    for y, row in enumerate(sheet.symbol.rows):
        for x, dark in enumerate(row):
            if dark:
                page.rect(sheet.x + x * sheet.square, sheet.y + y * sheet.square, sheet.square, sheet.square, style="F")
    for w in sheet.words:
        page.set_font("helvetica", style="B" if w.bold else "", size=w.size * 72 / 25.4)
        # the PDF's own fonts know Latin only; the code carries every letter all the same
        page.text(w.x, w.y, w.text.encode("latin-1", "replace").decode("latin-1"))
    return bytes(page.output())


def _png(sheet: Sheet) -> bytes:
    from PIL import Image, ImageDraw, ImageFont

    square = max(1, round(sheet.square * _PX_PER_MM))  # whole pixels, so that every square is as large
    picture = Image.new("L", (round(WIDTH_MM * _PX_PER_MM), round(HEIGHT_MM * _PX_PER_MM)), 255)
    draw = ImageDraw.Draw(picture)
    left, top = round(sheet.x * _PX_PER_MM), round(sheet.y * _PX_PER_MM)
    for y, row in enumerate(sheet.symbol.rows):
        for x, dark in enumerate(row):
            if dark:
                at = (left + x * square, top + y * square)
                draw.rectangle((*at, at[0] + square - 1, at[1] + square - 1), fill=0)
    for w in sheet.words:
        font = ImageFont.load_default(size=w.size * _PX_PER_MM)
        draw.text((w.x * _PX_PER_MM, w.y * _PX_PER_MM), w.text, fill=0, font=font, anchor="ls",
                  stroke_width=2 if w.bold else 0)  # fmt: skip
    out = io.BytesIO()
    picture.save(out, "PNG", optimize=True)
    return out.getvalue()
