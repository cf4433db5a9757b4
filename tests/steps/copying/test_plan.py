"""Names at destinations and room: properties of the pure rules."""

from __future__ import annotations

import os
import random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ingest.records.cards import CardFile, CopyFact, FileKind, FileRecord, Proof
from ingest.steps.cards.inventory import fold, kind_of, perishable_first
from ingest.steps.copying.owed import from_copies, owed, sources, still_to_try
from ingest.steps.copying.plan import FAT_LARGEST, Holds, escaped, fit, holds, stored_paths
from tests.card_strategies import mutated_name

# Any name a POSIX card can hold, as bytes.
part = (
    st.binary(min_size=1, max_size=255)
    .filter(lambda b: b"/" not in b and b"\0" not in b and b not in (b".", b".."))
    .map(os.fsdecode)
)
close = st.sampled_from(
    ["a.jpg", "A.jpg", "A.JPG", "caf\u00e9", "cafe\u0301", "con.txt", "x:y", "trail.", "trail", "a_(2).jpg"]
)
path = st.lists(st.one_of(part, close), min_size=1, max_size=3).map("/".join)
paths = st.lists(path, min_size=1, max_size=12, unique=True)


def records(names: list[str]) -> list[FileRecord]:
    return [FileRecord(card_id="c", path=p, size_bytes=1, mtime_ns=0, kind=kind_of(p), generation=1, row=i + 1)
            for i, p in enumerate(names)]


def place(files: list[FileRecord], can: Holds) -> dict[int, str]:
    return stored_paths(files, can, card_folder="cards/d/CARD", reserved={"ascmhl"}, settled={})


def check_places(names: list[str], escapes: bool, folds: bool) -> None:
    """No two on one name, none outside the card's folder, every name one that the destination can hold."""
    can = Holds(escapes=escapes, folds=folds, largest_bytes=None)
    placed = place(records(names), can)
    assert len(placed) == len(names)
    assert len({fold(p) if folds else p for p in placed.values()}) == len(names)
    for stored in placed.values():
        assert not stored.startswith("/") and not {"", ".", ".."} & set(stored.split("/"))
        if escapes:
            for one in stored.split("/"):
                assert len(one.encode("utf-16-le")) // 2 <= 255 and not set(one) & set('<>:"\\|?*')
                assert one[-1] not in ". " and all(ord(c) >= 0x20 for c in one)
        else:
            assert all(len(os.fsencode(one)) <= 255 for one in stored.split("/"))


@given(paths, st.booleans(), st.booleans())
@settings(max_examples=200, deadline=None)
def test_no_two_files_on_one_name_and_none_outside(names: list[str], escapes: bool, folds: bool) -> None:
    check_places(names, escapes, folds)


@pytest.mark.campaign
def test_a_hundred_thousand_mutated_names() -> None:
    for seed in range(5_000):
        rng = random.Random(seed)
        names = {"/".join(mutated_name(rng) for _ in range(rng.randint(1, 3))) for _ in range(20)}
        for escapes, folds in ((False, False), (True, True)):
            try:
                check_places(sorted(names), escapes, folds)
            except AssertionError as error:
                raise AssertionError(f"seed {seed}") from error


@given(paths, st.randoms(use_true_random=False))
@settings(max_examples=60, deadline=None)
def test_the_order_of_files_changes_nothing(names: list[str], chance) -> None:  # type: ignore[no-untyped-def]
    files = records(names)
    shuffled = list(files)
    chance.shuffle(shuffled)
    can = Holds(escapes=True, folds=True, largest_bytes=None)
    assert place(files, can) == place(shuffled, can)


def test_a_card_with_its_own_history_lies_one_folder_deeper() -> None:
    placed = place(records(["ascmhl/0001.mhl", "DCIM/1.JPG"]), Holds(escapes=False, folds=False, largest_bytes=None))
    assert placed == {1: "CARD/ascmhl/0001.mhl", 2: "CARD/DCIM/1.JPG"}


def test_plain_names_stay() -> None:
    assert escaped("IMG_0001.JPG") == "IMG_0001.JPG" and escaped("com1.jpg") == "com%31.jpg"


def test_what_fat_cannot_hold_is_refused_beforehand() -> None:
    """FAT32: the size field has 32 bits (Microsoft, FAT32 File System Specification 1.03)."""
    clip = FileRecord(
        card_id="c", path="x.mov", size_bytes=6 << 30, mtime_ns=0, kind=FileKind.CLIP, generation=1, row=1
    )
    assert fit([clip], holds("vfat", False), free_bytes=1 << 40, reserve_bytes=0).never == (clip,)
    assert fit([clip], holds("exfat", False), free_bytes=1 << 40, reserve_bytes=0).now == (clip,)
    assert FAT_LARGEST == 4294967295


@given(st.lists(st.integers(0, 100), max_size=20), st.integers(0, 500))
def test_what_fits_fits_together(sizes: list[int], free: int) -> None:
    files = [
        FileRecord(card_id="c", path=f"{i}", size_bytes=s, mtime_ns=0, kind=FileKind.OTHER, generation=1, row=i + 1)
        for i, s in enumerate(sizes)
    ]
    found = fit(files, Holds(escapes=False, folds=False, largest_bytes=None), free_bytes=free, reserve_bytes=0)
    assert sum(f.size_bytes for f in found.now) <= free
    assert sorted(f.row for f in (*found.now, *found.waiting, *found.never)) == [f.row for f in files]


def fact(file: FileRecord, destination: str) -> CopyFact:
    return CopyFact(card_id="c", path=file.path, destination_id=destination, stored_path=file.path, size_bytes=1,
                    source_digest="d", back_digest="d", proof=Proof.DEVICE, read_back_utc="", folder_synced=True)


@given(st.sets(st.tuples(st.integers(0, 5), st.sampled_from("abc"))))
def test_taking_evidence_away_never_lessens_what_is_owed(have: set[tuple[int, str]]) -> None:
    files = records([f"{i}.jpg" for i in range(6)])
    copies = [fact(files[i], d) for i, d in have]
    count = sum(len(o.destinations) for o in owed(files, copies, "abc"))
    assert count == 18 - len(have)
    for left_out in copies:
        fewer = [c for c in copies if c is not left_out]
        assert sum(len(o.destinations) for o in owed(files, fewer, "abc")) == count + 1


@given(
    st.sets(st.tuples(st.integers(0, 5), st.sampled_from("abc"))),
    st.dictionaries(st.tuples(st.integers(0, 5), st.sampled_from("abc")), st.integers(0, 5)),
    st.dictionaries(st.integers(0, 5), st.integers(0, 5)), st.integers(1, 4),
)
def test_what_was_tried_too_often_is_left_and_nothing_else(
    have: set[tuple[int, str]], tries: dict[tuple[int, str], int], reads: dict[int, int], limit: int
) -> None:
    files = records([f"{i}.jpg" for i in range(6)])
    everything = owed(files, [fact(files[i], d) for i, d in have], "abc")
    left = {(o.file.row, d) for o in still_to_try(everything, tries, reads, limit) for d in o.destinations}
    assert left == {
        (o.file.row, d) for o in everything for d in o.destinations
        if tries.get((o.file.row, d), 0) < limit and reads.get(o.file.row, 0) < limit
    }
    assert all(o.destinations for o in still_to_try(everything, tries, reads, limit))


def test_a_copy_that_does_not_read_gives_way_to_the_next_best() -> None:
    (file,) = records(["a.jpg"])
    jobs, copies = owed([file], [], ["c"]), [fact(file, "a"), fact(file, "b")]
    taken = [list(from_copies(jobs, copies, ["a", "b"], {file.row: bad})) for bad in (0, 1, 2)]
    assert taken == [["a"], ["b"], []]
    assert from_copies(jobs, copies, ["b"], {})["b"][0][1] is copies[1]  # a disk that is away gives nothing


def test_a_copy_that_failed_its_audit_is_no_source() -> None:
    (file,) = records(["a.jpg"])
    good, bad = (
        fact(file, "a"),
        CopyFact(**{**{s: getattr(fact(file, "b"), s) for s in CopyFact.__slots__}, "reread_digest": "e"}),
    )
    assert sources(file, [bad, good], ["a", "b"]) == (good,)


def test_perishables_first() -> None:
    names = ["CLIPS/A.MOV", "DCIM/IMG_10.JPG", "DCIM/IMG_9.JPG", "DCIM/IMG_9.XMP", "BIG.BIN2"]
    files = [CardFile(path=n, size_bytes=(1 << 30) if n == "BIG.BIN2" else 5, mtime_ns=0) for n in names]
    assert [f.path for f in perishable_first(files)] == [
        "DCIM/IMG_9.JPG", "DCIM/IMG_10.JPG", "DCIM/IMG_9.XMP", "BIG.BIN2", "CLIPS/A.MOV"]
