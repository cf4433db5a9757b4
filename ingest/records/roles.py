"""What a clip or still can be, and what each word means here: shops differ, so every page can spell it out."""

from __future__ import annotations

from collections.abc import Mapping

MEANS: Mapping[str, str] = {
    "clean_plate": "the frame without the subject, and without balls, chart and rigs",
    "dirty_plate": "the same move with grey ball, mirror ball and chart carried through the frame",
    "reference": "a picture to look at: set, prop, light, texture",
    "chart": "the 24-patch chart",
    "grey_ball": "the grey ball",
    "mirror_ball": "the mirror ball",
    "lens_grid": "the chart for distortion, shot through that very lens",
    "other": "kept for a reason of its own; nothing that is due rests on it",
    "none": "not what it was proposed to be",
}
LENS_GRID = "lens_grid"  # of the lens, not of a setup: it may be shot at the rental house
# The due item that a role serves, where it is not of the same name.
SERVES = {"grey_ball": "balls", "mirror_ball": "balls"}


def meanings(added: Mapping[str, str]) -> dict[str, str]:
    """Every role of a show with its meaning, those that its settings add before ``other``."""
    own = {k: v for k, v in MEANS.items() if k not in ("other", "none")}
    return {**own, **added, "other": MEANS["other"], "none": MEANS["none"]}


def words(role: str) -> str:
    """A role as a person reads it."""
    return role.replace("_", " ")
