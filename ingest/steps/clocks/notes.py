"""Reading ``clock_notes.csv``: what a body showed at a true local time, as people write it.

Columns ``camera, serial, camera_shows, true_time, offset_s, note`` (any order, further ones are ignored), split
by comma, semicolon or tab, with or without a byte-order mark.  A cell that could mean two things, or nothing,
becomes a question and its row is not used.
"""

from __future__ import annotations

import csv
import io
import re
from datetime import datetime

from ingest.records.clocks import ClockNote
from ingest.records.setups import Question

FILE = "clock_notes.csv"
COLUMNS = ("camera", "serial", "camera_shows", "true_time", "offset_s", "note")
HOURS = r"[ T]+(\d{1,2})[:.h](\d{2})(?:[:.](\d{2})(?:[.,](\d+))?)?"
YEAR_FIRST = re.compile(r"(\d{4})[-/.:](\d{1,2})[-/.:](\d{1,2})" + HOURS)
YEAR_LAST = re.compile(r"(\d{1,2})([-/.])(\d{1,2})\2(\d{4})" + HOURS)
AMBIGUOUS = "day and month cannot be told apart: write YYYY-MM-DD HH:MM:SS"


class _Unclear(ValueError):
    """A cell that gives no moment; the words say what to write instead."""


def read_notes(text: str) -> tuple[tuple[ClockNote, ...], tuple[Question, ...]]:
    """All understood rows, and a question for each cell that was not.

    Any text gives an answer; nothing is raised.
    """
    lines = text.lstrip("\ufeff").replace("\r\n", "\n").replace("\r", "\n").replace("\0", "")
    reader = csv.reader(io.StringIO(lines), delimiter=_delimiter(lines))
    notes: list[ClockNote] = []
    questions: list[Question] = []
    places: dict[str, int] | None = None
    try:
        for cells in reader:
            if not any(c.strip() for c in cells):
                continue
            if places is None:
                places, missing = _places(cells)
                questions += [_ask(reader.line_num, m, "", "this column is missing") for m in missing]
                continue
            row = {name: cells[at].strip() if at < len(cells) else "" for name, at in places.items()}
            found, asked = _row(reader.line_num, row)
            notes += [found] if found else []
            questions += asked
    except csv.Error as error:
        questions.append(_ask(reader.line_num, "", "", f"this line is no CSV ({error})"))
    return tuple(notes), tuple(questions)


def _delimiter(text: str) -> str:
    head = next((line for line in text.split("\n") if line.strip()), "")
    return max(",;\t", key=lambda d: (head.count(d), d == ","))


def _places(cells: list[str]) -> tuple[dict[str, int], list[str]]:
    """Where each column stands, and which of the needed ones are missing."""
    names = [re.sub(r"[\s_-]+", "_", c.strip().casefold()) for c in cells]
    places = {name: names.index(name) for name in COLUMNS if name in names}
    needed = ["camera", "camera_shows"] + ([] if "offset_s" in places else ["true_time"])
    return places, [n for n in needed if n not in places]


def _ask(line: int, column: str, written: str, asks: str) -> Question:
    return Question(file=FILE, line=line, column=column, written=written[:80], asks=asks)


def _row(line: int, row: dict[str, str]) -> tuple[ClockNote | None, list[Question]]:
    questions: list[Question] = []

    def moment(column: str) -> datetime | None:
        written = row.get(column, "")
        if not written:
            return None
        try:
            return parse_moment(written)
        except _Unclear as unclear:
            questions.append(_ask(line, column, written, str(unclear)))
            return None

    shows, true = moment("camera_shows"), moment("true_time")
    offset = _offset(line, row.get("offset_s", ""), questions)
    if not row.get("camera") and not row.get("serial"):
        questions.append(_ask(line, "camera", "", "which body is this? Give make and model, nickname or serial"))
    if shows is None and not row.get("camera_shows"):
        questions.append(_ask(line, "camera_shows", "", "what did the body show?"))
    if shows is not None and true is not None:
        measured = (true - shows).total_seconds()
        if offset is not None and abs(offset - measured) > 2.0:
            asks = f"the two times give {measured:+.0f} s (true minus shown); which is right?"
            questions.append(_ask(line, "offset_s", row["offset_s"], asks))
            return None, questions
        offset = measured if offset is None else offset
    elif offset is None and not questions:
        questions.append(_ask(line, "true_time", "", "give the true time or offset_s"))
    if questions or shows is None or offset is None:
        return None, questions
    note = ClockNote(line=line, camera=row.get("camera", ""), serial=row.get("serial", ""), camera_shows=shows,
                     true_time=true, offset_s=offset, note=row.get("note", ""))
    return note, []


def _offset(line: int, written: str, questions: list[Question]) -> float | None:
    if not written:
        return None
    plain = written.replace("\u2212", "-").replace(",", ".").replace(" ", "").removesuffix("s")
    if re.fullmatch(r"[+-]?\d{1,10}(\.\d*)?", plain):
        return float(plain)
    questions.append(_ask(line, "offset_s", written, "seconds as a number: true time minus what the body showed"))
    return None


def parse_moment(written: str) -> datetime:
    """A wall-clock time as people write it.

    >>> parse_moment("2026-11-25 19:04:05").second
    5

    Raises a ValueError whose words say what to write where day and month are unclear or it is no time.
    """
    text = " ".join(written.split())
    if found := YEAR_FIRST.fullmatch(text):
        year, month, day, hour, minute, second, part = found.groups()
    elif found := YEAR_LAST.fullmatch(text):
        first, mark, middle, year, hour, minute, second, part = found.groups()
        if mark != "." and first != middle and max(int(first), int(middle)) <= 12:
            raise _Unclear(AMBIGUOUS)
        day, month = (first, middle) if mark == "." or int(first) > 12 or first == middle else (middle, first)
    else:
        raise _Unclear("not understood: write YYYY-MM-DD HH:MM:SS")
    micro = int((part or "0")[:6].ljust(6, "0"))
    try:
        return datetime(int(year), int(month), int(day), int(hour), int(minute), int(second or 0), micro)  # noqa: DTZ001
    except ValueError:
        raise _Unclear("no such day or time: write YYYY-MM-DD HH:MM:SS") from None
