"""ASC MHL: both published schemas, what neither of them sees, and the specification's vectors."""

from __future__ import annotations

import hashlib
import re
import tomllib
from dataclasses import replace
from pathlib import Path

import pytest
import xxhash
from hypothesis import given
from hypothesis import strategies as st
from lxml import etree

from ingest.errors import Unreadable
from ingest.records.cards import CopyFact, FileKind, FileRecord, Proof
from ingest.steps.paperwork.folder_hashes import folder_hashes
from ingest.steps.paperwork.history import (
    Action,
    Generation,
    Link,
    Listed,
    Reference,
    c4,
    chain,
    first_listing,
    generation,
    inner_scopes,
    verified_listing,
)
from ingest.steps.paperwork.history_reading import broken_links, ignored, parse_chain, parse_list, standing
from tests.card_strategies import path, words

SHARED = Path(__file__).parents[3] / "shared"
VECTORS = tomllib.loads((SHARED / "asc-mhl-vectors.toml").read_text(encoding="utf-8"))
NS = {"m": "urn:ASC:MHL:v2.0"}
HEAD = {"folder": "B007", "started_utc": "2026-04-01T20:15:30Z", "host": "cart", "tool_version": "0.1.0"}


class Beside(etree.Resolver):
    def resolve(self, url: str, _id: str, context: object) -> object:
        if url.endswith("ASCMHL.xsd"):
            return self.resolve_filename(str(SHARED / "asc-mhl" / "ASCMHL.xsd"), context)
        return None


def schema(name: str) -> etree.XMLSchema:
    parser = etree.XMLParser()
    parser.resolvers.add(Beside())
    return etree.XMLSchema(etree.parse(str(SHARED / "asc-mhl" / name), parser))


LIST, CHAIN = schema("ASCMHL.xsd"), schema("ASCMHLDirectory.xsd")


def xxh64(data: bytes) -> bytes:
    return xxhash.xxh64(data).digest()


def assert_valid(made: Generation) -> etree._Element:
    """The repository's XSD, then what appendix A and the text of the specification ask beyond it."""
    root = etree.fromstring(made.data)
    LIST.assertValid(root)
    assert re.fullmatch(VECTORS["name"]["pattern"], made.link.name)
    assert made.link.c4 == c4(made.data)
    assert [etree.QName(c).localname for c in root][:3] == ["creatorinfo", "processinfo", "hashes"]
    assert root.findtext("m:creatorinfo/m:creationdate", namespaces=NS).endswith("Z")
    paths = [p.text for p in root.iterfind("m:hashes/*/m:path", NS)]
    assert len(paths) == len(set(paths)) and paths
    for p in paths:
        assert not p.startswith("/") and ".." not in p.split("/")
    for one in root.iterfind("m:hashes/m:hash", NS):
        digests = [c for c in one if etree.QName(c).localname != "path"]
        names = [etree.QName(c).localname for c in digests]
        assert names == sorted(names) and names and "xxh32" not in names
        assert all(c.get("action") in ("original", "verified", "failed") for c in digests)
        assert not any("structure" in c.attrib for c in digests)
    return root


def listed(name: str = "a.jpg", digest: str = "0" * 32, action: Action = Action.ORIGINAL) -> Listed:
    return Listed(path=name, size_bytes=1, digests={"xxh128": (digest, action)})


def test_vectors_of_the_specification() -> None:
    for text, expected in VECTORS["c4"].items():
        assert c4(text.encode()) == expected
    sample = VECTORS["appendix_b"]
    assert xxhash.xxh64(sample["content"].encode()).hexdigest() == sample["xxh64"]


def test_folder_hashes_of_the_worked_tree() -> None:
    tree = VECTORS["folder"]
    digests = {name: xxh64(text.encode()).hex() for name, text in tree["files"].items()}
    assert digests == tree["xxh64"]
    made = {f.path: f for f in folder_hashes(digests, xxh64)}
    assert {p: f.content for p, f in made.items()} == tree["content"]
    assert {p: f.structure for p, f in made.items()} == tree["structure"]


def test_a_tree_as_deep_as_a_path_may_be() -> None:
    assert len(folder_hashes({"/".join("d" * 2000): "00" * 8}, xxh64)) == 2000


def test_renaming_changes_the_structure_only_and_moving_changes_both() -> None:
    """ASC MHL implementation guidelines 1.0, section 2.5."""
    before = {f.path: f for f in folder_hashes({"S/a": "00" * 8, "T/b": "11" * 8}, xxh64)}
    renamed = {f.path: f for f in folder_hashes({"S/x": "00" * 8, "T/b": "11" * 8}, xxh64)}
    moved = {f.path: f for f in folder_hashes({"T/a": "00" * 8, "T/b": "11" * 8}, xxh64, empty_folders=["S"])}
    assert renamed["S"].content == before["S"].content and renamed["S"].structure != before["S"].structure
    assert renamed[""].content == before[""].content and renamed[""].structure != before[""].structure
    assert moved[""].content != before[""].content and moved[""].structure != before[""].structure


@given(st.dictionaries(path, st.binary(min_size=8, max_size=8).map(bytes.hex), max_size=6), st.randoms())
def test_order_does_not_matter_for_folder_hashes(digests: dict[str, str], turn) -> None:
    rows = list(digests.items())
    turn.shuffle(rows)
    assert folder_hashes(dict(rows), xxh64) == folder_hashes(digests, xxh64)


odd = ["a&b<c>.jpg", "tab\tx", "line\nbreak", "cr\rx", " lead", "]]>", "ü", "x\ufffe"]
name = st.one_of(path, st.sampled_from(odd))


@given(
    st.dictionaries(name, st.sampled_from(list(Action)), min_size=1, max_size=5), words, words,
    st.sampled_from(["transfer", "in-place"]),
)  # fmt: skip
def test_any_list_is_valid_and_reads_back(given: dict[str, Action], host: str, author: str, process: str) -> None:
    files = [listed(n, action=a) for n, a in given.items()]
    made = generation(files, number=1, process=process, **{**HEAD, "host": host}, author=author)
    if made is None:
        assert all(re.search("[^\t\n\r\u0020-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]", n) for n in given)
        return
    assert_valid(made)
    read = parse_list(made.data)
    assert {f.path: f.digests for f in read.listed} == {f.path: f.digests for f in files if f.path not in made.unlisted}
    assert read.process == process and read.created_utc == HEAD["started_utc"]
    assert read.ignore == (".DS_Store", "ascmhl", "ascmhl/")
    for n in made.unlisted:
        assert n in given


def a_file(name: str, **more: object) -> FileRecord:
    base = FileRecord(
        card_id="c", path=name, size_bytes=5, mtime_ns=1_775_001_600_123_000_000, kind=FileKind.STILL, generation=1,
        digests={"xxh3_128": "0" * 32, "md5": "1" * 32, "sha256": "2" * 64}, read_utc="2026-04-01T19:01:00Z",
    )  # fmt: skip
    return replace(base, **more)  # type: ignore[arg-type]


def a_copy(name: str, **more: object) -> CopyFact:
    base = CopyFact(
        card_id="c", path=name, destination_id="A", stored_path=name, size_bytes=5, source_digest="0" * 32,
        back_digest="0" * 32, proof=Proof.DEVICE, read_back_utc="2026-04-01T19:02:00Z", folder_synced=True,
    )  # fmt: skip
    return replace(base, **more)  # type: ignore[arg-type]


def test_the_life_of_a_history() -> None:
    """Copied, audited with a flipped byte, shot on, audited again: each adds a list, none is rewritten."""
    files = [a_file("A/1.jpg"), a_file("A/2.jpg"), a_file("owed.jpg"), a_file("changed.jpg")]
    copies = [a_copy("A/1.jpg"), a_copy("A/2.jpg"), a_copy("owed.jpg", destination_id="B"),
              a_copy("changed.jpg", source_digest="9" * 32)]  # fmt: skip
    first = generation(
        first_listing(files, copies, destination_id="A", known={}), number=1, process="transfer", **HEAD,
        folders=folder_hashes({"A/1.jpg": "0" * 32, "A/2.jpg": "0" * 32}, lambda b: xxhash.xxh3_128(b).digest()),
    )  # fmt: skip
    assert first is not None
    root = assert_valid(first)
    assert [p.text for p in root.iterfind(".//m:hash/m:path", NS)] == ["A/1.jpg", "A/2.jpg"]
    assert root.find(".//m:hash/m:path", NS).get("lastmodificationdate") == "2026-04-01T00:00:00.123Z"
    assert root.find("m:processinfo/m:roothash/m:content/m:xxh128", NS) is not None
    assert root.find(".//m:directoryhash/m:path", NS).text == "A"
    known = standing([parse_list(first.data)])
    assert known == {p: {"xxh128": "0" * 32, "md5": "1" * 32} for p in ("A/1.jpg", "A/2.jpg")}

    reread = {"A/1.jpg": (5, {"xxh3_128": "0" * 32, "xxh64": "3" * 16}), "A/2.jpg": (5, {"xxh3_128": "f" * 32})}
    second = generation(verified_listing(reread, known), number=2, process="in-place", **HEAD)
    assert second is not None
    assert_valid(second)
    read = [parse_list(first.data), parse_list(second.data)]
    assert {f.path: f.digests for f in read[1].listed} == {
        "A/1.jpg": {"xxh128": ("0" * 32, Action.VERIFIED)}, "A/2.jpg": {"xxh128": ("f" * 32, Action.FAILED)},
    }  # fmt: skip
    assert standing(read) == known, "the failed digest is never verified against"

    shot_on = [*files, a_file("A/3.jpg")]
    added = first_listing(shot_on, [*copies, a_copy("A/3.jpg")], destination_id="A", known=known)
    assert [one.path for one in added] == ["A/3.jpg"], "a list of added files names only those"
    third = generation(added, number=3, process="transfer", **HEAD)
    assert third is not None
    links = [first.link, second.link, third.link]
    written = chain(links)
    CHAIN.assertValid(etree.fromstring(written))
    assert parse_chain(written) == tuple(links)
    assert broken_links(links, {x.link.name: c4(x.data) for x in (first, second, third)}) == ()
    assert broken_links(links, {first.link.name: first.link.c4, second.link.name: c4(b"")}) == (
        second.link.name, third.link.name)  # fmt: skip
    assert ignored(read) == (".DS_Store", "ascmhl", "ascmhl/")


def test_nothing_to_list_is_no_list() -> None:
    assert generation([], number=1, process="transfer", **HEAD) is None


def test_a_card_that_brings_its_own_history() -> None:
    """Kept one folder deeper; our list refers to its newest one and names no file of its scope."""
    paths = ["B007/ascmhl/0001_B007_2026-03-31_101112Z.mhl", "B007/ascmhl/0002_B007_2026-04-01_101112Z.mhl",
             "B007/ascmhl/ascmhl_chain.xml", "B007/A/1.jpg", "B007/ascmhl/odd.mhl"]  # fmt: skip
    assert inner_scopes(paths) == {"B007": tuple(paths[:2])}
    bare = [p.removeprefix("B007/") for p in paths]
    assert inner_scopes(bare) == {"": tuple(bare[:2])}
    inner = [Reference(path=paths[1], c4=c4(b"x"))]
    hashes = folder_hashes({"B007/A/1.jpg": "0" * 32}, lambda b: xxhash.xxh3_128(b).digest())
    made = generation([listed("B007/A/1.jpg")], number=1, process="transfer", **HEAD, inner=inner, folders=hashes)
    assert made is not None
    root = assert_valid(made)
    assert root.find(".//m:hash", NS) is None
    assert [p.text for p in root.iterfind(".//m:directoryhash/m:path", NS)] == ["B007"]
    assert root.findtext(".//m:hashlistreference/m:path", namespaces=NS) == paths[1]
    assert parse_list(made.data).inner == tuple(inner)


@pytest.mark.parametrize(
    "change",
    [('version="2.0"', 'version="1.0"'), ("<process>transfer", "<process>copy"), ('action="original"', 'action="ok"'),
     ("MHL:v2.0", "MHL:v1.0"), ("T20:15:30Z", " 20:15:30")],
)  # fmt: skip
def test_the_schema_really_refuses(change: tuple[str, str]) -> None:
    made = generation([listed()], number=1, process="transfer", **HEAD)
    assert made is not None
    bad = made.data.replace(change[0].encode(), change[1].encode())
    assert bad != made.data and not LIST.validate(etree.fromstring(bad))


def test_chain_counts_without_gaps() -> None:
    link = Link(number=2, name="0002_B007_2026-04-01_101112Z.mhl", c4=c4(b""))
    for links in ([], [link], [replace(link, number=1), replace(link, number=3)]):
        with pytest.raises(ValueError, match="from 1"):
            chain(links)
    gap = chain([replace(link, number=1)]).replace(b'"1"', b'"2"')
    with pytest.raises(Unreadable):
        parse_chain(gap)


@pytest.mark.parametrize("started", ["2026-04-01", "yesterday", "2026-04-01T20:15:3"])
def test_a_start_that_is_no_time_is_refused(started: str) -> None:
    with pytest.raises(ValueError, match="start"):
        generation([listed()], number=1, process="transfer", **{**HEAD, "started_utc": started})


BOMB = b'<!DOCTYPE a [<!ENTITY x "y">]><hashlist version="2.0" xmlns="urn:ASC:MHL:v2.0">&x;</hashlist>'


@given(st.one_of(st.binary(max_size=80), st.just(BOMB), st.just(b"<a>" * 60)))
def test_any_bytes_are_a_list_or_a_named_refusal(data: bytes) -> None:
    for parse in (parse_list, parse_chain):
        with pytest.raises(Unreadable):
            parse(data)


@given(st.data())
def test_a_list_cut_or_changed_anywhere(data: st.DataObject) -> None:
    made = generation([listed()], number=1, process="transfer", **HEAD)
    assert made is not None
    at = data.draw(st.integers(0, len(made.data) - 1))
    changed = made.data[:at] + data.draw(st.binary(max_size=2)) + made.data[at + data.draw(st.integers(0, 2)) :]
    for damaged in (changed, made.data[:at]):
        try:
            parse_list(damaged)
        except Unreadable as refusal:
            assert refusal.next


def test_c4_is_sha512_in_base_58() -> None:
    value = 0
    for ch in c4(b"Nightloader")[2:]:
        value = value * 58 + "123456789ABCDEFGHJKLMNPQRSTUVWXYZabcdefghijkmnopqrstuvwxyz".index(ch)
    assert value.to_bytes(64) == hashlib.sha512(b"Nightloader").digest()
