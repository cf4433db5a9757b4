"""What the demo found against what the sample cards' truth lists: every difference in words, none if exact.

Pure: ``found`` is laid out by the demo from the ledger, ``truth`` is ``truth.json`` as read.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

from ingest.records.findings import Finding

Name = tuple[str, str]  # card, path on it
CLOCK_S = 0.6  # the notes of the clocks are to the second, and answers may be too


@dataclass(frozen=True, kw_only=True, slots=True)
class FoundCard:
    """A card as the ledger has it: every file to be kept with its size, what was left out, the verdict."""

    files: Mapping[str, int]
    left_out: frozenset[str]
    empty_folders: frozenset[str]
    policy_met: bool


@dataclass(frozen=True, kw_only=True, slots=True)
class FoundSet:
    """A probe set: its frames from dark to bright, each (files, exposure in s, true time), and where it was filed."""

    id: str
    frames: tuple[tuple[frozenset[Name], float, datetime | None], ...]
    day: str | None
    shot: str | None
    setup: str | None
    complete: bool | None
    review: bool
    exr: str | None


@dataclass(frozen=True, kw_only=True, slots=True)
class Found:
    """Everything the demo compares."""

    cards: Mapping[str, FoundCard]
    sets: Sequence[FoundSet]
    loose: Mapping[Name, str]
    findings: Sequence[Finding] = field(default=())


def differences(found: Found, truth: Mapping[str, Any]) -> list[str]:
    """One line for each thing that is missing, too much or otherwise."""
    return [*_cards(found, truth), *_sets(found, truth), *_loose(found, truth), *_findings(found, truth)]


def _cards(found: Found, truth: Mapping[str, Any]) -> list[str]:
    out = []
    wanted = {card["name"]: card for card in truth["cards"]}
    for name in sorted(wanted.keys() | found.cards.keys()):
        if name not in found.cards:
            out.append(f"card {name}: never taken.")
            continue
        card = found.cards[name]
        if name not in wanted:
            out.append(f"card {name}: is on no list.")
            continue
        litter = [row for row in truth["litter"] if row["card"] == name]
        kept = {row["path"] for row in wanted[name]["files"]} | {row["path"] for row in litter if row.get("kept")}
        out += [f"card {name}: {path} was not kept." for path in sorted(kept - card.files.keys())]
        out += [f"card {name}: {path} is kept but is on no list." for path in sorted(card.files.keys() - kept)]
        out += [
            f"card {name}: {row['path']} has {card.files[row['path']]} bytes, not {row['size_bytes']}."
            for row in wanted[name]["files"] if card.files.get(row["path"], row["size_bytes"]) != row["size_bytes"]
        ]
        left = {row["path"] for row in litter if row.get("kept") is False}
        # a cache folder may be listed as the folder alone
        out += [
            f"card {name}: {path} was not listed as left out." for path in sorted(left)
            if not any(path == told or path.startswith(told.rstrip("/") + "/") for told in card.left_out)
        ]
        out += [
            f"card {name}: {told} was left out but is on no list." for told in sorted(card.left_out)
            if not any(path == told or path.startswith(told.rstrip("/") + "/") for path in left)
        ]
        empty = {row["path"] for row in litter if "kept" not in row}
        if empty != card.empty_folders:
            out.append(f"card {name}: empty folders {sorted(card.empty_folders)}, not {sorted(empty)}.")
        if not card.policy_met:
            out.append(f"card {name}: does not meet the copy policy.")
    return out


def names_of(found: Found, truth: Mapping[str, Any]) -> dict[str, str]:
    """Probe id -> the truth's name of the set with exactly those files."""
    told = {_files(row): row["name"] for row in truth["sets"]}
    return {s.id: told[files] for s in found.sets if (files := frozenset(f for f, _, _ in s.frames)) in told}


def _files(row: Mapping[str, Any]) -> frozenset[frozenset[Name]]:
    return frozenset(frozenset((row["card"], path) for path in frame["files"]) for frame in row["frames"])


def _sets(found: Found, truth: Mapping[str, Any]) -> list[str]:
    names = names_of(found, truth)
    by_name = {names[s.id]: s for s in found.sets if s.id in names}
    out = [
        f"set {s.id}: {len(s.frames)} frames that the truth does not put together: {_listed(s)}"
        for s in found.sets if s.id not in names
    ]
    for row in truth["sets"]:
        this = by_name.get(row["name"])
        if this is None:
            out.append(f"set {row['name']}: not found.")
            continue
        order = [frozenset((row["card"], path) for path in frame["files"]) for frame in row["frames"]]
        if [files for files, _, _ in this.frames] != order:
            out.append(f"set {row['name']}: frames are not in order from dark to bright.")
        for (_, exposure, taken), frame in zip(this.frames, row["frames"], strict=True):
            true = datetime.fromisoformat(frame["taken_utc"])
            if taken is None or abs((taken - true).total_seconds()) > CLOCK_S:
                out.append(f"set {row['name']}: {frame['files'][0]} was taken {taken}, not {true}.")
            if abs(exposure / frame["exposure_s"] - 1) > 1e-9:
                out.append(f"set {row['name']}: {frame['files'][0]} is {exposure} s, not {frame['exposure_s']} s.")
        for key in ("day", "shot", "setup", "complete", "review"):
            if getattr(this, key) != row[key]:
                out.append(f"set {row['name']}: {key} is {getattr(this, key)}, not {row[key]}.")
        if this.exr is None:
            out.append(f"set {row['name']}: has no merged picture.")
    return out


def _listed(found: FoundSet) -> str:
    return ", ".join(sorted(path for files, _, _ in found.frames for _, path in files)) + "."


def _loose(found: Found, truth: Mapping[str, Any]) -> list[str]:
    wanted = {(row["card"], path): row["loose"] for row in truth["stills"] for path in row["files"]}
    out = []
    for name in sorted(wanted.keys() | found.loose.keys()):
        is_, should = found.loose.get(name), wanted.get(name)
        if is_ != should:
            out.append(f"still {name[1]} of {name[0]}: {is_ or 'in a set or unknown'}, not {should or 'loose'}.")
    return out


def _findings(found: Found, truth: Mapping[str, Any]) -> list[str]:
    """Each finding is on the list once: same kind, severity, and a name that stands in its item or words."""
    names = names_of(found, truth)
    open_ = list(truth["findings"])
    out = []
    for finding in found.findings:
        words = f"{finding.item} {finding.what}"
        for known, name in names.items():
            words = words.replace(known, f"set {name}")
        match = next((row for row in open_ if row["kind"] == finding.kind and row["severity"] == str(finding.severity)
                      and row["names"] in words), None)
        if match is None:
            out.append(f"finding {finding.kind} ({finding.severity}) on {words}: is on no list.")
        else:
            open_.remove(match)
    return out + [f"finding {row['kind']} ({row['severity']}) on {row['names']}: not made." for row in open_]
