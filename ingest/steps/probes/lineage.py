from __future__ import annotations

from collections.abc import Mapping, Sequence

from ingest.records.probes import ProbeSet


def inherit(previous: Mapping[str, Sequence[str]], sets: Sequence[ProbeSet]) -> tuple[list[str], dict[str, tuple[str, ...]]]:
    ids = ["p" + s.frames[0].split(":")[-1][:10] for s in sets]
    return ids, {i: s.frames for i, s in zip(ids, sets, strict=True)}
