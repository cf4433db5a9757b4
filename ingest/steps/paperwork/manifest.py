"""A card's manifest, a probe's record and the show's manifest: records to bytes and back.

The manifest is enough to know a card without the ledger: what was on it, what was left out and why, and
for each file how its copy at this destination was proven.  It holds facts only; whether a card meets the
policy is judged from them (``steps/audit/verdict.py``), never written.  Same facts, same bytes.
"""

from __future__ import annotations

import hashlib
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Any

from ingest.errors import Unreadable
from ingest.records import papers
from ingest.records.cards import CardRecord, CopyFact, FileKind, FileRecord, LeftOut, Proof
from ingest.records.findings import Finding
from ingest.records.names import from_json, to_json
from ingest.records.papers import CardManifest, CopyEntry, FileEntry

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_ALGORITHMS = ("xxh3_128", "xxh3_64", "xxh64", "md5", "sha1", "sha256", "sha512", "blake3")


@dataclass(frozen=True, kw_only=True, slots=True)
class ReadManifest:
    """What a manifest found at a destination says, as records.  ``copies`` are claims of that paper:
    whoever adopts them reads the files again first."""

    show: str
    destination_id: str
    card: CardRecord
    files: tuple[FileRecord, ...]
    copies: tuple[CopyFact, ...]
    left_out: tuple[LeftOut, ...]
    empty_folders: tuple[str, ...]
    problems: tuple[tuple[str, str], ...]


def manifest_path(card_folder: str) -> str:
    """Where a card's manifest lies: beside its folder, so that the folder holds the card and nothing else.

    >>> manifest_path("cards/2026-04-01/B007")
    'cards/2026-04-01/B007.manifest.json'
    """
    return f"{card_folder}.manifest.json"


def card_manifest(
    card: CardRecord,
    files: Iterable[FileRecord],
    *,
    show: str,
    destination_id: str,
    copies: Iterable[CopyFact],
    left_out: Iterable[LeftOut] = (),
    empty_folders: Iterable[str] = (),
    problems: Iterable[tuple[str, str]] = (),
    software_version: str,
    written_utc: str,
) -> bytes:
    """The manifest of ``card`` for the destination ``destination_id``.

    ``copies`` may hold the facts of every destination: those of this one stand beside each file, the
    others are counted.  ``problems`` are (path, words) of what could not be listed.
    """
    kept = sorted(files, key=lambda f: _order(f.path))
    facts = list(copies)
    here = {(c.path, c.generation): c for c in facts if c.destination_id == destination_id}
    # A hundred thousand models would cost ten times the CPU of plain rows; a test holds the rows to the schema.
    rows = [_file_row(f, here.get((f.path, f.generation))) for f in kept]
    seconds = [row["second_reading"] for row in rows if "second_reading" in row]
    head = papers.to_mapping(
        CardManifest(
            show=show,
            written_utc=written_utc,
            software=papers.Software(version=software_version),
            destination=destination_id,
            card=_card_entry(card),
            totals=papers.Totals(
                files=len(kept),
                size_bytes=sum(f.size_bytes for f in kept),
                read_twice=len(seconds),
                second_readings_that_differ=sum(not s["equal"] for s in seconds),
            ),
            copies=_summaries(facts),
            files=[],
            left_out=_remarks((o.path, o.reason) for o in left_out),
            empty_folders=[papers.Named(**_named(p)) for p in sorted(empty_folders, key=_order)],
            problems=_remarks(problems),
        )
    )
    return papers.render_mapping({**head, "files": rows})


def parse_card_manifest(data: bytes, *, item: str = "") -> ReadManifest:
    """The records a manifest holds; raises Unreadable."""
    paper = papers.parse(CardManifest, data, item=item)
    try:
        return _records(paper)
    except ValueError as error:
        raise Unreadable(
            f"this manifest holds a time that is none ({error}).", item=item,
            next="The paper is damaged; the copy at another destination may be whole.",
        ) from error


def _records(paper: CardManifest) -> ReadManifest:
    card = paper.card
    return ReadManifest(
        show=paper.show,
        destination_id=paper.destination,
        card=CardRecord(
            id=card.id, label=card.label, roll=card.roll, day=card.day, folder=card.folder, volume_id=card.volume,
            first_seen_utc=card.first_seen_utc, last_seen_utc=card.last_seen_utc, generation=card.generation,
            listing_whole=card.listing_whole, mount=None,
            read_only={"read-only": True, "writable": False}.get(card.mounted),
        ),
        files=tuple(_file_record(card.id, e) for e in paper.files),
        copies=tuple(_copy_fact(card.id, paper.destination, e, e.copy_here) for e in paper.files if e.copy_here),
        left_out=tuple(LeftOut(path=_name(o), reason=o.why) for o in paper.left_out),
        empty_folders=tuple(_name(p) for p in paper.empty_folders),
        problems=tuple(("" if p.path == "." else _name(p), p.why) for p in paper.problems),
    )


def probe_record(
    *,
    show: str,
    id: str,
    version: int,
    position: str,
    view: int,
    complete: bool | None,
    review: bool,
    reasons: Sequence[str],
    frames: Sequence[papers.ProbeFrame],
    filing: papers.Filing,
    merge: Mapping[str, Any],
    outputs: Sequence[papers.Output],
    findings: Sequence[Finding] = (),
    software_version: str,
    written_utc: str,
) -> bytes:
    """The JSON beside a merged picture: what the merging recorded (``merge``) and where it was filed."""
    return papers.render(
        papers.ProbeRecord(
            show=show, written_utc=written_utc, software=papers.Software(version=software_version),
            id=id, probe_version=version, position=position, view=view, complete=complete, review=review,
            reasons=list(reasons), frames=list(frames), filing=filing, merge=dict(merge),
            outputs=sorted(outputs, key=lambda o: o.path),
            findings=[papers.PaperFinding(**f.to_json()) for f in findings],
        )
    )


def show_manifest(
    *,
    show: str,
    time_zone: str,
    destination_id: str,
    destinations: Sequence[papers.ShowDestination],
    cards: Sequence[papers.ShowCard],
    probes: Sequence[papers.ShowProbe],
    software_version: str,
    written_utc: str,
) -> bytes:
    """Everything of the show at one destination, each by the paper that says more about it."""
    return papers.render(
        papers.ShowManifest(
            show=show, time_zone=time_zone, written_utc=written_utc,
            software=papers.Software(version=software_version), destination=destination_id,
            destinations=sorted(destinations, key=lambda d: d.id),
            cards=sorted(cards, key=lambda c: (c.day, c.folder)),
            probes=sorted(probes, key=lambda p: (p.folder, p.id, p.probe_version)),
        )
    )


def volume_word(volume_id: str) -> str:
    """The volume's id as a paper may hold it: one that is or holds a path of this machine is hashed.

    >>> volume_word("5E3A-11F0"), volume_word("folder:/media/x")
    ('5E3A-11F0', 'sha256:3af812b84a7e945d')
    """
    if "/" in volume_id or "\\" in volume_id:
        return f"sha256:{hashlib.sha256(volume_id.encode('utf-8', 'surrogateescape')).hexdigest()[:16]}"
    return "".join(ch for ch in volume_id if not 0xD800 <= ord(ch) <= 0xDFFF)


def modified_word(mtime_ns: int) -> str:
    """A file's time to the nanosecond, UTC; ``ns:<count>`` where no calendar can write it.

    >>> modified_word(1_775_001_600_123_000_000), modified_word(-(10**20))
    ('2026-04-01T00:00:00.123Z', 'ns:-100000000000000000000')
    """
    seconds, rest = divmod(mtime_ns, 1_000_000_000)
    try:
        stamp = (_EPOCH + timedelta(seconds=seconds)).isoformat()[:19]
    except OverflowError:
        return f"ns:{mtime_ns}"
    return f"{stamp}.{rest:09d}".rstrip("0").rstrip(".") + "Z"


def modified_ns(word: str) -> int:
    """The inverse of :func:`modified_word`; raises ValueError."""
    if word.startswith("ns:"):
        return int(word[3:])
    head, _, fraction = word.removesuffix("Z").partition(".")
    whole = datetime.fromisoformat(head).replace(tzinfo=UTC) - _EPOCH
    return (whole.days * 86400 + whole.seconds) * 1_000_000_000 + int(f"{fraction:0<9}"[:9] or 0)


def _order(path: str) -> bytes:
    return path.encode("utf-8", "surrogateescape")


def _named(path: str) -> dict[str, Any]:
    return dict(to_json(path))


def _name(entry: papers.Named) -> str:
    return from_json({"path": entry.path, "path_bytes": entry.path_bytes} if entry.path_bytes else {"path": entry.path})


def _tagged(digest: str) -> str:
    return digest if ":" in digest else f"xxh3_128:{digest}"


def _bare(digest: str) -> str:
    return digest.rpartition(":")[2]


def _card_entry(card: CardRecord) -> papers.CardEntry:
    return papers.CardEntry(
        id=card.id, label=_text(card.label), roll=_text(card.roll), day=card.day, folder=card.folder,
        volume=volume_word(card.volume_id), first_seen_utc=card.first_seen_utc, last_seen_utc=card.last_seen_utc,
        generation=card.generation, listing_whole=card.listing_whole,
        mounted={True: "read-only", False: "writable", None: "unknown"}[card.read_only],
    )


def _remarks(said: Iterable[tuple[str, str]]) -> list[papers.Remark]:
    """Sorted by name; "" (the card's root) stands as ``.``."""
    ordered = sorted(said, key=lambda x: (_order(x[0]), x[1]))
    return [papers.Remark(**_named(path or "."), why=_text(why)) for path, why in ordered]


def _text(text: str) -> str:
    return to_json(text)["path"] if text else ""


def _file_row(file: FileRecord, copy: CopyFact | None) -> dict[str, Any]:
    """A ``FileEntry`` as plain values, keys without anything to say left out."""
    own = file.digests.get("xxh3_128", "")
    row = _named(file.path)
    if copy and copy.stored_path != file.path:
        stored = to_json(copy.stored_path)
        row["stored_as"] = stored["path"]
        if "path_bytes" in stored:
            row["stored_as_bytes"] = stored["path_bytes"]
    row |= {
        "size_bytes": file.size_bytes,
        "modified_utc": modified_word(file.mtime_ns),
        "kind": file.kind.value,
        "generation": file.generation,
        "digests": {name: file.digests[name] for name in _ALGORITHMS if name in file.digests},
    }
    if file.read_utc:
        row["read_utc"] = file.read_utc
    if file.second_digest:
        second = _bare(file.second_digest)
        when = {"utc": file.second_read_utc} if file.second_read_utc else {}
        row["second_reading"] = {**when, "digest": _tagged(second), "equal": second == own}
    if copy:
        row["copy_here"] = _copy_row(copy, own, file.size_bytes)
    if file.trouble:
        row["trouble"] = _text(file.trouble)
    return row


def _copy_row(copy: CopyFact, own: str, size_bytes: int) -> dict[str, Any]:
    source = _bare(copy.source_digest)
    row: dict[str, Any] = {"read_back_utc": copy.read_back_utc, "digest": _tagged(_bare(copy.back_digest))}
    if source != own:
        row["source_digest"] = _tagged(source)
    if copy.size_bytes != size_bytes:
        row["size_bytes"] = copy.size_bytes
    row |= {"proof": copy.proof.value, "folder_synced": copy.folder_synced}
    if copy.reread_utc:
        row["reread"] = {"utc": copy.reread_utc}
        if copy.reread_digest:
            row["reread"]["digest"] = _tagged(_bare(copy.reread_digest))
        if copy.reread_proof:
            row["reread"]["proof"] = copy.reread_proof
    return row


def _summaries(copies: Sequence[CopyFact]) -> list[papers.CopySummary]:
    out: list[papers.CopySummary] = []
    for destination in sorted({c.destination_id for c in copies}):
        these = {(c.path, c.generation): c for c in copies if c.destination_id == destination}.values()
        proofs = Counter(c.proof for c in these)
        out.append(
            papers.CopySummary(
                destination=destination, files=len(these), size_bytes=sum(c.size_bytes for c in these),
                reread_otherwise=sum(_reread_otherwise(c) for c in these),
                proofs={p.value: proofs[p] for p in Proof if proofs[p]},
                last_read_back_utc=max(c.read_back_utc for c in these) or None,
            )
        )
    return out


def _reread_otherwise(copy: CopyFact) -> bool:
    return bool(copy.reread_utc) and _bare(copy.reread_digest) != _bare(copy.source_digest)


def _file_record(card_id: str, entry: FileEntry) -> FileRecord:
    second = entry.second_reading
    return FileRecord(
        card_id=card_id, path=_name(entry), size_bytes=entry.size_bytes, mtime_ns=modified_ns(entry.modified_utc),
        kind=FileKind(entry.kind), generation=entry.generation,
        digests={str(name): value for name, value in entry.digests.items()},
        read_utc=entry.read_utc or "", second_digest=_bare(second.digest) if second else "",
        second_read_utc=(second.utc or "") if second else "", trouble=entry.trouble or "",
    )


def _copy_fact(card_id: str, destination_id: str, entry: FileEntry, copy: CopyEntry) -> CopyFact:
    path = _name(entry)
    stored = path
    if entry.stored_as is not None:
        stored = _name(papers.Named(path=entry.stored_as, path_bytes=entry.stored_as_bytes))
    reread = copy.reread
    return CopyFact(
        card_id=card_id, path=path, destination_id=destination_id, stored_path=stored,
        size_bytes=entry.size_bytes if copy.size_bytes is None else copy.size_bytes,
        source_digest=_bare(copy.source_digest) if copy.source_digest else entry.digests.get("xxh3_128", ""),
        back_digest=_bare(copy.digest), proof=Proof(copy.proof), read_back_utc=copy.read_back_utc,
        folder_synced=copy.folder_synced, reread_utc=reread.utc if reread else "",
        reread_digest=_bare(reread.digest) if reread and reread.digest else "",
        reread_proof=(reread.proof or "") if reread else "", generation=entry.generation,
    )
