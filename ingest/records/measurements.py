"""What was measured on the set, and which cards the day owes."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field


@dataclass(frozen=True, kw_only=True, slots=True)
class Length:
    """A length in metres beside the words it was read from; ``to_m`` the end of a move or range."""

    written: str
    m: float
    to_m: float | None = None
    about: bool = False


@dataclass(frozen=True, kw_only=True, slots=True)
class Measurement:
    """One measured thing: a named length (``value``) or a box (``length``, ``width``, ``height``), in metres.

    ``day`` is YYYY-MM-DD or "" for the whole show, ``setup`` "" for the whole day's set.  ``by`` who
    measured, ``tool`` with what.  ``cells`` holds every column as written.
    """

    line: int
    name: str
    file: str = ""
    day: str = ""
    unit: str = ""
    shot: str = ""
    setup: str = ""
    value: Length | None = None
    length: Length | None = None
    width: Length | None = None
    height: Length | None = None
    by: str = ""
    tool: str = ""
    notes: str = ""
    cells: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True, kw_only=True, slots=True)
class ExpectedCard:
    """A card that a shoot day owes: what it is called (``card``: roll or label), whose (``body``, ``kind``)
    and of which unit."""

    line: int
    day: str
    card: str = ""
    body: str = ""
    kind: str = ""
    unit: str = ""
    count: int = 1
    notes: str = ""
