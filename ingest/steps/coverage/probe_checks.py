"""Did the probe stand at the right height, and was it taken near enough in time?"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence

from ingest.records.coverage import Taken
from ingest.records.findings import Finding, Severity
from ingest.records.measurements import Measurement
from ingest.records.setups import SetupRow, Sheet
from ingest.steps.coverage.segments import Key, Segment, segments, setups_of, words

SUN = ("sun", "sunny", "full sun", "direct sun")
OUTDOORS = ("ext", "exterior", "daylight", "day ext", "sun", "sunny", "overcast", "hazy", "cloud", "cloudy", "o cast")


def height_findings(
    rows: Sequence[SetupRow], sheets: Mapping[tuple[str, int], Sheet], measurements: Sequence[Measurement], *,
    tolerance_m: float = 0.3,
) -> list[Finding]:
    """Probes that stood elsewhere than asked, by setup.

    Asked: ``object_height`` of the log if filled, else the taking camera's height (anywhere within a
    move).  Stood: a measurement called "probe height" of that setup, else the log's ``probe_height``.
    Where either is unknown nothing is said.
    """
    measured = {(m.day, m.setup.casefold()): m.value.m for m in measurements
                if m.value and "probe height" in words(m.name)}
    found = []
    for key, group in setups_of(rows).items():
        stood_measured = measured.get((key[0], key[2].casefold()), measured.get(("", key[2].casefold())))
        for row in group:
            sheet = sheets.get(row.place)
            if sheet is None:
                continue
            stood = stood_measured if stood_measured is not None else sheet.probe_height_m
            low, high, whose = _asked(sheet)
            if stood is None or low is None or high is None:
                continue
            off = max(low - stood, stood - high, 0.0)
            if off > tolerance_m:
                found.append(_height(key, row, stood, low if stood < low else high, off, whose))
    return list({f.key: f for f in found}.values())


def _asked(sheet: Sheet) -> tuple[float | None, float | None, str]:
    if sheet.object_height_m is not None:
        return sheet.object_height_m, sheet.object_height_m, "the CG object"
    ends = [h for h in (sheet.camera_height_m, sheet.camera_height_to_m) if h is not None]
    return (min(ends), max(ends), "the camera") if ends else (None, None, "")


def _height(key: Key, row: SetupRow, stood: float, asked: float, off: float, whose: str) -> Finding:
    return Finding(
        kind="probe_height", item=" ".join(p for p in key if p), severity=Severity.PERSON,
        what=f"{key[2]}: the probe stood at {stood:.2f} m, {whose} is at {asked:.2f} m (line {row.line})",
        next="Shoot one more at the right height while the light stands, or mend the figure.",
        more={"day": key[0], "unit": key[1], "setup": key[2], "amount": round(off, 3), "unit_of_amount": "m"},
    )


def outdoors(row: SetupRow) -> bool:
    """Whether the log says daylight: in tags, lighting, weather or scene.

    A row that names neither is not judged by its clock alone: most sets are indoors at noon too.
    """
    return _says(row, OUTDOORS)


def in_sun(row: SetupRow) -> bool:
    """Whether the log says that the sun itself shone: only then is it what is brightest."""
    return _says(row, SUN)


def _says(row: SetupRow, what: Sequence[str]) -> bool:
    told = [row.lighting, *(row.cells.get(c, "") for c in ("tags", "weather", "scene"))]
    text = f" {' '.join(words(t) for t in told)} "
    return any(f" {word} " in text for word in what)


def age_findings(
    rows: Sequence[SetupRow], sheets: Mapping[tuple[str, int], Sheet], taken: Sequence[Taken], *, now_s: float,
    oldest_s: float = 1800.0, daylight: Callable[[float], bool] | None = None,
) -> list[Finding]:
    """Daylight setups with a take, or a stretch of time, further than ``oldest_s`` from every probe of theirs.

    ``daylight`` may say of a true time whether the sun is up (``sun.is_daylight`` for the place): at night
    nothing ages.  Parts without any probe are left to the due rules.
    """
    found = []
    for key, group in setups_of(rows).items():
        probes = [t.start_s for t in taken if t.key == key and t.item == "probe" and t.start_s is not None]
        for part in segments(group, sheets):
            own = [p for p in probes if part.away_s(p) < oldest_s]
            if not own or not any(outdoors(r) for r in part.rows):
                continue
            for words_for, moment in _moments(part, taken, now_s):
                away = min(abs(moment - p) for p in own)
                if away > oldest_s and (daylight is None or daylight(moment)):
                    found.append(_old(key, words_for, away, oldest_s))
                    break
    return found


def _moments(part: Segment, taken: Sequence[Taken], now_s: float) -> Iterable[tuple[str, float]]:
    """The takes of a part; without any, the ends of rows that have ended as written."""
    takes = [t for t in taken if t.key == part.key and t.item in ("clip", "clean_plate", "dirty_plate")
             and t.start_s is not None and part.away_s(t.start_s) == 0]
    if takes:
        yield from ((f"{t.item.replace('_', ' ')} {t.id}", t.start_s or 0.0) for t in takes)
        return
    for row in part.rows:
        if row.end_s is not None and not row.open_ended and row.end_s <= now_s:
            yield "its end", row.end_s


def _old(key: Key, what: str, away: float, oldest_s: float) -> Finding:
    return Finding(
        kind="probe_old", item=" ".join(p for p in key if p), severity=Severity.PERSON,
        what=f"{key[2]}: {what} is {away / 60:.0f} min from the nearest probe, in daylight; allowed are "
             f"{oldest_s / 60:.0f}",
        next="Shoot one more probe if the light still stands; else tell the lighting artist.",
        more={"day": key[0], "unit": key[1], "setup": key[2], "amount": round(away), "unit_of_amount": "s"},
    )
