"""The morning report: one HTML file from the audit's report, that works offline, on a phone and on paper.

Everything on it comes from :class:`AuditReport` and the previews given.  Names and header texts are hostile: what
moves a cursor or turns text is written out, the rest is escaped, and the page's own content policy allows neither
script nor address.
"""

from __future__ import annotations

import base64
import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from typing import Any

from jinja2 import DictLoader, Environment, StrictUndefined, Template
from markupsafe import Markup

from ingest.records.audit_paper import AuditReport, ProbeLine
from ingest.records.coverage import item_word
from ingest.records.names import shown
from ingest.steps.audit.words import about, bytes_word, clock_word, number_word
from ingest.steps.reports.page import PAGE
from ingest.steps.reports.style import STYLE
from ingest.steps.reports.timeline import lay_out

_STARTS = {"image/jpeg": b"\xff\xd8\xff", "image/png": b"\x89PNG\r\n\x1a\n", "image/webp": b"RIFF"}
_PROOFS = {
    "device": "from the device",
    "cache dropped": "after dropping the cache",
    "not provable": "not provable from the device",
    None: "not known how",
}


@dataclass(frozen=True, kw_only=True, slots=True)
class Picture:
    """A preview of our own making: ``data`` is a whole JPEG, PNG or WebP, ``label`` stands under it ("-3 stops"),
    ``alt`` says what it shows to who cannot see it.  Raises ValueError for anything that is no such picture."""

    data: bytes
    width: int
    height: int
    label: str
    alt: str

    def __post_init__(self) -> None:
        if not any(self.data.startswith(start) for start in _STARTS.values()):
            raise ValueError("a picture of the report is a JPEG, PNG or WebP")

    @property
    def uri(self) -> Markup:
        """Base 64 needs no escaping, and escaping megabytes of it takes seconds."""
        kind = next(kind for kind, start in _STARTS.items() if self.data.startswith(start))
        return Markup(f"data:{kind};base64,{base64.b64encode(self.data).decode('ascii')}")


@dataclass(frozen=True, kw_only=True, slots=True)
class ProbePictures:
    """A probe's previews: the panorama at (three) exposures, then balls as rendered and as photographed; what shows
    its ``findings``, numbered."""

    exposures: Sequence[Picture] = ()
    balls: Sequence[Picture] = ()
    findings: Sequence[Picture] = ()


def render_morning(report: AuditReport, *, pictures: Mapping[str, ProbePictures] | None = None) -> bytes:
    """The page as UTF-8 HTML.  ``pictures`` are by probe id; leave out what may not be shown."""
    anchors = {c.id: f"card-{n}" for n, c in enumerate(report.cards, 1)}
    anchors |= {p.id: f"probe-{n}" for n, p in enumerate(report.probes, 1)}
    items = tuple(dict.fromkeys(i.item for s in report.setups for i in s.items))
    told = [c for c in report.cards if c.day == report.day or c.here or not c.policy_met]
    rest = [c for c in report.cards if c not in told]
    text = _template().render(
        asking_cards=told or rest, other_cards=rest if told else [],
        r=report, style=Markup(STYLE), style_hash=_style_hash(), checks=f"{sum(report.checks.values()):,}",
        contents=_contents(report, items), whys={i: _one_why(report, i) for i in items},
        anchors=anchors, items=items, proofs=_PROOFS, pictures=pictures or {},
        strip=lay_out(report.setups, report.time_zone), histograms={p.id: histogram(p) for p in report.probes},
        clock=lambda utc, day: Markup("<time>{}</time>").format(clock_word(utc, report.time_zone, day=day)),
        number=number_word, bytes=bytes_word, about=about,
        seconds=seconds_word, share=share_word, probe_state=probe_state, item_word=item_word,
    )  # fmt: skip
    return text.encode("utf-8")


def _one_why(report: AuditReport, item: str) -> str:
    """Why an item is asked, where every setup says the same: it stands once, over the column."""
    said = {i.why for s in report.setups for i in s.items if i.item == item}
    return said.pop() if len(said) == 1 else ""


def seconds_word(seconds: float | None) -> str:
    """
    >>> seconds_word(1 / 64), seconds_word(2.5), seconds_word(None)
    ('1/64 s', '2.5 s', 'not known')
    """
    if seconds is None or seconds <= 0:
        return "not known"
    return f"{seconds:g} s" if seconds >= 0.3 else f"1/{round(1 / seconds):,} s"


@cache
def _template() -> Template:
    environment = Environment(
        loader=DictLoader({"page": PAGE}), autoescape=True, undefined=StrictUndefined, finalize=_finalize,
        trim_blocks=True,
    )  # fmt: skip
    return environment.get_template("page")


def _finalize(value: Any) -> Any:
    return shown(value) if isinstance(value, str) and not isinstance(value, Markup) else value


def _style_hash() -> str:
    return "sha256-" + base64.b64encode(hashlib.sha256(STYLE.encode("utf-8")).digest()).decode("ascii")


def _contents(report: AuditReport, items: Sequence[str]) -> list[tuple[str, str]]:
    every = [("calls", f"Needs a person ({len(report.exceptions)})", True), ("cards", "Cards", True),
             ("asks", "Ten questions", True), ("day", "The day", bool(report.setups)),
             ("coverage", "Coverage", bool(items)), ("probes", "Probes", bool(report.probes)),
             ("disks", "Destinations", True)]  # fmt: skip
    return [(id, word) for id, word, there in every if there]


def share_word(share: float | None) -> str:
    if share is None:
        return "not measured"
    return "nothing" if share == 0 else f"{share:.3%}"


def probe_state(probe: ProbeLine) -> tuple[str, str]:
    state, word = "well", "nothing doubtful"
    if not probe.merged:
        state, word = "person", "no picture"
    elif any(f.severity == "loss" for f in probe.findings):
        state, word = "loss", "loss"
    elif probe.review or any(f.severity == "person" for f in probe.findings):
        state, word = "person", "to be looked at"
    elif probe.complete is False:
        state, word = "person", "frames missing"
    elif probe.complete is None:
        state, word = "note", "nobody could say whether whole"
    return state, word


def histogram(probe: ProbeLine) -> dict[str, Any] | None:
    """Bars in a box of 340 x 60, and the same in words."""
    shares = probe.histogram
    if not shares or probe.histogram_from_stop is None or max(shares) <= 0:
        return None
    first = probe.histogram_from_stop
    wide = 340 / len(shares)
    bars = [
        {"x": round(n * wide, 1), "y": round(60 - 60 * s / max(shares), 1), "width": round(wide * 0.9, 1),
         "height": round(60 * s / max(shares), 1)}
        for n, s in enumerate(shares)
    ]  # fmt: skip
    peak = first + shares.index(max(shares))
    words = f"Histogram of radiance from {first:+g} to {first + len(shares):+g} stops, most at {peak:+g}"
    return {"bars": bars, "words": words, "first": f"{first:+g} stops", "last": f"{first + len(shares):+g} stops"}
