"""Model of the audit's JSON: ten questions in order, exceptions first, each line with what to do next.

The morning page and the terminal's text are made from this and nothing else.
"""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import BaseModel, Field

from ingest.records.papers import Day, PaperFinding, Part, RelativePath, Size, Software, Utc

State = Literal["well", "note", "person", "loss", "not checked"]


class Line(Part):
    """One thing: what it is, how bad, what to do next, until when that helps."""

    question: Annotated[int, Field(ge=1, le=10)]
    kind: str
    item: str
    state: Literal["note", "person", "loss"]
    what: str
    next: str
    until_utc: Utc | None = None


class Question(Part):
    """One of the ten questions with its answer; ``checks`` is how many things were looked at for it."""

    number: Annotated[int, Field(ge=1, le=10)]
    asks: str
    state: State
    answer: str
    checks: Size
    lines: list[Line]


class CardAtDestination(Part):
    id: str
    name: str
    required: bool
    present: bool
    lost: bool
    verified: bool
    files_verified: Size
    proof: Literal["device", "cache dropped", "not provable"] | None
    read_back_utc: Utc | None
    oldest_reread_utc: Utc | None


class CardLine(Part):
    """A card's row: the figure a loader decides on comes first.  ``released_by`` is what a person signed."""

    id: str
    label: str
    day: str
    folder: str
    files: Size
    size_bytes: Size
    copies_once_reused: Size
    copies_asked: Size
    further_copies: Size
    copies_now: Size
    figure: str
    policy_met: bool
    on_one_disk: bool
    here: bool
    read: Literal["twice", "once", "in part twice", "not whole"]
    mounted: Literal["read-only", "writable", "unknown"]
    reasons: list[str]
    destinations: list[CardAtDestination]
    released_by: str | None = None


class DestinationLine(Part):
    """A destination: whether it is here, its room, what was read again there this time."""

    id: str
    name: str
    required: bool
    present: bool
    lost: bool
    on_one_disk: bool
    filesystem: str
    free_bytes: Size | None
    reread_files: Size
    reread_bytes: Size
    reread_until_utc: Utc | None
    reread_interrupted: bool
    days_left: Size | None = None
    full_on: Day | None = None


class CheckLine(Part):
    """What was checked of a probe (``made``), or what could not be and why."""

    made: bool
    words: str


class ProbeLine(Part):
    """A probe (one view).  ``frames`` are exposures, ``stops`` the range covered, ``clipped_share`` that of the
    darkest frame; None where it was not measured.  ``merged`` is false where there is no picture, ``trouble`` why."""

    id: str
    shot: str | None
    setup: str | None
    day: Day | None
    unit: str = ""
    position: str = ""
    view: Annotated[int, Field(ge=1)] = 1
    complete: bool | None = None
    review: bool = False
    reasons: list[str] = Field(default_factory=list)
    merged: bool = True
    trouble: str = ""
    frames: Size = 0
    exposures_s: list[float | None] = Field(default_factory=list)
    stops: float | None = None
    clipped_share: float | None = None
    histogram: list[float] = Field(default_factory=list)  # shares per stop of radiance, dark to bright
    histogram_from_stop: float | None = None  # log2 of radiance where it begins
    taken_utc: Utc | None = None
    folder: RelativePath | None = None
    body: str = ""
    lens: str = ""
    kind: str = "unknown"
    findings: list[PaperFinding] = Field(default_factory=list)
    checks: list[CheckLine] = Field(default_factory=list)


class CoverageLine(Part):
    item: str
    status: Literal["have", "due", "waived", "lost"]
    due_until_utc: Utc | None = None
    proposed: list[str] = Field(default_factory=list)  # what may show it, by looking; nobody has confirmed it
    why: str = ""


class Mark(Part):
    """Something on a setup's time line: ``what`` is probe, plate, chart, ball, reference, clip ..."""

    utc: Utc
    what: str
    item: str


class SetupLine(Part):
    day: Day
    unit: str = ""
    shot: str | None = None
    setup: str
    camera: str = ""
    lens: str = ""
    start_utc: Utc | None = None
    end_utc: Utc | None = None
    items: list[CoverageLine] = Field(default_factory=list)
    marks: list[Mark] = Field(default_factory=list)


class AuditReport(Part):
    """The whole audit of one morning."""

    paper: Literal["audit"] = "audit"
    version: Literal[1] = 1
    show: str
    time_zone: str
    day: Day
    written_utc: Utc
    software: Software
    headline: str
    needs_a_person: Size
    losses: Size
    checks: dict[str, Size]
    exceptions: list[Line]
    questions: list[Question]
    cards: list[CardLine]
    destinations: list[DestinationLine]
    probes: list[ProbeLine]
    setups: list[SetupLine]
    findings: list[PaperFinding]
    caution: list[str]


PAPERS: dict[str, type[BaseModel]] = {"audit": AuditReport}
