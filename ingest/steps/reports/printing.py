"""The morning report on paper: a PDF of the page's facts in its order, without the time line.

A PDF carries its letters with it, and the ones that every reader has know Latin only: any other letter is written as
its code point.  The page beside it shows every letter.
"""

from __future__ import annotations

import io
from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import TYPE_CHECKING

from ingest.records.audit_paper import AuditReport, ProbeLine
from ingest.records.names import shown
from ingest.steps.audit.words import about, clock_word, number_word
from ingest.steps.reports.morning import Picture, ProbePictures, probe_state, seconds_word, share_word

if TYPE_CHECKING:
    from fpdf import FPDF

_MARGIN_MM, _WIDTH_MM = 14.0, 210.0 - 2 * 14.0
_LINE_MM = 4.6
# A shape of its own for each state beside its word, since paper may have no colour.
_SHAPES = {"loss": "[!!]", "lost": "[!!]", "person": "[!]", "due": "[!]", "well": "[ok]", "have": "[ok]", "note": "[-]",
           "waived": "[/]", "not checked": "[?]"}


def print_morning(report: AuditReport, *, pictures: Mapping[str, ProbePictures] | None = None) -> bytes:
    """The report as PDF.  The same report gives the same bytes."""
    paper = _Paper(report)
    paper.head()
    paper.calls()
    paper.cards()
    paper.questions()
    paper.coverage()
    for probe in report.probes:
        paper.probe(probe, (pictures or {}).get(probe.id))
    paper.foot()
    return paper.bytes()


def printable(text: str) -> str:
    r"""Text as the PDF's own letters can show it.

    >>> printable('Łódź "A"')
    '<U+0141>ód<U+017A> "A"'
    """
    plain = shown(text).replace("–", "-").replace("—", "-").replace("’", "'").replace("…", "...")
    return "".join(x if x.encode("latin-1", "ignore") else f"<U+{ord(x):04X}>" for x in plain)


def _lines(*texts: str) -> str:
    """Each printable by itself, so that a line break of ours is one and a name's own is not."""
    return "\n".join(printable(t) for t in texts)


class _Paper:
    def __init__(self, report: AuditReport) -> None:
        from fpdf import FPDF

        self._r = report
        self._pdf: FPDF = FPDF(format="A4")
        self._pdf.set_margins(_MARGIN_MM, _MARGIN_MM)
        self._pdf.set_auto_page_break(True, 16)
        self._pdf.set_title(printable(f"{report.show} {report.day}: morning report"))
        self._pdf.set_lang("en")
        self._pdf.set_creation_date(datetime.fromisoformat(report.written_utc.replace("Z", "+00:00")))
        self._pdf.add_page()

    def bytes(self) -> bytes:
        return bytes(self._pdf.output())

    # -- means

    def _font(self, size: float, *, bold: bool = False) -> None:
        self._pdf.set_font("helvetica", style="B" if bold else "", size=size)

    def _text(self, text: str, *, size: float = 9, bold: bool = False, indent: float = 0, after: float = 0) -> None:
        self._font(size, bold=bold)
        self._pdf.set_x(_MARGIN_MM + indent)
        height = _LINE_MM * size / 9
        self._pdf.multi_cell(_WIDTH_MM - indent, height, printable(text), new_x="LMARGIN", new_y="NEXT", align="L")
        if after:
            self._pdf.ln(after)

    def _heading(self, text: str) -> None:
        if self._pdf.will_page_break(24):
            self._pdf.add_page()
        self._pdf.ln(3)
        self._pdf.set_draw_color(150)
        self._pdf.line(_MARGIN_MM, self._pdf.get_y(), _MARGIN_MM + _WIDTH_MM, self._pdf.get_y())
        self._pdf.ln(1.5)
        self._text(text, size=12, bold=True, after=1)

    def _table(self, head: Sequence[str], rows: Sequence[Sequence[str]], widths: Sequence[int]) -> None:
        self._font(8)
        with self._pdf.table(
            col_widths=tuple(widths), line_height=4, text_align="LEFT", borders_layout="HORIZONTAL_LINES", padding=0.8
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
        self._text(f"{r.show}, shoot day {r.day}", size=16, bold=True)
        self._text(r.headline, size=12, after=1)
        self._text(f"Audited {self._clock(r.written_utc)} ({r.time_zone}), nightloader {r.software.version}. "
                   f"{sum(r.checks.values()):,} checks made.", size=8)

    def calls(self) -> None:
        self._heading("What needs a person")
        if not self._r.exceptions:
            self._text("[ok] nothing: no check found anything for a person.")
        for x in self._r.exceptions:
            self._text(f"{_SHAPES[x.state]} {x.state}: {about(x.item, x.what)}", bold=x.state == "loss")
            until = f" (possible until {self._clock(x.until_utc)})" if x.until_utc else ""
            self._text(f"Next: {x.next}{until}", indent=8, after=0.8)

    def cards(self) -> None:
        self._heading("Cards")
        rows = []
        for c in self._r.cards:
            proven = [
                f"{d.name}: read back ({d.proof or 'not known how'}) {self._clock(d.read_back_utc)}" if d.verified
                else f"{d.name}: {'declared lost' if d.lost else f'{d.files_verified} of {c.files} files'}"
                for d in c.destinations
            ]
            rows.append((
                _lines(c.label or c.id, f"{c.day}, {number_word(c.files, 'file')}, {c.size_bytes:,} bytes"),
                printable(c.figure), printable("[ok] met" if c.policy_met else "[!] short: " + "; ".join(c.reasons)),
                c.read, _lines(*proven), printable(c.released_by or ""),
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
            [(f"{q.number}. {q.asks}", f"{_SHAPES[q.state]} {q.state}", _lines(
                q.answer, *(f"note: {x.what}" for x in q.lines if x.state == "note"))) for q in self._r.questions],
            (56, 22, 104),
        )

    def coverage(self) -> None:
        items = list(dict.fromkeys(i.item for s in self._r.setups for i in s.items))
        if not items:
            return
        self._heading("Coverage")
        rows = []
        for s in self._r.setups:
            said = {i.item: f"{_SHAPES[i.status]} {i.status}" for i in s.items}
            setup = printable(f"{s.setup} {s.shot or '(shot not known)'}")
            rows.append((setup, *(said.get(i, "not asked") for i in items)))
        heads = [printable(i.replace("_", " ")) for i in items]
        self._table(("Setup", *heads), rows, (40, *(142 // len(items) for _ in items)))

    def probe(self, probe: ProbeLine, seen: ProbePictures | None) -> None:
        exposures = seen.exposures if seen else ()
        if self._pdf.will_page_break(30 + (34 if exposures else 0)):
            self._pdf.add_page()
        state, word = probe_state(probe)
        setup = f"{probe.setup or 'Unfiled'}{f', shot {probe.shot}' if probe.shot else ''}"
        self._heading(f"{setup}: probe {probe.id}, view {probe.view} {_SHAPES[state]} {word}")
        self._pictures(exposures, 58.0)
        for said in (probe.trouble, *probe.reasons, *(f"{f.what} {f.next}" for f in probe.findings)):
            if said:
                self._text(said)
        times = ", ".join(seconds_word(t) for t in probe.exposures_s)
        stops = f"{probe.stops:.1f} stops covered" if probe.stops is not None else "stops not measured"
        self._text(f"Taken {self._clock(probe.taken_utc)} with {probe.body.replace('|', ' ') or 'an unknown body'}"
                   f"{f', {probe.lens}' if probe.lens else ''}; {probe.kind}. {probe.frames} frames: {times}. {stops}; "
                   f"clipped in the darkest frame: {share_word(probe.clipped_share)}.", size=8)
        if seen and seen.balls:
            self._pictures(seen.balls, 22.0)

    def _pictures(self, pictures: Sequence[Picture], width_mm: float) -> None:
        """In a row, with their words under them."""
        drawn = [p for p in pictures if p.data[:3] == b"\xff\xd8\xff"][: int(_WIDTH_MM // (width_mm + 2))]
        if not drawn:
            return
        tall = max(width_mm * p.height / max(1, p.width) for p in drawn)
        if self._pdf.will_page_break(tall + 6):
            self._pdf.add_page()
        top = self._pdf.get_y()
        self._font(7)
        for n, picture in enumerate(drawn):
            left = _MARGIN_MM + n * (width_mm + 3)
            self._pdf.image(io.BytesIO(picture.data), x=left, y=top, w=width_mm, alt_text=printable(picture.alt))
            self._pdf.set_xy(left, top + tall + 0.5)
            self._pdf.multi_cell(width_mm, 3, printable(picture.label), align="L")
        self._pdf.set_xy(_MARGIN_MM, top + tall + (10 if width_mm < 40 else 5))

    def foot(self) -> None:
        self._heading("Destinations")
        for d in self._r.destinations:
            here = "declared lost" if d.lost else "here" if d.present else "not here"
            free = f", {d.free_bytes:,} bytes free" if d.free_bytes is not None else ""
            self._text(f"{d.name}: {'required' if d.required else 'further copy'}, {here}"
                       f"{', on one disk' if d.on_one_disk else ''}{free}; "
                       f"{number_word(d.reread_files, 'file')} read again.")
        self._pdf.ln(2)
        self._text("Letters that are not Latin are written as their code points here; the page beside this file shows "
                   "them.", size=7)
