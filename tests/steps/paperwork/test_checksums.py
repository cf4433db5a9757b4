"""Checksum logs fed to the stock tools, and xxHash's own vectors."""

from __future__ import annotations

import hashlib
import os
import shutil
import subprocess
import sys
import tomllib
from dataclasses import replace
from pathlib import Path

import pytest
import xxhash
from hypothesis import given
from hypothesis import strategies as st

from ingest.records.cards import CopyFact, FileKind, FileRecord, Proof
from ingest.steps.paperwork.checksums import CHECKERS, card_logs, log, parse_log, unlisted_finding
from tests.card_strategies import path

ROOT = Path(__file__).parents[3]
VECTORS = tomllib.loads((ROOT / "shared" / "xxhash_vectors.toml").read_text())
MAKERS = {
    "xxh3_128": lambda b: xxhash.xxh3_128(b).hexdigest(),
    "xxh64": lambda b: xxhash.xxh64(b).hexdigest(),
    "xxh3_64": lambda b: xxhash.xxh3_64(b).hexdigest(),
    "md5": lambda b: hashlib.md5(b).hexdigest(),
    "sha1": lambda b: hashlib.sha1(b).hexdigest(),
    "sha256": lambda b: hashlib.sha256(b).hexdigest(),
    "sha512": lambda b: hashlib.sha512(b).hexdigest(),
}
# Every trap met with the stock tools, as bytes.
ODD_NAMES = [
    b"plain.jpg", b"two words.jpg", b" lead", b"trail ", b"a\\b", b"\\lead", b"cr\rin", b"endcr\r", b"tab\tx", b"*star",
    b"-", b"stdin", b"#hash", b"\xff\xfe", "grün/é.jpg".encode(), b"sub/-", b"sub/deep/" + b"n" * 255, b"line\nbreak",
    b"(x) = 0123", b"XXH3_x",
]  # fmt: skip


@pytest.fixture
def tree(tmp_path: Path) -> dict[str, bytes]:
    if sys.platform != "linux":
        pytest.skip("names of any bytes need Linux")
    contents = {}
    for n, raw in enumerate(ODD_NAMES):
        name = os.fsdecode(raw)
        target = tmp_path / "card" / name
        target.parent.mkdir(parents=True, exist_ok=True)
        contents[name] = os.urandom(100 + n)
        target.write_bytes(contents[name])
    return contents


def check(algorithm: str, data: bytes, folder: Path) -> int:
    command, *options = CHECKERS[algorithm].command.split()
    if shutil.which(command) is None:
        pytest.skip(f"{command} is not installed")
    (folder / "log").write_bytes(data)
    return subprocess.run(
        [command, *options, "--strict", str(folder / "log")], cwd=folder, stdin=subprocess.DEVNULL, capture_output=True,
        check=False,
    ).returncode  # fmt: skip


@pytest.mark.parametrize("algorithm", MAKERS)
@pytest.mark.parametrize("prefix", ["", "card/"])
def test_the_stock_tool_accepts_the_log_and_sees_a_flipped_byte(
    tree: dict[str, bytes], tmp_path: Path, algorithm: str, prefix: str
) -> None:
    made = log({name: MAKERS[algorithm](data) for name, data in tree.items()}, algorithm, prefix=prefix)
    folder = tmp_path if prefix else tmp_path / "card"
    assert check(algorithm, made.data, folder) == 0
    assert made.data.count(b"\n") == len(tree) - len(made.unlisted)
    assert made.unlisted == (() if CHECKERS[algorithm].escapes else ("line\nbreak",))
    for raw in ODD_NAMES:  # each name is really looked at, none stands for standard input
        target = tmp_path / "card" / os.fsdecode(raw)
        if os.fsdecode(raw) in made.unlisted:
            continue
        whole = target.read_bytes()
        target.write_bytes(whole[:50] + bytes([whole[50] ^ 1]) + whole[51:])
        assert check(algorithm, made.data, folder) != 0, raw
        target.write_bytes(whole)
    assert check(algorithm, made.data, folder) == 0


@given(
    st.dictionaries(path, st.binary(max_size=4), max_size=6),
    st.sampled_from(sorted(MAKERS)),
    st.sampled_from(["", "card/"]),
)
def test_parse_gives_back_what_was_listed(contents: dict[str, bytes], algorithm: str, prefix: str) -> None:
    digests = {name: MAKERS[algorithm](data) for name, data in contents.items()}
    made = log(digests, algorithm, prefix=prefix)
    read = parse_log(made.data, algorithm)
    assert read.problems == ()
    assert read.digests == {prefix + n: d for n, d in digests.items() if n not in made.unlisted}


@given(st.binary(max_size=200), st.sampled_from(sorted(CHECKERS)))
def test_any_bytes_are_read_or_named(data: bytes, algorithm: str) -> None:
    read = parse_log(data, algorithm)
    assert len(read.digests) + len(read.problems) <= data.count(b"\n") + 1


def test_two_digests_for_one_name_are_believed_neither() -> None:
    read = parse_log(b"0" * 32 + b"  a\n" + b"1" * 32 + b"  a\n", "md5")
    assert read.digests == {} and [n for n, _ in read.problems] == [2]


def test_a_digest_of_another_kind_is_refused() -> None:
    with pytest.raises(ValueError, match="no md5 digest"):
        log({"a": "0" * 16}, "md5")
    with pytest.raises(ValueError, match="no md5 digest"):
        log({"a": "A" * 32}, "md5")


def test_logs_of_a_card_list_what_stands_there_under_the_names_it_has_there() -> None:
    digests = {"xxh3_128": "0" * 32, "md5": "1" * 32}
    files = [
        FileRecord(card_id="c", path=p, size_bytes=1, mtime_ns=0, kind=FileKind.STILL, generation=1, digests=digests)
        for p in ("a:b", "c\nd", "elsewhere", "changed")
    ]
    fact = CopyFact(
        card_id="c", path="a:b", destination_id="A", stored_path="a%3Ab", size_bytes=1, source_digest="0" * 32,
        back_digest="0" * 32, proof=Proof.DEVICE, read_back_utc="2026-04-01T19:02:00Z", folder_synced=True,
    )  # fmt: skip
    copies = [
        fact, replace(fact, path="c\nd", stored_path="c\nd"), replace(fact, path="elsewhere", destination_id="B"),
        replace(fact, path="changed", stored_path="changed", source_digest="2" * 32),
    ]  # fmt: skip
    first, second = card_logs(files, copies, destination_id="A")
    assert (first.algorithm, first.data) == ("xxh3_128", b"0" * 32 + b"  a%3Ab\n")
    assert (second.algorithm, second.data) == ("md5", b"1" * 32 + b"  a%3Ab\n" + b"\\" + b"1" * 32 + b"  c\\nd\n")
    finding = unlisted_finding(first, card_id="c", label="B007")
    assert finding and "c\\x0ad" in finding.what and unlisted_finding(second, card_id="c", label="B007") is None


def sanity_buffer(length: int) -> bytes:
    """The input of xxHash's own sanity tests (generator constants: shared/xxhash_vectors.toml)."""
    byte_gen, out = VECTORS["generator"]["start"], bytearray()
    for _ in range(length):
        out.append(byte_gen >> 56)
        byte_gen = byte_gen * VECTORS["generator"]["factor"] % 2**64
    return bytes(out)


def test_official_xxhash_vectors() -> None:
    """xxHash repository, sanity test vectors, seed 0 (spec 0.2.0)."""
    assert sanity_buffer(14).hex() == VECTORS["generator"]["first_14_bytes"]
    rows = [(a, int(n), d) for a in ("xxh64", "xxh3_64", "xxh3_128") for n, d in VECTORS[a].items()]
    assert len(rows) == 15
    for algorithm, length, digest in rows:
        assert MAKERS[algorithm](sanity_buffer(length)) == digest
    for algorithm, digest in VECTORS["abc"].items():
        assert MAKERS[algorithm](b"abc") == digest
