"""Codes of ours met in pictures."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any


@dataclass(frozen=True, kw_only=True, slots=True)
class SeenCode:
    """A clock's or slate's code as a picture shows it.  ``up_deg`` is how far it is turned clockwise in the stored
    picture (-180 to 180); ``at_s`` seconds after a clip's first frame, None in a still."""

    text: str
    up_deg: float = 0.0
    at_s: float | None = None

    def to_json(self) -> dict[str, Any]:
        return {"text": self.text, "up_deg": self.up_deg} | ({} if self.at_s is None else {"at_s": self.at_s})

    @classmethod
    def from_json(cls, value: Mapping[str, Any]) -> SeenCode:
        """From a worker's answer or the ledger; ValueError for what is no code."""
        text, up, at = value.get("text"), value.get("up_deg", 0.0), value.get("at_s")
        if not isinstance(text, str) or not text or len(text) > 240:
            raise ValueError("no text of a code")
        if not isinstance(up, (int, float)) or not math.isfinite(up):
            raise ValueError("no angle of a code")
        if at is not None and (not isinstance(at, (int, float)) or not 0 <= at < 1e7):
            raise ValueError("no moment in a clip")
        return cls(text=text, up_deg=float(up), at_s=None if at is None else float(at))
