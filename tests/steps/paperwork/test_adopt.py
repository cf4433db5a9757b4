"""Records out of papers: nothing lost, nothing believed unread, disagreements told, forgeries ignored."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ingest.records.cards import CardRecord, CopyFact, FileKind, FileRecord, Proof
from ingest.steps.paperwork import checksums, history, manifest, showlog
from ingest.steps.paperwork.adopt import adopt, combine, is_paper
from tests.card_strategies import Evidence, evidence
from tests.paper_examples import examples

FOLDER = "cards/2026-04-01/B007"
WRITTEN = {"software_version": "0.1.0", "written_utc": "2026-04-02T03:00:00Z"}
CARD = CardRecord(
    id="c1",
    label="B007",
    roll="",
    day="2026-04-01",
    folder=FOLDER,
    volume_id="v",
    first_seen_utc="2026-04-01T19:00:00Z",
    last_seen_utc="2026-04-01T19:00:00Z",
    generation=1,
    listing_whole=True,
    read_only=True,
    mount=None,
)
FILES = [
    FileRecord(
        card_id="c1",
        path=name,
        size_bytes=n,
        mtime_ns=0,
        kind=FileKind.STILL,
        generation=1,
        digests={"xxh3_128": f"{n:032x}", "md5": f"{n + 9:032x}"},
        read_utc="2026-04-01T19:01:00Z",
    )
    for n, name in enumerate(["A/1.jpg", "A/b:2.jpg", "A/line\nbreak.jpg", "\udcff.jpg"])
]
COPIES = [
    CopyFact(
        card_id="c1",
        path=f.path,
        destination_id="d-a",
        stored_path=f.path.replace(":", "%3A"),
        size_bytes=f.size_bytes,
        source_digest=f.digests["xxh3_128"],
        back_digest=f.digests["xxh3_128"],
        proof=Proof.DEVICE,
        read_back_utc="2026-04-01T19:02:00Z",
        folder_synced=True,
    )
    for f in FILES
]
SIZES = {f"{FOLDER}/{c.stored_path}": c.size_bytes for c in COPIES}
UTC = "2026-04-03T08:00:00Z"


def papers(
    card: CardRecord = CARD, files: list[FileRecord] = FILES, copies: list[CopyFact] = COPIES
) -> dict[str, bytes]:
    out = {
        manifest.manifest_path(card.folder): manifest.card_manifest(
            card, files, show="TIDE", destination_id="d-a", copies=copies, **WRITTEN
        )
    }
    for log in checksums.card_logs(files, copies, destination_id="d-a", prefix="B007/"):
        out[checksums.log_path(card.folder, log.algorithm)] = log.data
    listed = history.first_listing(files, copies, destination_id="d-a", known={})
    made = history.generation(
        listed, number=1, folder="B007", started_utc=UTC, process="transfer", host="cart", tool_version="0"
    )
    if made:
        out[f"{card.folder}/ascmhl/{made.link.name}"] = made.data
        out[f"{card.folder}/ascmhl/{history.CHAIN}"] = history.chain([made.link])
    out["paperwork/running.jsonl"] = b"".join(
        showlog.line(utc=UTC, event="filed", item="p1", folder=f"shots/{n}") for n in "12"
    )
    out["shots/021/A/probes/p1/record.json"] = examples()["probe_record"][0]
    return out


def taken(found: dict[str, bytes], sizes: dict[str, int] | None = None, destination: str = "d-a"):
    return adopt(found, destination_id=destination, sizes=SIZES if sizes is None else sizes, adopted_utc=UTC)


def kinds(adopted) -> list[str]:
    return [f.kind for f in adopted.findings]


def test_everything_comes_back() -> None:
    got = taken(papers())
    assert got.findings == () and got.shows == ("TIDE",)
    assert got.cards == (CARD,) and sorted(got.files, key=lambda f: f.size_bytes) == FILES
    assert {c.at: c.digests for c in got.candidates} == {
        f"{FOLDER}/{c.stored_path}": f.digests for c, f in zip(COPIES, FILES, strict=True)
    }
    assert got.filings["p1"].folder == "shots/2" and [p.id for p in got.probes] == ["p1"]


def test_a_file_that_is_not_there_is_on_the_list_but_no_candidate() -> None:
    got = taken(papers(), {k: v for k, v in SIZES.items() if not k.endswith("1.jpg")})
    assert len(got.files) == 4 and len(got.candidates) == 3


@pytest.mark.parametrize("paper", ["B007.xxh128", "B007.md5"])
def test_a_disagreement_is_told_and_that_file_is_believed_in_neither(paper: str) -> None:
    found = papers()
    name = f"cards/2026-04-01/{paper}"
    line = found[name].splitlines(keepends=True)[0]
    found[name] = found[name].replace(line, bytes([line[0] ^ 1]) + line[1:])
    got = taken(found)
    assert kinds(got) == ["papers disagree"] and "A/1.jpg" in got.findings[0].what and got.findings[0].next
    assert {c.path for c in got.candidates} == {f.path for f in FILES[1:]}


def test_a_hash_list_that_is_not_the_chains_is_not_used() -> None:
    found = papers()
    name = next(n for n in found if n.endswith(".mhl"))
    found[name] += b" "
    assert kinds(taken(found)) == ["hash list broken"]


def test_without_its_manifest_a_card_is_rebuilt_but_never_whole() -> None:
    found = papers()
    del found[manifest.manifest_path(FOLDER)]
    got = taken(found)
    assert kinds(got) == ["manifest missing"]
    (card,) = got.cards
    assert not card.listing_whole and card.folder == FOLDER and card.day == "2026-04-01"
    assert {c.at for c in got.candidates} == {p for p in SIZES if "\n" not in p} | {f"{FOLDER}/A/line\nbreak.jpg"}
    bare = taken({k: v for k, v in found.items() if not k.startswith("cards/")})
    assert kinds(bare) == ["manifest missing"] and bare.cards == () and "without any paper" in bare.findings[0].what


def test_two_papers_without_a_manifest_that_disagree() -> None:
    found = papers()
    del found[manifest.manifest_path(FOLDER)]
    log = checksums.log_path(FOLDER, "xxh3_128")
    found[log] = found[log].replace(b"0" * 32, b"7" * 32)
    got = taken(found)
    assert kinds(got) == ["manifest missing", "papers disagree"]
    assert f"{FOLDER}/A/1.jpg" not in {c.at for c in got.candidates}


def test_what_a_card_brings_cannot_pass_for_a_paper_of_ours() -> None:
    """A hostile card carries a manifest of its own choice, with a higher generation."""
    forged = manifest.card_manifest(
        replace(CARD, generation=99, label="FORGED"), [], show="TIDE", destination_id="d-a", copies=[], **WRITTEN
    )
    found = papers()
    for place in (
        f"{FOLDER}/B007.manifest.json",
        f"{FOLDER}/x.manifest.json",
        f"{FOLDER}/DCIM/{FOLDER}.manifest.json",
    ):
        assert not is_paper(place)
        assert taken({**found, place: forged}) == taken(found)
    elsewhere = taken({**found, "shots/x.json": forged})
    assert kinds(elsewhere) == ["folder moved"] and elsewhere.cards == (CARD,)
    assert not is_paper(f"{FOLDER}/B007/ascmhl/0001_B007_2026-04-01_101112Z.mhl"), "a card's own history is content"
    line = showlog.line(utc=UTC, event="filed", item="p1", folder="shots/hostile")
    assert taken({**found, f"{FOLDER}/running.jsonl": line}).filings["p1"].folder == "shots/2"


def test_a_folder_copied_from_another_disk_by_hand() -> None:
    got = taken(papers(), destination="d-z")
    assert "manifest of another disk" in kinds(got)


def test_damaged_papers_are_findings() -> None:
    found = papers()
    found["paperwork/running.jsonl"] += b'{"torn'
    found["shots/021/A/probes/p1/record.json"] = found["shots/021/A/probes/p1/record.json"][:300]
    got = taken(found)
    assert sorted(kinds(got)) == ["log line unreadable", "paper unreadable"] and got.filings["p1"].folder == "shots/2"


def test_papers_of_two_shows() -> None:
    other = replace(CARD, id="c2", folder="cards/2026-04-01/X")
    found = papers() | {
        "cards/2026-04-01/X.manifest.json": manifest.card_manifest(
            other, [], show="MOOR", destination_id="d-a", copies=[], **WRITTEN
        )
    }
    assert kinds(taken(found)) == ["papers of several shows"]


def test_two_destinations_combined() -> None:
    a = taken(papers())
    changed = [replace(FILES[0], digests={"xxh3_128": "e" * 32}), *FILES[1:]]
    b = replace(a, files=tuple(changed), cards=(replace(CARD, generation=2),))
    cards, files, findings = combine([a, b])
    assert cards == (replace(CARD, generation=2),) and len(files) == 4
    assert [f.kind for f in findings] == ["papers disagree"]
    assert next(f for f in files if f.path == "A/1.jpg").trouble


@given(evidence())
def test_any_card_comes_back(given: Evidence) -> None:
    card = replace(given.card, folder=FOLDER)
    copies = [replace(c, destination_id="d-a") for c in given.copies if c.destination_id == "disk-0"]
    copies = [replace(c, stored_path=c.path) for c in copies]
    got = taken(papers(card, given.files, copies), {})
    assert got.cards == (replace(card, mount=None),)
    assert set(got.files and [f.path for f in got.files]) == {f.path for f in given.files}
    by_path = {f.path: f for f in given.files}
    assert all(f == by_path[f.path] for f in got.files)


@given(st.dictionaries(st.sampled_from(list(papers())), st.binary(max_size=30)))
def test_any_bytes_in_any_paper(damage: dict[str, bytes]) -> None:
    got = taken({**papers(), **damage})
    assert all(f.what and f.next for f in got.findings)
    assert {c.at for c in got.candidates} <= set(SIZES)
