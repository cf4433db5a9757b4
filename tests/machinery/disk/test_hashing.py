"""Digests against published values, and in pieces as at once.

Sources: MD5, RFC 1321 A.5; SHA-1 and SHA-256, FIPS 180-4 (NIST example files, "abc"); C4, SMPTE ST 2114 (the empty
input, as the module's own doctest); BLAKE3 of the empty input, its makers' test vectors (from memory); XXH3 128 and
XXH64 of the empty input, xxHash specification's reference values.
"""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ingest.errors import UsageError
from ingest.machinery.disk.hashing import ALGORITHMS, ALWAYS, Digests, digest_of

PUBLISHED = {
    ("md5", b"abc"): "900150983cd24fb0d6963f7d28e17f72",
    ("md5", b""): "d41d8cd98f00b204e9800998ecf8427e",
    ("sha1", b"abc"): "a9993e364706816aba3e25717850c26c9cd0d89d",
    ("sha256", b"abc"): "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad",
    ("xxh64", b""): "ef46db3751d8e999",
    ("xxh3_64", b""): "2d06800538d394c2",
    ("xxh3_128", b""): "99aa06d3014798d86001c324468d497f",
    ("blake3", b""): "af1349b9f5f9a1a6a0404dea36dcc9499bcb25c9adc112b7cc9a93cae41f3262",
    ("c4", b""): "c459dsjfscH38cYeXXYogktxf4Cd9ibshE3BHUo6a58hBXmRQdZrAkZzsWcbWtDg5oQstpDuni4Hirj75GEmTc1sFT",
}


@pytest.mark.parametrize("name,data", PUBLISHED)
def test_published_values(name: str, data: bytes) -> None:
    digests = Digests([name])
    digests.update(data)
    assert digests.values[name] == PUBLISHED[name, data]


@given(st.lists(st.binary(max_size=2000), max_size=8))
def test_pieces_and_the_whole_are_one(pieces: list[bytes]) -> None:
    parts, whole = Digests(ALGORITHMS), Digests(ALGORITHMS)
    for piece in pieces:
        parts.update(memoryview(piece))
    whole.update(b"".join(pieces))
    assert parts.values == whole.values and parts.size_bytes == len(b"".join(pieces))
    assert parts.digest == digest_of(b"".join(pieces)) == parts.values[ALWAYS]


def test_the_first_digest_is_always_there_and_unknown_ones_are_refused() -> None:
    assert list(Digests(["md5"]).values) == [ALWAYS, "md5"] and list(Digests([ALWAYS]).values) == [ALWAYS]
    with pytest.raises(UsageError, match="crc7"):
        Digests(["crc7"])
