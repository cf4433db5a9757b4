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
    serial = (*body.split("|"), "", "", "")[2]
    if note.serial and _plain(note.serial).lstrip("0") != _plain(serial).lstrip("0"):
        return False
    if not note.camera:
        return bool(note.serial)
    return _plain(note.camera) in {_plain(n) for n in (nickname, *_of_headers(body)) if n}


def names_of(body: str) -> set[str]:
    """What a body (``make|model|serial``) may be called without a nickname, its serial number among them.

    >>> sorted(names_of("Orrery|Panorb 2|0117"))
    ['0117', 'Orrery Panorb 2', 'Panorb 2']
    """
    return {n for n in (*_of_headers(body), (*body.split("|"), "", "", "")[2]) if n}


def _of_headers(body: str) -> tuple[str, ...]:
    make, model = (*body.split("|"), "", "")[:2]
    return model, f"{make} {model}".strip(), _without_make(make, model)


def _without_make(make: str, model: str) -> str:
    """Some headers repeat the make in the model."""
    return model[len(make) :].strip() if make and model.casefold().startswith(make.casefold()) else model


def _plain(words: str) -> str:
    return " ".join(words.casefold().split())
