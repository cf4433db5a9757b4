"""What is kept of a card, what is left out, in which order it is wanted."""

from __future__ import annotations

import os
from collections import Counter

from hypothesis import given
from hypothesis import strategies as st

from ingest.records.cards import CardFile, EntryKind, FileKind, ListedEntry
from ingest.steps.cards.inventory import LITTER, fold, is_litter, kind_of, odd_names, perishable_first, take, twins
from tests.card_strategies import path as paths


def entry(path: str, kind: EntryKind = EntryKind.FILE, size: int = 1, trouble: str = "") -> ListedEntry:
    return ListedEntry(path=path, kind=kind, size_bytes=size, mtime_ns=0, trouble=trouble)


def file(path: str, size: int = 1) -> CardFile:
    return CardFile(path=path, size_bytes=size, mtime_ns=0)


kinds = st.sampled_from(list(EntryKind))
listings = st.dictionaries(paths, kinds, max_size=12)


@given(listings)
def test_every_entry_of_a_listing_stands_somewhere(listing: dict[str, EntryKind]) -> None:
    found = take([entry(p, k, trouble="x") for p, k in listing.items()])
    kept = {f.path for f in found.files}
    assert kept == {p for p, k in listing.items() if k is EntryKind.FILE and not is_litter(p)}
    left = {x.path for x in found.left_out}
    for path, kind in listing.items():
        if is_litter(path):
            assert any(path == x or path.startswith(f"{x}/") for x in left)
        elif kind is EntryKind.UNREADABLE:
            assert path in dict(found.problems)
        elif kind not in (EntryKind.FILE, EntryKind.FOLDER):
            assert path in left


@given(listings, st.randoms())
def test_the_order_of_a_listing_means_nothing(listing: dict[str, EntryKind], chance) -> None:  # type: ignore[no-untyped-def]
    entries = [entry(p, k) for p, k in listing.items()]
    mixed = entries[:]
    chance.shuffle(mixed)
    assert take(entries) == take(mixed)


def test_only_the_closed_list_is_left_out() -> None:
    """Trash folders and the systems' companion files are kept: they may hold what somebody misses."""
    kept = [".Trashes/501/clip.mov", "$RECYCLE.BIN/x.jpg", "DCIM/._A.JPG", ".hidden", "Thumbs.db.jpg", "a/DS_Store"]
    litter = [".DS_Store", "DCIM/.DS_Store", ".Spotlight-V100/Store/x", "System Volume Information/y", "DCIM/THUMBS.DB"]
    found = take([entry(p) for p in kept + litter])
    assert {f.path for f in found.files} == set(kept)
    assert {x.path for x in found.left_out} == {
        ".DS_Store", "DCIM/.DS_Store", ".Spotlight-V100", "System Volume Information", "DCIM/THUMBS.DB"}
    assert next(x.reason for x in found.left_out if x.path == ".Spotlight-V100").endswith("1 file in it")
    assert all(name == name.lower() for name in LITTER)


def test_empty_folders_stand_without_those_above_them() -> None:
    folders = [entry(p, EntryKind.FOLDER) for p in ("A", "A/B", "A/B/C", "DCIM", "EMPTY")]
    found = take([*folders, entry("DCIM/1.JPG")])
    assert found.empty_folders == ("A/B/C", "EMPTY")


def test_kinds_by_extension() -> None:
    assert kind_of("a/B.JPG") is FileKind.STILL and kind_of("a/B.mov") is FileKind.CLIP
    assert kind_of("a/B.XMP") is FileKind.SIDECAR and kind_of("a/B") is FileKind.OTHER
    assert kind_of("a/._B.JPG") is FileKind.OTHER and kind_of(".jpg") is FileKind.OTHER


@given(st.lists(st.tuples(paths, st.integers(0, 1 << 30)), unique_by=lambda x: x[0], max_size=20))
def test_perishables_come_first_and_nobody_is_lost(files: list[tuple[str, int]]) -> None:
    ordered = perishable_first([file(p, s) for p, s in files])
    assert Counter(ordered) == Counter(file(p, s) for p, s in files)
    stills = [kind_of(f.path) is FileKind.STILL for f in ordered]
    assert stills == sorted(stills, reverse=True)
    clips = [kind_of(f.path) is FileKind.CLIP for f in ordered]
    assert not any(clips) or FileKind.SIDECAR not in {kind_of(f.path) for f in ordered[clips.index(True):]}


def test_numbers_are_put_in_counting_order() -> None:
    names = ["IMG_10.JPG", "IMG_9.JPG", "IMG_100.JPG"]
    assert [f.path for f in perishable_first([file(n) for n in names])] == ["IMG_9.JPG", "IMG_10.JPG", "IMG_100.JPG"]


@given(paths)
def test_folding_twice_changes_nothing(name: str) -> None:
    assert fold(fold(name)) == fold(name)


def test_twins_and_odd_names() -> None:
    files = [file(n) for n in ("caf\u00e9", "CAFE\u0301", "other", os.fsdecode(b"\xff"), "a\nb")]
    assert twins(files) == (("CAFE\u0301", "caf\u00e9"),)
    assert [p for p, _ in odd_names(files)] == [os.fsdecode(b"\xff"), "a\nb"]
