"""Which body a row means: as its headers name it, or by its nickname, with or without a serial number."""

from __future__ import annotations

from ingest.records.clocks import ClockNote


def matches(note: ClockNote, body: str, nickname: str = "") -> bool:
    """Whether a row of the clock notes speaks for a body (``make|model|serial``).

    >>> from datetime import datetime
    >>> row = ClockNote(line=2, camera="Orrery Panorb 2", serial="", camera_shows=datetime(2026, 1, 2),
    ...                 true_time=None, offset_s=0.0)
    >>> matches(row, "Orrery|Panorb 2|0117")
    True
    """
    make, model, serial = (*body.split("|"), "", "", "")[:3]
    if note.serial and _plain(note.serial).lstrip("0") != _plain(serial).lstrip("0"):
        return False
    if not note.camera:
        return bool(note.serial)
    names = {_plain(n) for n in (nickname, model, f"{make} {model}", _without_make(make, model)) if n}
    return _plain(note.camera) in names


def _without_make(make: str, model: str) -> str:
    """Some headers repeat the make in the model."""
    return model[len(make) :].strip() if make and model.casefold().startswith(make.casefold()) else model


def _plain(words: str) -> str:
    return " ".join(words.casefold().split())
