"""Charts and balls seen in stills and clips: proposals, until a person confirms them."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

WHAT = ("chart", "grey_ball", "mirror_ball")


@dataclass(frozen=True, kw_only=True, slots=True)
class SeenThing:
    """``what`` is chart, grey_ball or mirror_ball; ``corners`` in shares of width and height of the stored picture;
    ``score`` 0 to 1 for choosing, no probability; ``at_s`` seconds after a clip's first frame, None in a still;
    ``times``: in how many of the frames looked at."""

    what: str
    corners: tuple[tuple[float, float], ...]
    score: float
    at_s: float | None = None
    times: int = 1

    def to_json(self) -> dict[str, Any]:
        out: dict[str, Any] = {"what": self.what, "corners": [list(c) for c in self.corners], "score": self.score}
        return out if self.at_s is None else {**out, "at_s": self.at_s, "times": self.times}

    @classmethod
    def from_json(cls, value: Mapping[str, Any]) -> SeenThing:
        """From a worker's answer or the ledger; ValueError for what makes no sense."""
        what, corners, score, at_s = (value.get(k) for k in ("what", "corners", "score", "at_s"))
        if what not in WHAT or not isinstance(corners, (list, tuple)) or len(corners) != 4:
            raise ValueError("no such thing")
        points = tuple((float(x), float(y)) for x, y in corners)
        times = value.get("times", 1)
        if isinstance(times, bool) or not isinstance(times, int) or not 1 <= times <= 1000:
            raise ValueError("no number of frames")
        numbers = [*(v for p in points for v in p), float(score or 0), float(at_s or 0)]
        if not all(math.isfinite(v) for v in numbers) or max(abs(v) for p in points for v in p) > 2:
            raise ValueError("no place in a picture")
        return cls(what=str(what), corners=points, score=float(score or 0), at_s=None if at_s is None else float(at_s),
                   times=times)


def proposed_role(seen: Iterable[SeenThing], *, clip: bool) -> str:
    """What a person is asked to confirm; "" for nothing seen.

    A clip with a ball in it is a dirty plate as this trade means it (balls and chart carried through the frame), if
    a ball or the chart is seen in two of its frames at least: one round thing in one frame is no pass with a ball.  One
    with the chart alone is a chart.  A still is what is seen best in it, the chart first: it is read exactly.
    """
    seen = tuple(seen)
    if clip and sum(s.times for s in seen) < 2:
        seen = [s for s in seen if s.what == "chart"]
    things = sorted(seen, key=lambda s: (s.what != "chart", -s.score))
    if not things:
        return ""
    if clip and any(s.what != "chart" for s in things):
        return "dirty_plate"
    return things[0].what
