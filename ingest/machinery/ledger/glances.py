"""Cheap looks for a page that is shown all day: what changed, the newest probes, one item by its id.

Everything here is counted or limited, so that a look costs the same with ten probes or ten thousand.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from ingest.machinery.ledger.store import Store


@dataclass(frozen=True, kw_only=True, slots=True)
class ProbeGlance:
    """The current version of one probe, with its set's view and where it is filed ("" where unknown)."""

    id: str
    version: int
    merged_utc: str
    trouble: str
    record: dict[str, Any]
    view: dict[str, Any]
    shot: str = ""
    setup: str = ""
    day: str = ""


_PROBES = """
SELECT p.id, p.version, coalesce(p.merged_utc, ''), p.trouble, p.record, v.body, f.shot, f.setup, f.day
FROM probes p LEFT JOIN views v ON v.id = p.id
LEFT JOIN filings f ON f.n = (SELECT max(n) FROM filings WHERE item = p.id)
WHERE p.superseded_utc IS NULL
"""


class Glances:
    """Reads only."""

    def __init__(self, store: Store) -> None:
        self._store = store

    def changes(self) -> int:
        """A number that changes when another thread or process has committed."""
        return self._store.foreign_changes()

    def work_stamp(self) -> tuple[Any, ...]:
        """Changes whenever a probe, its filing or a decision does."""
        return self._store.query(
            "SELECT (SELECT max(n) FROM filings), (SELECT max(n) FROM decisions), (SELECT count(*) FROM probes),"
            " (SELECT max(merged_utc) FROM probes), (SELECT count(*) FROM views),"
            " (SELECT count(*) FROM outputs WHERE kind='preview')"
        )[0]

    def findings_stamp(self) -> tuple[Any, ...]:
        """Changes whenever a finding opens, is renewed or closes."""
        return self._store.query(
            "SELECT (SELECT count(*) FROM findings WHERE closed_utc IS NULL), (SELECT max(last_utc) FROM findings),"
            " (SELECT max(closed_utc) FROM findings), (SELECT count(*) FROM troubles), (SELECT max(utc) FROM troubles)"
        )[0]

    def newest_probes(self, most: int, *, before: int = 0) -> Sequence[ProbeGlance]:
        """The ``most`` last merged, newest first, after leaving out ``before`` of them."""
        rows = self._store.query(_PROBES + "ORDER BY p.merged_utc DESC, p.id LIMIT ? OFFSET ?", (most, before))
        return [_glance(r) for r in rows]

    def probe(self, id: str) -> ProbeGlance | None:
        rows = self._store.query(_PROBES + "AND p.id=?", (id,))
        return _glance(rows[0]) if rows else None

    def probe_count(self) -> int:
        return int(self._store.query("SELECT count(*) FROM probes WHERE superseded_utc IS NULL")[0][0])

    def reviewed(self, digests: Sequence[str]) -> bool:
        """Whether a person has looked at exactly these frames."""
        if not digests:
            return False
        rows = self._store.query(
            "SELECT body FROM decisions WHERE kind='review' AND item=? ORDER BY n DESC LIMIT 1", (digests[0],)
        )
        return bool(rows) and set(json.loads(rows[0][0]).get("frames", ())) == set(digests)


def _glance(r: Sequence[Any]) -> ProbeGlance:
    return ProbeGlance(
        id=r[0], version=r[1], merged_utc=r[2], trouble=r[3], record=json.loads(r[4]) if r[4] else {},
        view=json.loads(r[5]) if r[5] else {}, shot=r[6] or "", setup=r[7] or "", day=r[8] or "",
    )
