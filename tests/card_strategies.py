"""Cards, files and copies as hypothesis draws them; each new feature of the records is learnt here."""

from __future__ import annotations

import os
import random
from dataclasses import dataclass

from hypothesis import strategies as st

from ingest.records.cards import CardRecord, CopyFact, DestinationRecord, FileKind, FileRecord, LeftOut, Proof

# Any bytes a file system takes as a name, but the parts that mean "here" and "up".
name_part = (
    st.binary(min_size=1, max_size=12)
    .map(lambda raw: os.fsdecode(raw.replace(b"/", b"_").replace(b"\0", b"_")))
    .filter(lambda part: part not in (".", ".."))
)
path = st.lists(name_part, min_size=1, max_size=3).map("/".join)
hexes = st.sampled_from(["0" * 32, "1" * 32, "a" * 32])
utc = st.sampled_from(["2026-04-01T20:00:00Z", "2026-04-01T21:30:00Z", "2026-04-02T02:14:00.5Z"])
words = st.text(alphabet=st.characters(exclude_categories=("Cs",)), max_size=12)


@st.composite
def cards(draw: st.DrawFn) -> CardRecord:
    return CardRecord(
        id="card-1", label=draw(st.sampled_from(["", "B007", "NIGHT"])), roll=draw(st.sampled_from(["", "A003"])),
        day="2026-04-01", folder="cards/2026-04-01/B007", volume_id="5E3A-11F0",
        first_seen_utc=draw(utc), last_seen_utc=draw(utc), generation=draw(st.integers(1, 3)),
        listing_whole=draw(st.booleans()), read_only=draw(st.sampled_from([True, False, None])),
        mount=draw(st.sampled_from([None, "/media/card"])),
    )


@st.composite
def files(draw: st.DrawFn, name: str) -> FileRecord:
    digests = {}
    if draw(st.integers(0, 3)):
        digests["xxh3_128"] = draw(hexes)
        if draw(st.booleans()):
            digests["md5"] = draw(hexes)
    second = draw(st.sampled_from(["", "", digests.get("xxh3_128", ""), "a" * 32]))
    return FileRecord(
        card_id="card-1", path=name, size_bytes=draw(st.integers(0, 3)), mtime_ns=draw(st.integers(-(2**70), 2**70)),
        kind=draw(st.sampled_from(list(FileKind))), generation=draw(st.integers(1, 3)), digests=digests,
        read_utc=draw(utc) if digests else "", second_digest=second,
        second_read_utc=draw(utc) if second else "", trouble=draw(st.sampled_from(["", "it could not be read"])),
    )


@st.composite
def copies(draw: st.DrawFn, file: FileRecord, destination: str) -> CopyFact:
    own = file.digests.get("xxh3_128", "0" * 32)
    reread = draw(st.sampled_from(["", "", "same", "other", "failed"]))
    return CopyFact(
        card_id=file.card_id, path=file.path, destination_id=destination,
        stored_path=draw(st.sampled_from([file.path, "stored-otherwise"])),
        size_bytes=draw(st.sampled_from([file.size_bytes, file.size_bytes, 7])),
        source_digest=draw(st.sampled_from([own, own, "1" * 32])),
        back_digest=draw(st.sampled_from([own, own, "1" * 32])),
        proof=draw(st.sampled_from(list(Proof))), read_back_utc=draw(utc), folder_synced=draw(st.booleans()),
        reread_utc=draw(utc) if reread else "",
        reread_digest={"same": own, "other": "b" * 32}.get(reread, ""),
        reread_proof="device" if reread else "", generation=file.generation,
    )


@dataclass
class Evidence:
    card: CardRecord
    files: list[FileRecord]
    copies: list[CopyFact]
    destinations: list[DestinationRecord]
    left_out: list[LeftOut]
    empty_folders: list[str]
    problems: list[tuple[str, str]]


@st.composite
def evidence(draw: st.DrawFn) -> Evidence:
    """A card with up to five files and up to three destinations, often enough with nothing wrong."""
    names = draw(st.lists(path, max_size=5, unique=True))
    destinations = [
        DestinationRecord(
            id=f"disk-{n}", path=f"/disk/{n}", required=draw(st.integers(0, 4)) > 0, present=draw(st.booleans()),
            one_disk=draw(st.booleans()), lost_utc=draw(st.sampled_from(["", "", "", "2026-04-01T22:00:00Z"])),
        )
        for n in range(draw(st.integers(0, 3)))
    ]
    if draw(st.booleans()):  # everything as it should be
        kept = [
            FileRecord(
                card_id="card-1", path=n, size_bytes=1, mtime_ns=0, kind=FileKind.STILL, generation=1,
                digests={"xxh3_128": "0" * 32}, read_utc="2026-04-01T20:00:00Z",
            )
            for n in names
        ]
        facts = [
            CopyFact(
                card_id="card-1", path=f.path, destination_id=d.id, stored_path=f.path, size_bytes=1,
                source_digest="0" * 32, back_digest="0" * 32, proof=draw(st.sampled_from(list(Proof))),
                read_back_utc="2026-04-01T20:10:00Z", folder_synced=True,
            )
            for f in kept
            for d in destinations
        ]
    else:
        kept = [draw(files(n)) for n in names]
        facts = [draw(copies(f, d.id)) for f in kept for d in destinations if draw(st.integers(0, 4))]
    return Evidence(
        card=draw(cards()), files=kept, copies=facts, destinations=destinations,
        left_out=[LeftOut(path=p, reason=draw(words)) for p in draw(st.lists(path, max_size=2, unique=True))],
        empty_folders=draw(st.lists(path, max_size=2, unique=True)),
        problems=[(draw(st.one_of(st.just(""), path)), draw(words)) for _ in range(draw(st.integers(0, 2)))],
    )


SEEDS = ["IMG_0001.JPG", "con.txt", "aux", "..", ".", "~", "a_(2).jpg", "caf\u00e9", "cafe\u0301", "x:y", "trail. ",
         "..\\..\\etc", "%2e%2e", "\u202egpj.exe", "C:", "nul.tar.gz", "x" * 255, "ascmhl", ".nl-0.tmp", "\x1b[2J"]


def mutated_name(rng: random.Random) -> str:
    """A name of a card with some of its bytes changed, as any bytes a file system takes."""
    data = bytearray(os.fsencode(rng.choice(SEEDS)))
    for _ in range(rng.randint(0, 4)):
        at = rng.randrange(len(data) + 1)
        data[at:at + rng.randint(0, 2)] = rng.randbytes(rng.randint(0, 3))
    name = os.fsdecode(bytes(data[:255]).replace(b"/", b"_").replace(b"\0", b"_") or b"_")
    return name if name not in (".", "..") else "_"
