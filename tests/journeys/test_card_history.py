"""Hash-list histories as a whole run writes them, by the published schema and an independent sum."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
import xxhash
from lxml import etree

from ingest.faces.cli.main import main
from ingest.steps.paperwork.history import c4
from tests.steps.paperwork.test_history import CHAIN, LIST, NS


@pytest.fixture
def show(tmp_path: Path) -> list[str]:
    (tmp_path / "watch").mkdir()
    assert main(["init", str(tmp_path / "show"), "--show", "TIDE", "--timezone", "Europe/Lisbon", "--destination",
                 str(tmp_path / "A"), "--destination", str(tmp_path / "B"), "--one-disk"]) == 0
    return ["--config", str(tmp_path / "show" / "nightloader.toml")]


def lists_of(folder: Path) -> list[Any]:
    """Every list of a history, in order, valid and named by its chain."""
    chain = etree.parse(str(folder / "ascmhl_chain.xml"))
    CHAIN.assertValid(chain)
    links = [(e.findtext("{*}path"), e.findtext("{*}c4")) for e in chain.getroot()]
    assert sorted(n for n, _ in links) == sorted(p.name for p in folder.glob("*.mhl"))
    out = []
    for name, said in links:
        data = (folder / str(name)).read_bytes()
        assert c4(data) == said
        root = etree.fromstring(data)
        LIST.assertValid(root)
        out.append(root)
    return out


def test_a_whole_card_gets_folder_hashes_and_each_audit_too(tmp_path: Path, show: list[str]) -> None:
    card = tmp_path / "CARD"
    (card / "SUB").mkdir(parents=True)
    (card / "one.bin").write_bytes(b"one" * 999)
    (card / "SUB" / "two.bin").write_bytes(b"two")
    main([*show, "offload", str(card)])
    main([*show, "audit"])
    for disk in "AB":
        folder = next((tmp_path / disk / "TIDE" / "cards").glob("*/CARD/ascmhl"))
        first, second = lists_of(folder)
        one, two = (xxhash.xxh3_128(d).digest() for d in (b"one" * 999, b"two"))
        sub = xxhash.xxh3_128(two).digest()  # specification 1.0, section 6.5.2: over the sorted digests of the content
        root = xxhash.xxh3_128(b"".join(sorted([one, sub]))).hexdigest()
        for made, process in ((first, "transfer"), (second, "in-place")):
            assert made.findtext("m:processinfo/m:process", namespaces=NS) == process
            assert made.findtext("m:processinfo/m:roothash/m:content/m:xxh128", namespaces=NS) == root
            rows = {r.findtext("m:path", namespaces=NS): r.findtext("m:content/m:xxh128", namespaces=NS)
                    for r in made.iterfind(".//m:directoryhash", NS)}
            assert rows == {"SUB": sub.hex()}
    assert main([*show, "offload", str(card)]) in (0, 1)  # the same card again adds no list
    assert len(lists_of(folder)) == 2


def test_a_card_with_its_own_history_is_referred_to(tmp_path: Path, show: list[str]) -> None:
    card = tmp_path / "CARD"
    (card / "ascmhl").mkdir(parents=True)
    (card / "one.bin").write_bytes(b"one")
    name = "0001_CARD_2026-04-01_101112Z.mhl"
    (card / "ascmhl" / name).write_bytes(b"<what the camera wrote/>")
    (card / "ascmhl" / "ascmhl_chain.xml").write_bytes(b"<its chain/>")
    main([*show, "offload", str(card)])
    main([*show, "audit"])
    folder = next((tmp_path / "A" / "TIDE" / "cards").glob("*/CARD/ascmhl"))
    assert (folder.parent / "CARD" / "ascmhl" / name).read_bytes() == b"<what the camera wrote/>"
    for made in lists_of(folder):
        refs = {r.findtext("m:path", namespaces=NS): r.findtext("m:c4", namespaces=NS)
                for r in made.iterfind(".//m:hashlistreference", NS)}
        assert refs == {f"CARD/ascmhl/{name}": c4(b"<what the camera wrote/>")}
        assert made.find(".//m:hash", NS) is None
    count = len(lists_of(folder))
    main([*show, "offload", str(card)])
    assert len(lists_of(folder)) == count
