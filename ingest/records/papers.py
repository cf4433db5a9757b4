"""Models of the JSON papers that lie at a destination; their JSON Schemas are made from these.

One rule for all: UTC times, sizes in bytes, digests as lower-case hex with the algorithm named, paths
relative (to the card's folder or the show's), never a path of the machine.  A name whose bytes are no
UTF-8 stands readable in ``path`` and exactly, as hex, in ``path_bytes``, which then counts.  A key that
has nothing to say is left out.  ``shared/make_schemas.py`` writes the schemas; a change of a model
raises its ``version``.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from typing import Annotated, Any, Literal, TypeVar

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, StringConstraints, ValidationError

from ingest.errors import Unreadable

UTC_PATTERN = r"^[0-9]{4}-[0-9]{2}-[0-9]{2}T[0-9]{2}:[0-9]{2}:[0-9]{2}(\.[0-9]+)?Z$"
# A file system may hold a time that no calendar can write; then its raw count of nanoseconds stands.
MODIFIED_PATTERN = r"^([0-9]{4}-[0-9]{2}-[0-9]{2}T[0-9]{2}:[0-9]{2}:[0-9]{2}(\.[0-9]+)?Z|ns:-?[0-9]+)$"

Algorithm = Literal["xxh3_128", "xxh3_64", "xxh64", "md5", "sha1", "sha256", "sha512", "blake3"]
Utc = Annotated[str, StringConstraints(pattern=UTC_PATTERN)]
Modified = Annotated[str, StringConstraints(pattern=MODIFIED_PATTERN)]
Hex = Annotated[str, StringConstraints(pattern=r"^[0-9a-f]+$")]
Digest = Annotated[str, StringConstraints(pattern=r"^[a-z0-9_]+:[0-9a-f]+$")]
Day = Annotated[str, StringConstraints(pattern=r"^[0-9]{4}-[0-9]{2}-[0-9]{2}$")]
Size = Annotated[int, Field(ge=0)]


def _stays_inside(path: str) -> str:
    parts = path.split("/")
    if path != "." and ("\0" in path or any(part in ("", ".", "..") for part in parts)):
        raise ValueError("a path in a paper is relative and never climbs")
    return path


def _bytes_stay_inside(value: str) -> str:
    _stays_inside(bytes.fromhex(value).decode("utf-8", "surrogateescape"))
    return value


RelativePath = Annotated[str, StringConstraints(pattern=r"^[^/]"), AfterValidator(_stays_inside)]
PathBytes = Annotated[str, StringConstraints(pattern=r"^([0-9a-f]{2})+$"), AfterValidator(_bytes_stay_inside)]


class Part(BaseModel):
    """Base of every model here: nothing unknown, nothing changed after it was built."""

    model_config = ConfigDict(extra="forbid", frozen=True)


class Software(Part):
    name: str = "nightloader"
    version: str


class Named(Part):
    """Something on a card by its name."""

    path: RelativePath
    path_bytes: PathBytes | None = None


class Remark(Named):
    """Something on a card and what is to be said about it."""

    why: str


class SecondReading(Part):
    """The second reading of a file from the card's own device."""

    utc: Utc | None = None
    digest: Digest
    equal: bool


class Reread(Part):
    """What a later audit read from the destination's device; no digest: it could not be read."""

    utc: Utc
    digest: Digest | None = None
    proof: str | None = None


class CopyEntry(Part):
    """The copy at this destination: what its device returned, when, and how that was proven."""

    read_back_utc: Utc
    digest: Digest
    source_digest: Digest | None = None  # only where it is not the file's own
    size_bytes: Size | None = None  # only where it is not the file's own
    proof: Literal["device", "cache dropped", "not provable"]
    folder_synced: bool
    reread: Reread | None = None


class FileEntry(Named):
    """One file of the card.  No ``copy``: it is not verified here.  ``stored_as`` only where the
    destination cannot hold the name."""

    stored_as: RelativePath | None = None
    stored_as_bytes: PathBytes | None = None
    size_bytes: Size
    modified_utc: Modified
    kind: Literal["still", "clip", "sidecar", "other"]
    generation: Annotated[int, Field(ge=1)]
    digests: dict[Algorithm, Hex] = Field(default_factory=dict)
    read_utc: Utc | None = None
    second_reading: SecondReading | None = None
    copy_here: CopyEntry | None = None
    trouble: str | None = None


class CardEntry(Part):
    id: str
    label: str
    roll: str
    day: Day
    folder: RelativePath
    volume: str
    first_seen_utc: Utc
    last_seen_utc: Utc
    generation: Annotated[int, Field(ge=1)]
    listing_whole: bool
    mounted: Literal["read-only", "writable", "unknown"]


class CopySummary(Part):
    """The copy facts recorded at one destination, counted; ``reread_otherwise`` are those whose last
    re-reading did not return what was copied."""

    destination: str
    files: Size
    size_bytes: Size
    reread_otherwise: Size
    proofs: dict[Literal["device", "cache dropped", "not provable"], Size]
    last_read_back_utc: Utc | None = None


class Totals(Part):
    files: Size
    size_bytes: Size
    read_twice: Size
    second_readings_that_differ: Size


class CardManifest(Part):
    """What was on a card, and what of it stands verified at this destination."""

    paper: Literal["card manifest"] = "card manifest"
    version: Literal[1] = 1
    show: str
    written_utc: Utc
    software: Software
    destination: str
    card: CardEntry
    totals: Totals
    copies: list[CopySummary]
    files: list[FileEntry]
    left_out: list[Remark]
    empty_folders: list[Named]
    problems: list[Remark]


class Output(Part):
    """A file of our own making, by its path in the show's folder."""

    path: RelativePath
    size_bytes: Size
    digest: Digest


class Filing(Part):
    """Where something was filed, and on what evidence."""

    shot: str | None
    setup: str | None
    day: Day | None
    unit: str = ""
    folder: RelativePath
    why: str
    utc: Utc


class ProbeFile(Part):
    digest: Digest
    path: RelativePath  # in the show's folder


class ProbeFrame(Part):
    """One exposure: raw and JPEG of one number are two files of one frame."""

    files: list[ProbeFile]
    exposure_s: float | None
    f_number: float | None
    iso: float | None
    taken_utc: Utc | None


class PaperFinding(BaseModel):
    """A finding as it stands in a paper; a probe's finding has further fields."""

    model_config = ConfigDict(extra="allow", frozen=True)

    kind: str
    item: str
    severity: Literal["note", "person", "loss"]
    what: str
    next: str


class ProbeRecord(Part):
    """A merged probe: its frames from dark to bright, how it was merged, where it is filed."""

    paper: Literal["probe record"] = "probe record"
    version: Literal[1] = 1
    show: str
    written_utc: Utc
    software: Software
    id: str
    probe_version: Annotated[int, Field(ge=1)]
    position: str
    view: Annotated[int, Field(ge=1)]
    complete: bool | None
    review: bool
    reasons: list[str]
    frames: list[ProbeFrame]
    filing: Filing
    merge: dict[str, Any]  # as the merging wrote it: scale, weights, clipped share, stops
    outputs: list[Output]
    findings: list[PaperFinding]


class ShowCard(Part):
    id: str
    label: str
    roll: str
    day: Day
    folder: RelativePath
    files: Size
    size_bytes: Size
    manifest: Output | None


class ShowProbe(Part):
    id: str
    probe_version: Annotated[int, Field(ge=1)]
    shot: str | None
    setup: str | None
    day: Day | None
    folder: RelativePath
    record: Output | None


class ShowDestination(Part):
    id: str
    required: bool
    lost_utc: Utc | None = None


class ShowManifest(Part):
    """Everything of a show at one destination, by its papers."""

    paper: Literal["show manifest"] = "show manifest"
    version: Literal[1] = 1
    show: str
    time_zone: str
    written_utc: Utc
    software: Software
    destination: str
    destinations: list[ShowDestination]
    cards: list[ShowCard]
    probes: list[ShowProbe]


class ShowLogLine(Part):
    """One line of the show's running log: what was filed, moved, superseded or decided, and where it lies."""

    paper: Literal["show log"] = "show log"
    version: Literal[1] = 1
    utc: Utc
    event: Literal["filed", "moved", "superseded", "card", "decided"]
    item: str
    item_version: Annotated[int, Field(ge=1)] = 1
    folder: RelativePath | None = None
    shot: str | None = None
    setup: str | None = None
    day: Day | None = None
    unit: str = ""
    why: str = ""
    files: list[Output] = Field(default_factory=list)
    decision: str = ""  # of a line "decided": its kind, on which item, and what was said
    said: dict[str, Any] = Field(default_factory=dict)


def to_mapping(model: BaseModel) -> dict[str, Any]:
    """The paper as plain values.  None of an optional key is left out, of a required one it is null."""
    value = _plain(model)
    assert isinstance(value, dict)
    return value


def _plain(value: Any) -> Any:
    if isinstance(value, BaseModel):
        fields = type(value).model_fields
        out = {
            name: _plain(item)
            for name in fields
            if (item := getattr(value, name)) is not None or fields[name].is_required()
        }
        out.update(value.model_extra or {})
        return out
    if isinstance(value, Mapping):
        return {str(k): _plain(v) for k, v in value.items()}
    if isinstance(value, Sequence) and not isinstance(value, str):
        return [_plain(item) for item in value]
    return value


def render(model: BaseModel) -> bytes:
    """The paper as UTF-8 JSON; see :func:`render_mapping`."""
    return render_mapping(to_mapping(model))


def render_mapping(paper: Mapping[str, Any]) -> bytes:
    """A paper's plain values as UTF-8 JSON: one line a key, one line an item of a list, LF, same in same out.

    Raises ValueError if a number is NaN or infinite.
    """
    lines = []
    for key, value in paper.items():
        if isinstance(value, list) and value:
            items = ",\n".join(f"  {_dumps(item)}" for item in value)
            lines.append(f" {_dumps(key)}: [\n{items}\n ]")
        else:
            lines.append(f" {_dumps(key)}: {_dumps(value)}")
    return ("{\n" + ",\n".join(lines) + "\n}\n").encode("utf-8")


def render_line(model: BaseModel) -> bytes:
    """The paper as one line of UTF-8 JSON with its end."""
    # What is no text (an older ledger may hold it) becomes JSON's own escape.
    return (_dumps(to_mapping(model)) + "\n").encode("utf-8", "backslashreplace")


_dumps = json.JSONEncoder(ensure_ascii=False, allow_nan=False).encode


Paper = TypeVar("Paper", bound=BaseModel)


def parse(kind: type[Paper], data: bytes, *, item: str = "") -> Paper:
    """The paper in ``data``; raises Unreadable naming the first places that are wrong."""
    try:
        return kind.model_validate_json(data)
    except ValidationError as error:
        places = [f"{'.'.join(str(p) for p in e['loc']) or 'the text'}: {e['msg']}" for e in error.errors()[:3]]
        raise Unreadable(
            f"this paper cannot be read ({'; '.join(places)}).", item=item,
            next="It may be damaged or written by a newer Nightloader; the copy at another destination may be whole.",
        ) from error


# Every JSON paper and the file name of its schema in ``shared/schemas``.
PAPERS: dict[str, type[BaseModel]] = {
    "card_manifest": CardManifest,
    "probe_record": ProbeRecord,
    "show_manifest": ShowManifest,
    "show_log_line": ShowLogLine,
}
