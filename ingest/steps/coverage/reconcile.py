"""The log, the clips and the stills held against each other; numbering; cards that were expected."""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from fractions import Fraction
from itertools import pairwise

from ingest.records.coverage import Captured, CardSeen, LensEntry, Taken
from ingest.records.filing import Evidence, Placement
from ingest.records.findings import Finding, Severity
from ingest.records.measurements import ExpectedCard
from ingest.records.setups import SetupRow, Sheet
from ingest.steps.coverage.due import ticked
from ingest.steps.coverage.segments import Key, setups_of, words
from ingest.steps.filing.rows import letters

FOCAL_SHARE = 0.03  # engraved against written: 2 to 3 % (common practice, no source)
GAP_MOST = 500  # a longer jump is a new series, not missing files
SAID = 6  # names of clips in one line; `nightloader clips` has them all
GAP_SERIOUS = 4  # a deleted test shot or two is daily life


def takes_of(cell: str) -> tuple[str, ...]:
    """Takes a cell names: "1-3", "1, 2, 4*", "t3", "3 PU".  Empty if it names none plainly.

    >>> takes_of("1-3"), takes_of("t1, 2*"), takes_of("4 PU"), takes_of("circled")
    (('1', '2', '3'), ('1', '2'), ('4',), ())
    """
    found: list[str] = []
    for part in re.split(r"[,;/+&]|\band\b", cell.lower()):
        text = re.sub(r"^(?:takes?|tk|t)\.?\s*|\s*(?:pu|ser|pl|mos|\*|\(.*\))+$", "", part.strip()).strip()
        if span := re.fullmatch(r"(\d{1,3})\s*[-–>]\s*(\d{1,3})", text):
            first, last = int(span[1]), int(span[2])
            found += [str(n) for n in range(first, last + 1)] if first <= last < first + 100 else []
        elif re.fullmatch(r"\d{1,3}", text):
            found.append(str(int(text)))
    return tuple(dict.fromkeys(found))


def takes_and_clips(rows: Sequence[SetupRow], captured: Iterable[Captured]) -> list[Finding]:
    """Takes of the log without a clip, and clips no take of the log explains.

    Clips with a take (from a slate) are matched by it, the others only counted.  A setup whose log names no
    takes is not judged; clips filed nowhere are the filing's to report (``stage_clips``), and one from a card's trash
    is no take.
    """
    clips: dict[Key, list[Captured]] = defaultdict(list)
    for c in captured:
        if c.kind == "clip" and c.setup and not c.trashed:
            clips[c.day, c.unit, c.setup].append(c)
    found: list[Finding] = []
    for key, group in setups_of(rows).items():
        takes = tuple(dict.fromkeys(t for r in group for t in takes_of(r.take)))
        if takes:
            found += _takes(key, group, takes, clips.get(key, []))
    logged = {r.key for r in rows}
    for key, strays in clips.items():
        if key not in logged:
            found.append(_differs("clips_without_row", key, f"{_clips(len(strays))} filed as {key[2]}, which the log "
                                  "does not have", "Add the setup's row to the log.", strays))
    return found


def _clips(count: int) -> str:
    return "1 clip is" if count == 1 else f"{count} clips are"
def probes_without_row(rows: Sequence[SetupRow], placements: Iterable[Placement]) -> list[Finding]:
    """Probes that a hand or a slate filed under a setup that the log does not have, one finding a setup.

    They stay where they were filed: the log may come later.  A setup of the same name that the log has is named, for
    a slip in the day, the unit or the name is the usual reason.
    """
    logged = dict.fromkeys(r.key for r in rows)
    strays: dict[Key, list[Placement]] = defaultdict(list)
    for p in placements:
        if p.key is not None and p.key not in logged and p.evidence in (Evidence.HAND, Evidence.SLATE):
            strays[p.key].append(p)
    found = []
    for key, group in strays.items():
        alike = [" ".join(filter(None, (k[0], k[1]))) for k in logged if k[2].casefold() == key[2].casefold()]
        count = "a probe is" if len(group) == 1 else f"{len(group)} probes are"
        by = "by hand" if group[0].evidence is Evidence.HAND else "by a slate"
        what = f"{count} filed {by} under {key[2]}{f' of {key[0]}' if key[0] else ''}, which the log does not have"
        if alike:
            what += f"; it has {key[2]} on {', '.join(alike[:4])}"
        found.append(Finding(
            kind="probes_without_row", item=" ".join(p for p in key if p), severity=Severity.PERSON, what=what,
            next="Add the setup's row to the log, so that what it owes is known, or file the probe elsewhere: "
                 f"`nightloader file {group[0].item} --setup N`.",
            more={"day": key[0], "unit": key[1], "setup": key[2], "evidence": sorted(p.item for p in group)},
        ))
    return found


def _takes(key: Key, rows: Sequence[SetupRow], takes: Sequence[str], clips: Sequence[Captured]) -> Iterable[Finding]:
    cameras = max(len(letters(r.camera)) for r in rows) or 1
    named = {t for c in clips for t in takes_of(c.take)}
    loose = [c for c in clips if not takes_of(c.take)]
    missing = [t for t in takes if t not in named]
    lacking = len(missing) - len(loose)
    if lacking > 0:
        text = f"{lacking} of takes {', '.join(missing)}" if loose else f"take {', '.join(missing)}"
        yield _differs("take_without_clip", key, f"{key[2]}: no clip of {text}",
                       "A card may be missing, or its filing wrong: look under unfiled clips.", clips)
    extra = sorted(named - set(takes), key=int)
    plain = [c for c in loose if not c.role]
    if extra or len(plain) > len(missing) * cameras:
        what = f"clips of take {', '.join(extra)}, not in the log" if extra else (
            f"clips: {len(clips)}; the log names takes: {len(takes)}, cameras: {cameras}")
        yield _differs("clip_without_take", key, f"{key[2]}: {what}",
                       "Add the takes to the log, or file the clips where they belong.", plain or clips)


def _differs(kind: str, key: Key, what: str, next: str, captured: Iterable[Captured],
             severity: Severity = Severity.PERSON) -> Finding:
    return Finding(kind=kind, item=" ".join(p for p in key if p), severity=severity, what=what, next=next,
                   more={"day": key[0], "unit": key[1], "setup": key[2], "evidence": sorted(c.id for c in captured)})


def headers_and_log(
    rows: Sequence[SetupRow], sheets: Mapping[tuple[str, int], Sheet], captured: Iterable[Captured]
) -> list[Finding]:
    """Where the headers of clips say another focal length, frame rate, lens or body than their rows, one finding a
    setup.

    A written 24 beside 24000/1001 in the header is a note: the header is believed.  Serial numbers are
    compared without signs, O read as 0.  Stills are not compared: another lens is on that body.
    """
    groups = setups_of(rows)
    told: dict[Key, dict[tuple[str, Severity], list[Captured]]] = defaultdict(dict)
    for c in captured:
        row = _row_for(groups.get(c.key, ()), c.start_s)
        if c.kind == "clip" and row is not None:
            sheet = sheets.get(row.place) or Sheet(line=row.line)
            for what, severity in _differences(row, sheet, c):
                told[c.key].setdefault((f"{what} (log line {row.line})", severity), []).append(c)
    found = []
    for key, differences in told.items():
        said = [f"{_named(clips)}: {what}" for (what, _), clips in differences.items()]
        swapped = any("frames/s" not in what for what, _ in differences)
        found.append(_differs(
            "log_and_header_differ", key, f"in {key[2]} {'; '.join(said)}",
            "Believe the header unless a person knows better; mend the log" + (
                ", and look whether the lens was swapped and a new probe was due." if swapped else "."),
            {c.id: c for clips in differences.values() for c in clips}.values(),
            Severity.PERSON if any(s is Severity.PERSON for _, s in differences) else Severity.NOTE,
        ))
    return found


def _named(clips: Sequence[Captured]) -> str:
    more = f" and {len(clips) - SAID} more" if len(clips) > SAID else ""
    return ", ".join(c.name for c in clips[:SAID]) + more


def _row_for(rows: Sequence[SetupRow], moment_s: float | None) -> SetupRow | None:
    if not rows:
        return None
    if moment_s is None:
        return rows[0]
    return min(rows, key=lambda r: max((r.start_s or 0.0) - moment_s, moment_s - (r.until_s or 0.0), 0.0))


def _differences(row: SetupRow, sheet: Sheet, c: Captured) -> Iterable[tuple[str, Severity]]:
    person, note = Severity.PERSON, Severity.NOTE
    if sheet.focal_mm and c.focal_mm and abs(c.focal_mm / sheet.focal_mm - 1) > FOCAL_SHARE:
        yield f"header {c.focal_mm:g} mm, log {sheet.focal_mm:g} mm", person
    if sheet.frame_rate and c.frame_rate and sheet.frame_rate != c.frame_rate:
        near = abs(c.frame_rate / sheet.frame_rate - 1) < Fraction(15, 10000)
        yield f"header {_rate(c.frame_rate)} frames/s, log {_rate(sheet.frame_rate)}", note if near else person
    for name, header, written in (("lens serial", c.lens_serial, row.cells.get("lens_serial", "")),
                                  ("body serial", c.body_serial, row.cells.get("body", ""))):
        if header and written and any(ch.isdigit() for ch in written) and serial(header) != serial(written):
            yield f"{name} {header} in the header, {written} in the log", person


def _rate(rate: Fraction) -> str:
    return str(rate.numerator) if rate.denominator == 1 else f"{rate.numerator}/{rate.denominator}"


def serial(text: str) -> str:
    """A serial number for comparing: letters and figures, O as 0, I as 1, no leading zeros.

    >>> serial("S/N 00-12O7"), serial("1207")
    ('1207', '1207')
    """
    bare = re.sub(r"^\s*(?:s\s*/?\s*n|serial|no|nr)\.?\s*[:#]?", "", text.casefold())
    return re.sub(r"[^a-z0-9]", "", bare).replace("o", "0").replace("i", "1").lstrip("0")


def numbering_gaps(captured: Iterable[Captured]) -> list[Finding]:
    """Numbers that are on no card, per body and series: deleted files, or a card that never came.

    Frames are taken in order of time.  A step back, or forward by over 500, begins a new series (9999 to
    0001, a new folder, a reset counter); one number seen twice is a copy or a second format.
    """
    lines: dict[tuple[str, str], list[Captured]] = defaultdict(list)
    for c in captured:
        if c.number is not None and c.start_s is not None and c.body:
            lines[c.body, c.series].append(c)
    found = []
    for (body, series), frames in sorted(lines.items()):
        frames.sort(key=lambda c: (c.start_s or 0.0, c.number or 0))
        held = {c.number for c in frames}
        for before, after in pairwise(frames):
            assert before.number is not None and after.number is not None
            first, last = before.number + 1, after.number - 1
            if not first <= last < first + GAP_MOST or any(n in held for n in range(first, last + 1)):
                continue
            count = last - first + 1
            names = f"{first:04}" if count == 1 else f"{first:04}-{last:04}"
            found.append(Finding(
                kind="numbers_missing", item=f"{body} {series}{names}",
                severity=Severity.PERSON if count >= GAP_SERIOUS else Severity.NOTE,
                what=f"{series}{names} of {body} on no card, between {before.name} and {after.name}",
                next="Look for a card that has not come; files deleted in the camera leave the same gap.",
                more={"day": after.day, "count": count}))
    return found


def expected_cards(expected: Iterable[ExpectedCard], seen: Sequence[CardSeen]) -> list[Finding]:
    """Cards that a day owes and that have not come, by roll or label, or counted by body and kind."""
    found = []
    for want in expected:
        day = [c for c in seen if want.day in (c.day, *c.days)
               and (not want.unit or words(c.unit) in ("", words(want.unit)))]
        if want.card:
            have = [c for c in day if words(want.card) in (words(c.roll), words(c.label))]
        else:
            have = [c for c in day if (not want.kind or words(want.kind) in {words(k) for k in c.kinds})
                    and (not want.body or any(words(want.body) in words(b) for b in c.bodies))]
        if len(have) < want.count:
            name = want.card or " ".join(p for p in (want.body, want.kind) if p)
            count = "" if want.count == 1 else f" ({len(have)} of {want.count} came)"
            found.append(Finding(
                kind="card_expected", item=f"{want.day} {name}", severity=Severity.PERSON,
                what=f"card {name} of {want.day} has not come{count}",
                next="Find it before the truck leaves, give a card that came its roll name (`nightloader label`), or "
                     "strike the row.", more={"day": want.day, "line": want.line}))
    return found


def lens_ledger(
    rows: Iterable[SetupRow], captured: Iterable[Captured], grids: Iterable[Taken]
) -> tuple[tuple[LensEntry, ...], list[Finding]]:
    """Lens serials used (by log and headers), where, and which have no grid yet; a tick in the log's column for grids
    counts for the lens of its row."""
    uses: dict[str, list[tuple[str, str, str]]] = defaultdict(list)
    shown: dict[str, tuple[str, str]] = {}
    said: dict[str, list[str]] = defaultdict(list)
    for r in rows:
        if bare := serial(r.cells.get("lens_serial", "")):
            if ticked(r, "lens_grid"):
                said[bare].append(f"{r.file} line {r.line}")
            uses[bare].append((r.day, r.unit, r.setup))
            shown.setdefault(bare, (r.cells["lens_serial"], r.lens))
    for c in captured:
        if c.kind == "clip" and (bare := serial(c.lens_serial)):
            uses[bare].append(c.key)
            shown.setdefault(bare, (c.lens_serial, c.lens))
    shot = [g for g in grids if g.item == "lens_grid"]
    entries = tuple(
        LensEntry(serial=shown[bare][0], lens=shown[bare][1], days=tuple(sorted({k[0] for k in keys if k[0]})),
                  setups=tuple(dict.fromkeys(k[2] for k in keys if k[2])),
                  grids=(*(g.id for g in shot if serial(g.lens_serial) == bare), *said[bare]))
        for bare, keys in sorted(uses.items())
    )
    found = [
        Finding(kind="lens_without_grid", item=f"lens {e.serial}", severity=Severity.NOTE,
                what=f"no grid of lens {e.serial} ({e.lens}), used in {', '.join(e.setups[:5])}",
                next="Shoot its grid before it goes back to the rental house.", more={"days": list(e.days)})
        for e in entries if not e.grids
    ]
    return entries, found
