"""From facts to the text of pages: templates, escaping, figures.

Every string that a template prints goes through :func:`ingest.records.names.shown` first and is then
escaped by the engine, so a name with markup, control characters or a turned reading direction is shown
as what it is.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from functools import lru_cache
from pathlib import Path
from typing import Any

from jinja2 import Environment, FileSystemLoader, StrictUndefined

from ingest.faces.web.board import Board
from ingest.records.coverage import item_word
from ingest.records.names import shown
from ingest.steps.audit.words import number_word
from ingest.steps.reports.morning import seconds_word

PUBLIC_PARTS = ("slots",)
PARTS = ("slots", "cards", "disks", "findings", "probes")
CAUTION = (
    "A card's release is decided by the production's policy and the person responsible. "
    "A digest shows equal bytes, not a playable recording."
)


def _shown(value: Any) -> Any:
    return shown(value) if type(value) is str else value


def size_word(size_bytes: float) -> str:
    """Decimal, as disks are sold.

    >>> size_word(999), size_word(3_421_118_220_544), size_word(250_000_000)
    ('999 bytes', '3.42 TB', '250 MB')
    """
    for step, unit in ((1e12, "TB"), (1e9, "GB"), (1e6, "MB"), (1e3, "kB")):
        if size_bytes >= step:
            value = size_bytes / step
            return f"{value:.{2 if value < 10 else 1 if value < 100 else 0}f} {unit}"
    return f"{size_bytes:.0f} bytes"


def time_word(seconds: float) -> str:
    """
    >>> time_word(20), time_word(200), time_word(5000)
    ('under 1 min', '3 min', '1 h 23 min')
    """
    minutes = round(seconds / 60)
    if minutes < 1:
        return "under 1 min"
    return f"{minutes} min" if minutes < 60 else f"{minutes // 60} h {minutes % 60:02} min"


def probe_of(item: str) -> str:
    """The probe id that a finding's item begins with, "" if it is about something else.

    >>> probe_of("p17b0bb40c5: picture"), probe_of("cards/A7")
    ('p17b0bb40c5', '')
    """
    first = item.partition(":")[0]
    return first if re.fullmatch(r"p[0-9a-f]{8,20}", first) else ""


def whence(light: Mapping[str, Any]) -> str:
    """Where in the picture a light of :mod:`ingest.steps.light.summary` stands, and what it gives.  Directions as the
    OpenEXR lat-long has them: +y up, +z the middle of the picture, +x to its left.

    >>> whence({"direction": (0.5, 0.5, 0.7071), "share": 0.514, "cct_K": 3219.7})
    'from 30° up and 35° left of the middle (51 %, 3220 K)'
    >>> whence({"direction": (0.0, -1.0, 0.0), "share": 0.02, "cct_K": None})
    'from straight below (2 %)'
    """
    x, y, z = (float(v) for v in light["direction"])
    up = math.degrees(math.asin(max(-1.0, min(1.0, y))))
    side = round(math.degrees(math.atan2(x, z)))
    if abs(up) > 85:
        where = "straight above" if up > 0 else "straight below"
    else:
        level = "level with the camera" if abs(up) < 0.5 else f"{abs(up):.0f}° {'up' if up > 0 else 'down'}"
        turned = f"{abs(side)}° {'left' if side > 0 else 'right'} of the middle" if side else "in the middle"
        where = f"{level} and {turned}"
    kelvin = f", {light['cct_K']:.0f} K" if light.get("cct_K") else ""
    least = "at least " if light.get("at_least") else ""  # it clips: what is measured is its lower bound
    return f"from {where} ({least}{100 * light['share']:.2g} %{kelvin})"


@lru_cache(maxsize=1)
def environment() -> Environment:
    made = Environment(
        loader=FileSystemLoader(Path(__file__).parent / "templates"), autoescape=True, finalize=_shown,
        undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True,
    )
    made.filters.update(
        size=size_word, duration=time_word, figure=lambda n: f"{n:,}", probe_of=probe_of, number=number_word,
        whence=whence, item=item_word, seconds=seconds_word,
    )
    made.globals.update(caution=CAUTION)
    return made


def parts(board: Board, before: dict[str, tuple[Any, str]] | None = None) -> Mapping[str, str]:
    """Each live part of the page as text.  The public one holds nothing but what a carrier must see.

    ``before`` keeps what was rendered from what: a part whose facts are the same is not rendered again.
    """
    known = {} if before is None else before
    facts: dict[str, Any] = {
        "slots": board.slots, "cards": board.cards, "disks": (board.destinations, board.clock),
        "findings": (board.findings, board.asking, tuple((c.id, c.place) for c in board.nameless)),
        "probes": (board.probes, board.probe_count),
    }
    for name in PARTS:
        if name not in known or known[name][0] != facts[name]:
            known[name] = (facts[name], environment().get_template(f"part_{name}.html").render(board=board))
    return {name: known[name][1] for name in PARTS}


def page(template: str, **values: Any) -> str:
    """A whole page."""
    return environment().get_template(f"{template}.html").render(**values)
