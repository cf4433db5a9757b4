"""What was and what could not be checked of a merge or a panorama, and that in words."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any


def check(kind: str, made: bool, why: str) -> dict[str, Any]:
    """Whether a check could be made; where it could not nothing found is not "fine", and ``why`` says so."""
    return {"check": kind, "made": made, "why": "" if made else why, "frames": []}


@dataclass(frozen=True, kw_only=True, slots=True)
class Said:
    """One sentence: on checks that were ``made``, or on why some could not be."""

    made: bool
    words: str


def unchecked(checks: Sequence[Mapping[str, Any]]) -> list[str]:
    """One line for each reason why something could not be checked: nothing found there is not "fine".

    >>> unchecked([{"check": "tilt", "made": False, "why": "it is a single frame", "frames": []}])
    ['not checked for tilt: it is a single frame.']
    """
    by_reason: dict[tuple[str, str], list[str]] = {}
    for check in checks:
        if check["why"]:
            frames = ", ".join(str(k + 1) for k in check["frames"])
            by_reason.setdefault((frames, check["why"]), []).append(_word(check))
    return [
        f"not checked for {', '.join(kinds)}{_of_frames(frames)}: {why}."
        for (frames, why), kinds in by_reason.items()
    ]


def checked(checks: Sequence[Mapping[str, Any]]) -> str:
    """What was checked, and "" where nothing was; what held for some frames only stands in :func:`unchecked` too.

    >>> checked([{"check": "camera_moved", "made": True, "why": "", "frames": []}])
    'checked for camera moved'
    """
    kinds = [_word(check) for check in checks if check["made"]]
    return f"checked for {', '.join(kinds)}" if kinds else ""


def _word(check: Mapping[str, Any]) -> str:
    return str(check["check"]).replace("_", " ")


def _of_frames(frames: str) -> str:
    if not frames:
        return ""
    return f" in frame{'s' * (',' in frames)} {frames}, counted from dark to bright"


def in_words(checks: Sequence[Mapping[str, Any]], panorama: Mapping[str, Any]) -> list[Said]:
    """Sentences on a merge's ``checks``, and on those in the record of its position's ``panorama`` ({} for none).

    >>> [(s.made, s.words) for s in in_words([{"check": "tilt", "made": False, "why": "no lens", "frames": []}], {})]
    [(False, 'Not checked for tilt: no lens.')]
    """
    out = []
    for what, those in (("", checks), ("Its panorama: ", panorama.get("checks", ()))):
        for made, line in ((True, checked(those)), *((False, line) for line in unchecked(those))):
            if line:
                text = line if what else line[0].upper() + line[1:]
                out.append(Said(made=made, words=f"{what}{text.removesuffix('.')}."))
    return out
