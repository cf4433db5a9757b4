"""The morning report on paper: a PDF of the page's facts in its order.

A PDF carries its letters with it.  The fonts (``Fonts``) know the Latin, Greek, Cyrillic, Hebrew, Arabic, Georgian,
Thai and Devanagari scripts; any other letter is written as its code point, and the page beside it shows it.
"""

from __future__ import annotations

import io
import re
import unicodedata
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING

from ingest.errors import sentences
from ingest.records.audit_paper import AuditReport, ProbeLine
from ingest.records.coverage import item_word
from ingest.records.names import shown
from ingest.steps.audit.words import about, clock_word, number_word
from ingest.steps.reports.morning import Picture, ProbePictures, histogram, probe_state, seconds_word, share_word
from ingest.steps.reports.timeline import Bar, Dot, lay_out

if TYPE_CHECKING:
    pass

_MARGIN_MM, _WIDTH_MM = 14.0, 210.0 - 2 * 14.0
_FOOT_MM = 14.0
_LINE_MM = 4.6
_GREY, _RULE, _WASH = 95, 185, 236
# A shape of its own for each state beside its word, since paper may have no colour.
_SHAPES = {"loss": "◆", "lost": "◆", "person": "△", "due": "△", "well": "✓", "have": "✓", "note": "•", "waived": "—",
           "not checked": "○"}

_TALLEST_MM = 200.0  # of a picture: with its words it fits on a page


def _tall(pictures: Sequence[Picture], width_mm: float) -> float:
    """Millimetres of the tallest of pictures of that width; 0 for none."""
    return max((width_mm * p.height / max(1, p.width) for p in pictures), default=0.0)


@dataclass(frozen=True, kw_only=True, slots=True)
class Fonts:
    """Paths of the TrueType files that the paper is set in; ``symbols`` has the shapes."""

    regular: str
    bold: str
    symbols: str


def print_morning(
    report: AuditReport, fonts: Fonts, *, pictures: Mapping[str, ProbePictures] | None = None
) -> bytes:
    """The report as PDF.  The same report gives the same bytes."""
    paper = _Paper(report, fonts)
    paper.head()
    paper.calls()
    paper.cards()
    paper.questions()
    paper.day()
    paper.coverage()
    paper.probes(pictures or {})
    paper.foot()
    return paper.bytes()


_TURNED = "\u0590-\u08ff\ufb1d-\ufdff\ufe70-\ufeff"  # blocks written from right to left (Unicode, Blocks.txt)


def printable(text: str, letters: Collection[int]) -> str:
    r"""Text as fonts with these letters can show it.

    Words of a script that runs from right to left end with a mark of the other direction, so that no figure after
    them is drawn before them (Unicode Standard Annex 9, rules W2 and N1).

    >>> printable("B\u00dcNE \u65e5 A", {*map(ord, "BÜNE A")})
    'BÜNE <U+65E5> A'
    """
    out = "".join(
        x if ord(x) in letters or x in " \n" else f"<U+{ord(x):04X}>" for x in unicodedata.normalize("NFC", shown(text))
    )
    return re.sub(f"([{_TURNED}](?:[{_TURNED} ]*[{_TURNED}])?)", "\\1\u200e", out)


class _Paper:
    def __init__(self, report: AuditReport, fonts: Fonts) -> None:
        from fpdf import FPDF

        class Sheet(FPDF):
            """A foot on every page."""

            foot = ""

            def footer(self) -> None:
                self.set_y(-_FOOT_MM + 2)
                self.set_font("text", size=7)
                self.set_text_color(_GREY)
                self.cell(_WIDTH_MM - 30, 4, self.foot)
                self.cell(30, 4, f"{self.page_no()} of {{nb}}", align="R")
                self.set_text_color(0)

        self._r = report
        self._pdf = Sheet(format="A4")
        self._pdf.add_font("text", "", fonts.regular)
        self._pdf.add_font("text", "B", fonts.bold)
        self._pdf.add_font("shapes", "", fonts.symbols)
        self._pdf.set_fallback_fonts(["shapes"], exact_match=False)
        self._letters = frozenset(
            letter for font in self._pdf.fonts.values() for letter in font.cmap  # type: ignore[union-attr]
        )
        self._pdf.set_margins(_MARGIN_MM, _MARGIN_MM)
        self._pdf.set_auto_page_break(True, _FOOT_MM + 3)
        self._pdf.set_title(self._plain(f"{report.show} {report.day}: morning report"))
        self._pdf.set_lang("en")
        self._pdf.set_creation_date(datetime.fromisoformat(report.written_utc.replace("Z", "+00:00")))
        self._pdf.foot = self._plain(f"{report.show}, shoot day {report.day}")
        self._pdf.add_page()

    def bytes(self) -> bytes:
        return bytes(self._pdf.output())

    # -- means

    def _plain(self, text: str) -> str:
        return printable(text, self._letters)

    def _lines(self, *texts: str) -> str:
        """Each printable by itself, so that a line break of ours is one and a name's own is not."""
        return "\n".join(self._plain(t) for t in texts)

    def _shaped(self, *texts: str) -> None:
        """Joined letters and scripts from right to left need the shaping engine, which takes its time."""
        need = any(ord(x) >= 0x590 and unicodedata.category(x)[0] in "LM" for text in texts for x in text)
        self._pdf.set_text_shaping(need, direction="ltr")

    def _font(self, size: float, *, bold: bool = False, grey: bool = False) -> None:
        self._pdf.set_font("text", style="B" if bold else "", size=size)
        self._pdf.set_text_color(_GREY if grey else 0)

    def _text(
        self, text: str, *, size: float = 9, bold: bool = False, grey: bool = False, indent: float = 0, after: float = 0
    ) -> None:
        self._font(size, bold=bold, grey=grey)
        self._pdf.set_x(_MARGIN_MM + indent)
        plain = self._plain(text)
        self._shaped(plain)
        self._pdf.multi_cell(_WIDTH_MM - indent, _LINE_MM * size / 9, plain, new_x="LMARGIN", new_y="NEXT", align="L")
        self._pdf.set_text_color(0)
        if after:
            self._pdf.ln(after)

    def _heading(self, text: str, *, room_mm: float = 24) -> None:
        if self._pdf.will_page_break(room_mm):
            self._pdf.add_page()
        self._pdf.ln(4)
        self._pdf.set_draw_color(0)
        self._pdf.set_line_width(0.5)
        self._pdf.line(_MARGIN_MM, self._pdf.get_y(), _MARGIN_MM + _WIDTH_MM, self._pdf.get_y())
        self._pdf.set_line_width(0.2)
        self._pdf.ln(1.5)
        self._text(text, size=12, bold=True, after=1)

    def _table(self, head: Sequence[str], rows: Sequence[Sequence[str]], widths: Sequence[int]) -> None:
        from fpdf.fonts import FontFace

        self._font(8)
        self._shaped(*(cell for row in rows for cell in row))
        self._pdf.set_draw_color(_RULE)
        with self._pdf.table(
            col_widths=tuple(widths), line_height=4, text_align="LEFT", borders_layout="HORIZONTAL_LINES", padding=0.8,
            headings_style=FontFace(emphasis="BOLD", color=_GREY),
        ) as table:
            for cells in (head, *rows):
                row = table.row()
                for cell in cells:
                    row.cell(cell)

    def _clock(self, utc: str | None) -> str:
        return clock_word(utc, self._r.time_zone, day=True) if utc else "not known"

    # -- parts, in the order of the page

    def head(self) -> None:
        r = self._r
        self._text(f"{r.show}, shoot day {r.day}", size=11, bold=True, grey=True)
        self._text(r.headline, size=19, bold=True, after=1)
        self._text(f"Audited {self._clock(r.written_utc)} ({r.time_zone}), nightloader {r.software.version}. "
                   f"{sum(r.checks.values()):,} checks made.", size=8, grey=True)

    def calls(self) -> None:
        self._heading("What needs a person")
        if not self._r.exceptions:
            self._text(f"{_SHAPES['well']} nothing: no check found anything for a person.")
        for x in self._r.exceptions:
            if self._pdf.will_page_break(3 * _LINE_MM):
                self._pdf.add_page()
            top, page = self._pdf.get_y(), self._pdf.page
            self._text(f"{_SHAPES[x.state]} {x.state}", bold=True)
            if self._pdf.page == page:
                self._pdf.set_y(top)
            self._text(about(x.item, x.what), indent=22, bold=x.state == "loss")
            until = f" Possible until {self._clock(x.until_utc)}." if x.until_utc else ""
            self._text(f"Next: {x.next}{until}", indent=22, grey=True, after=1.2)

    def cards(self) -> None:
        self._heading("Cards")
        rows = []
        for c in self._r.cards:
            files = number_word(c.files, "file")
            proven = [
                f"{d.name}: read back ({d.proof or 'not known how'}) {self._clock(d.read_back_utc)}" if d.verified
                else f"{d.name}: {'declared lost' if d.lost else f'{d.files_verified} of {files}'}"
                for d in c.destinations
            ]
            short = f"{_SHAPES['person']} short: {'; '.join(c.reasons)}"
            rows.append((
                self._lines(c.label or c.id, f"{c.day}, {number_word(c.files, 'file')}, {c.size_bytes:,} bytes"),
                self._plain(c.figure), self._plain(f"{_SHAPES['well']} met" if c.policy_met else short),
                c.read, self._lines(*proven), self._plain(c.released_by or ""),
            ))
        if rows:
            self._table(("Card", "Copies once reused", "Policy", "Read", "Read back", "Release decided by"), rows,
                        (32, 24, 36, 14, 54, 22))
        self._pdf.ln(2)
        for words in self._r.caution:
            self._text(words, bold=True)

    def questions(self) -> None:
        self._heading("Ten questions")
        self._table(
            ("Question", "State", "Answer"),
            [(f"{q.number}. {q.asks}", f"{_SHAPES[q.state]} {q.state}", self._lines(
                q.answer, *(f"note: {x.what}" for x in q.lines if x.state == "note"))) for q in self._r.questions],
            (56, 22, 104),
        )

    def day(self) -> None:
        """The strip to scale, as wide as the paper; below it the same in words."""
        if not self._r.setups:
            return
        strip = lay_out(self._r.setups, self._r.time_zone)
        scale = 0.0 if strip is None else _WIDTH_MM / strip.width
        self._heading("The day", room_mm=24 + (min(strip.height, 400.0) * scale if strip else 0))
        if strip is not None:
            rows = sorted({b.y for b in strip.bars})
            some = 16  # rows to a page
            for first in range(0, len(rows), some):
                if first:
                    self._pdf.add_page()
                shown_rows = rows[first : first + some]
                self._strip([b for b in strip.bars if b.y in shown_rows], strip.hours, scale, shown_rows)
            legend = "Full disc: probe. Box: plate. Ring: ball. Cross: chart. Stroke: anything else."
            self._text(legend, size=7, grey=True, after=1)
        for s in self._r.setups:
            start = clock_word(s.start_utc, self._r.time_zone) if s.start_utc else "no start"
            end = clock_word(s.end_utc, self._r.time_zone) if s.end_utc else "open"
            day = "" if s.day == self._r.day else f"{s.day} "
            words = [f"shot {s.shot}" if s.shot else "shot not known", f"camera {s.camera}" if s.camera else "", s.lens]
            taken = "".join(f"; {clock_word(m.utc, self._r.time_zone)} {m.what}" for m in s.marks)
            self._text(f"{day}{start} to {end}  {s.setup}: {', '.join(w for w in words if w)}{taken}", size=7.5)

    def _strip(
        self, bars: Sequence[Bar], hours: Sequence[tuple[float, str]], scale: float, rows: Sequence[float]
    ) -> None:
        pdf = self._pdf
        top = pdf.get_y()
        high = (rows[-1] - rows[0] + 44.0) * scale

        def x(at: float) -> float:
            return _MARGIN_MM + at * scale

        def y(at: float) -> float:
            return top + 5 + (at - rows[0]) * scale

        self._font(6.5, grey=True)
        pdf.set_draw_color(_RULE)
        for at, word in hours:
            pdf.line(x(at), top + 4, x(at), top + 5 + high)
            pdf.set_xy(min(x(at) - 6, _MARGIN_MM + _WIDTH_MM - 12), top)
            pdf.cell(12, 4, word, align="C")
        self._font(7, bold=True)
        for bar in bars:
            pdf.set_draw_color(_GREY)
            pdf.set_fill_color(_WASH)
            if bar.open_ended:
                pdf.set_dash_pattern(dash=1, gap=0.8)
            pdf.rect(x(bar.x), y(bar.y), bar.width * scale, 18 * scale, style="DF")
            pdf.set_dash_pattern()
            label = self._plain(bar.label)
            self._shaped(label)
            pdf.set_xy(min(x(bar.x) + 0.3, _MARGIN_MM + _WIDTH_MM - pdf.get_string_width(label) - 2), y(bar.y))
            pdf.cell(pdf.get_string_width(label) + 2, 18 * scale, label)
            for dot in bar.dots:
                self._mark(dot, x(dot.x), y(dot.y))
        pdf.set_xy(_MARGIN_MM, top + 6 + high)

    def _mark(self, dot: Dot, x: float, y: float) -> None:
        pdf = self._pdf
        pdf.set_draw_color(0)
        pdf.set_fill_color(0)
        if dot.kind == "probe":
            pdf.circle(x=x, y=y, radius=0.95, style="F")
        elif "plate" in dot.kind:
            pdf.rect(x - 0.9, y - 0.7, 1.8, 1.4)
        elif "ball" in dot.kind:
            pdf.circle(x=x, y=y, radius=0.9)
        else:
            pdf.line(x, y - 1, x, y + 1)
            if dot.kind == "chart":
                pdf.line(x - 1, y, x + 1, y)

    def coverage(self) -> None:
        items = list(dict.fromkeys(i.item for s in self._r.setups for i in s.items))
        if not items:
            return
        self._heading("Coverage")
        rows = []
        for s in self._r.setups:
            said = {i.item: f"{_SHAPES[i.status]} {i.status}" for i in s.items}
            setup = self._plain(f"{s.setup} {s.shot or '(shot not known)'}")
            rows.append((setup, *(said.get(i, "not asked") for i in items)))
        heads = [self._plain(item_word(i)) for i in items]
        self._table(("Setup", *heads), rows, (40, *(142 // len(items) for _ in items)))

    def probes(self, pictures: Mapping[str, ProbePictures]) -> None:
        if self._r.probes:
            self._heading(f"Probes ({len(self._r.probes)})", room_mm=70)
        for probe in self._r.probes:
            self._probe(probe, pictures.get(probe.id))

    def _probe(self, probe: ProbeLine, seen: ProbePictures | None) -> None:
        exposures = seen.exposures if seen else ()
        if self._pdf.will_page_break(self._height(probe, seen)):  # a probe is looked at as a whole
            self._pdf.add_page()
        self._pdf.ln(2)
        state, word = probe_state(probe)
        setup = f"{probe.setup or 'Unfiled'}{f', shot {probe.shot}' if probe.shot else ''}"
        self._text(f"{setup}   {_SHAPES[state]} {word}", size=10, bold=True)
        self._text(f"Probe {probe.id}, view {probe.view}", size=7.5, grey=True, after=0.5)
        self._pictures(exposures, 58.0)
        for said in (probe.trouble, *probe.reasons, *(sentences(f.what, f.next) for f in probe.findings)):
            if said:
                self._text(f"{_SHAPES['note']} {said}", size=8)
        self._pictures(seen.findings if seen else (), 120.0)
        for check in probe.checks:
            self._text(check.words, size=7.5, grey=True)
        times = ", ".join(seconds_word(t) for t in probe.exposures_s)
        stops = f"{probe.stops:.1f} stops covered" if probe.stops is not None else "stops not measured"
        self._text(f"Taken {self._clock(probe.taken_utc)} with {probe.body.replace('|', ' ') or 'an unknown body'}"
                   f"{f', {probe.lens}' if probe.lens else ''}; {probe.kind}. {probe.frames} frames: {times}. {stops}; "
                   f"clipped in the darkest frame: {share_word(probe.clipped_share)}.", size=8, after=1)
        self._below(probe, seen.balls if seen else ())

    def _height(self, probe: ProbeLine, seen: ProbePictures | None) -> float:
        """Millimetres that a probe takes, a little too many: 100 letters of small print fit on a line."""
        told = (probe.trouble, *probe.reasons, *(sentences(f.what, f.next) for f in probe.findings), 
                *(check.words for check in probe.checks))
        lines = 2 + sum(1 + len(said) // 100 for said in told if said) + len(probe.exposures_s) // 14
        highs = (_tall(seen.exposures, 58.0), _tall(seen.findings, 120.0)) if seen else ()
        tall = sum(high + 5 for high in highs if high)
        below = 32 if histogram(probe) is not None or (seen and seen.balls) else 0
        return min(12 + tall + lines * _LINE_MM * 8 / 9 + below, 240)

    def _below(self, probe: ProbeLine, balls: Sequence[Picture]) -> None:
        """Balls at the left, the radiance at the right."""
        bars = histogram(probe)
        if not balls and bars is None:
            return
        if self._pdf.will_page_break(32):
            self._pdf.add_page()
        top = self._pdf.get_y()
        self._pictures(balls[:4], 22.0)
        end = self._pdf.get_y()
        if bars is not None:
            left, high = _MARGIN_MM + (106 if balls else 0), 14.0
            self._pdf.set_fill_color(_GREY)
            for bar in bars["bars"]:
                self._pdf.rect(left + bar["x"] * 0.22, top + bar["y"] / 60 * high, bar["width"] * 0.22,
                               bar["height"] / 60 * high, style="F")
            self._pdf.set_draw_color(_RULE)
            self._pdf.line(left, top + high, left + 75, top + high)
            self._font(6.5, grey=True)
            self._pdf.set_xy(left, top + high + 0.5)
            self._pdf.cell(37, 3, bars["first"])
            self._pdf.cell(38, 3, bars["last"], align="R")
            self._pdf.set_xy(left, top + high + 3.5)
            self._pdf.cell(75, 3, bars["words"])
            self._pdf.set_text_color(0)
            end = max(end, top + high + 7)
        self._pdf.set_xy(_MARGIN_MM, end)

    def _pictures(self, pictures: Sequence[Picture], width_mm: float) -> None:
        """In a row, with their words under them."""
        drawn = [p for p in pictures if p.data[:3] == b"\xff\xd8\xff"][: int(_WIDTH_MM // (width_mm + 2))]
        if not drawn:
            return
        tall = _tall(drawn, width_mm)
        if tall > _TALLEST_MM:
            width_mm, tall = width_mm * _TALLEST_MM / tall, _TALLEST_MM
        if self._pdf.will_page_break(tall + 6):
            self._pdf.add_page()
        top = self._pdf.get_y()
        self._font(7, grey=True)
        for n, picture in enumerate(drawn):
            left = _MARGIN_MM + n * (width_mm + 3)
            self._pdf.image(io.BytesIO(picture.data), x=left, y=top, w=width_mm, alt_text=self._plain(picture.alt))
            self._pdf.set_xy(left, top + tall + 0.5)
            self._pdf.multi_cell(width_mm, 3, self._plain(picture.label), align="L")
        self._pdf.set_text_color(0)
        self._pdf.set_xy(_MARGIN_MM, top + tall + (8 if width_mm < 40 else 5))

    def foot(self) -> None:
        self._heading("Destinations")
        for d in self._r.destinations:
            here = "declared lost" if d.lost else "here" if d.present else "not here"
            free = f", {d.free_bytes:,} bytes free" if d.free_bytes is not None else ""
            self._text(f"{d.name}: {'required' if d.required else 'further copy'}, {here}"
                       f"{', on one disk' if d.on_one_disk else ''}{free}; "
                       f"{number_word(d.reread_files, 'file')} read again.")
        self._pdf.ln(2)
        self._text("A letter of a script that this paper has no shapes for is written as its code point; the page "
                   "beside this file shows it.", size=7, grey=True)
