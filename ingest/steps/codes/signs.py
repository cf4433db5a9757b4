"""What codes say about the frames that show them: which way up a slate was, and which frames are no probe's."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Mapping, Sequence

from ingest.records.codes import SeenCode
from ingest.records.frames import Frame

TURNED_DEG = {3: 180.0, 6: 90.0, 8: 270.0}  # Exif orientation to clockwise turn for showing (CIPA DC-008)
NEIGHBOURS_S = 120.0


def upside_down(code: SeenCode, orientation: int = 1) -> bool:
    """Whether the code stood on its head as the picture is shown: a tail slate.

    >>> upside_down(SeenCode(text="x", up_deg=-170.0)), upside_down(SeenCode(text="x", up_deg=180.0), 3)
    (True, False)
    """
    turned = (code.up_deg + TURNED_DEG.get(orientation, 0.0) + 180.0) % 360.0 - 180.0
    return abs(turned) > 135.0


def no_probe(
    frames: Mapping[str, Frame], signs: Mapping[str, Sequence[SeenCode]], is_clock: Callable[[str], bool]
) -> dict[str, tuple[str, str]]:
    """Frames that are pictures of a clock or of a slate, and so belong to no set: id -> what it is, and why.

    A clock is photographed for itself.  A slate may also be left standing in the scene of a bracket: a frame
    counts as the slate's own picture only where no other frame of that body near it shows the same slate.
    """
    apart: dict[str, tuple[str, str]] = {}
    by_body: dict[str, list[Frame]] = defaultdict(list)
    for i in signs:
        if i in frames:
            by_body[frames[i].body].append(frames[i])
    for shown in by_body.values():
        for frame in shown:
            texts = {c.text for c in signs[frame.id]}
            if any(is_clock(t) for t in texts):
                apart[frame.id] = ("clock", "it shows the cart's clock")
            elif not any(_near(frame, o) and texts & {c.text for c in signs[o.id]} for o in shown if o is not frame):
                apart[frame.id] = ("slate", "it shows a slate, and no frame near it does")
    return apart


def _near(one: Frame, other: Frame) -> bool:
    if one.time_s is None or other.time_s is None:
        return one.card == other.card and abs(one.card_index - other.card_index) <= 12
    return abs(one.time_s - other.time_s) <= NEIGHBOURS_S
