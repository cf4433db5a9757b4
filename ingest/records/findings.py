"""A finding: something a person should know."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from enum import StrEnum
from typing import Any


class Severity(StrEnum):
    """How bad it is; ``note`` and above are shown, ``person`` and above set exit code 1."""

    NOTE = "note"  # worth knowing, nothing to do
    PERSON = "person"  # a person must look or decide
    LOSS = "loss"  # something is lost or about to be


_RANK = {s: n for n, s in enumerate(Severity)}


@dataclass(frozen=True, kw_only=True, slots=True)
class Finding:
    """What happened (``what``), to which item, how bad, what to do next.

    ``kind`` is a stable word for machines; ``key`` makes a finding the same finding when it is met
    again (kind and item by default).  ``more`` holds further JSON fields, such as those of a probe
    finding (``confidence, frames, direction, amount, unit``).
    """

    kind: str
    item: str
    severity: Severity
    what: str
    next: str
    more: Mapping[str, Any] = field(default_factory=dict)

    @property
    def key(self) -> str:
        return f"{self.kind}|{self.item}"

    def to_json(self) -> dict[str, Any]:
        return {
            "kind": self.kind,
            "item": self.item,
            "severity": str(self.severity),
            "what": self.what,
            "next": self.next,
            **dict(self.more),
        }

    @classmethod
    def from_json(cls, value: Mapping[str, Any]) -> Finding:
        known = ("kind", "item", "severity", "what", "next")
        return cls(
            kind=str(value["kind"]),
            item=str(value["item"]),
            severity=Severity(value["severity"]),
            what=str(value["what"]),
            next=str(value["next"]),
            more={k: v for k, v in value.items() if k not in known},
        )


def by_key(findings: Iterable[Finding]) -> dict[str, Finding]:
    """Each under its key.  Two that share one become one, which says what both say and is as bad as the worse."""
    out: dict[str, Finding] = {}
    for finding in findings:
        before = out.get(finding.key)
        if before is None or before.what == finding.what:
            out[finding.key] = finding
        else:
            worse = before if _RANK[before.severity] > _RANK[finding.severity] else finding
            out[finding.key] = replace(worse, what=f"{before.what} Also: {finding.what}")
    return out


def finding(
    kind: str, severity: str, what: str, next_: str, *, confidence: float, frames: Sequence[int] = (),
    direction: Sequence[float] | None = None, amount: float | None = None, unit: str | None = None,
) -> dict[str, Any]:  # fmt: skip
    """A finding about a probe as JSON: the fields of every finding and those outside scripts read."""
    return {
        "kind": kind, "item": "", "severity": severity, "what": what, "next": next_, "confidence": confidence,
        "frames": list(frames), "direction": None if direction is None else list(direction), "amount": amount,
        "unit": unit,
    }  # fmt: skip
