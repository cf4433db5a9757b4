"""Digests of what passes by: XXH128 always, others beside it where a production's rules name them.

xxhash and hashlib let other threads run only during an update of more than 64 KiB (xxhash) or 2 KiB
(hashlib), so callers hand over pieces of 1 MiB or more; smaller pieces are right, only slower.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterable
from typing import Protocol

import xxhash

from ingest.errors import UsageError

ALWAYS = "xxh3_128"


class _Hash(Protocol):
    def update(self, data: bytes | bytearray | memoryview, /) -> object: ...


class C4:
    """The C4 identifier of SMPTE ST 2114:2017: SHA-512 in base 58, 88 digits behind ``c4``.

    >>> hash = C4(); hash.hexdigest()
    'c459dsjfscH38cYeXXYogktxf4Cd9ibshE3BHUo6a58hBXmRQdZrAkZzsWcbWtDg5oQstpDuni4Hirj75GEmTc1sFT'
    """

    _DIGITS = "123456789ABCDEFGHJKLMNPQRSTUVWXYZabcdefghijkmnopqrstuvwxyz"

    def __init__(self) -> None:
        self._sha = hashlib.sha512()

    def update(self, data: bytes | bytearray | memoryview, /) -> None:
        self._sha.update(data)

    def hexdigest(self) -> str:
        value = int.from_bytes(self._sha.digest(), "big")
        out = ""
        while value:
            value, digit = divmod(value, 58)
            out = self._DIGITS[digit] + out
        return "c4" + out.rjust(88, "1")


def _blake3() -> _Hash:
    try:
        from blake3 import blake3
    except ImportError as error:
        raise UsageError("the digest blake3 needs the package blake3.", next="Install it or choose another.") from error
    made: _Hash = blake3()
    return made


ALGORITHMS: dict[str, Callable[[], _Hash]] = {
    ALWAYS: xxhash.xxh3_128,
    "xxh3_64": xxhash.xxh3_64,
    "xxh64": xxhash.xxh64,
    "md5": lambda: hashlib.md5(usedforsecurity=False),
    "sha1": lambda: hashlib.sha1(usedforsecurity=False),
    "sha256": hashlib.sha256,
    "sha512": hashlib.sha512,
    "c4": C4,
    "blake3": _blake3,
}


class Digests:
    """Several digests of one stream of bytes; ``values`` maps algorithm to lower-case hex (C4: its own
    58 signs).  Raises UsageError for an algorithm that is not known or not installed."""

    def __init__(self, more: Iterable[str] = ()) -> None:
        names = [ALWAYS, *(name for name in more if name != ALWAYS)]
        unknown = [name for name in names if name not in ALGORITHMS]
        if unknown:
            raise UsageError(f"no such digest: {', '.join(unknown)}.", next=f"Known: {', '.join(ALGORITHMS)}.")
        self._hashes = {name: ALGORITHMS[name]() for name in names}
        self.size_bytes = 0

    def update(self, data: bytes | bytearray | memoryview) -> None:
        for hash in self._hashes.values():
            hash.update(data)
        self.size_bytes += len(data)

    @property
    def values(self) -> dict[str, str]:
        return {name: str(hash.hexdigest()) for name, hash in self._hashes.items()}  # type: ignore[attr-defined]

    @property
    def digest(self) -> str:
        """XXH128 of everything so far, hex without the algorithm's name."""
        return str(self._hashes[ALWAYS].hexdigest())  # type: ignore[attr-defined]


def digest_of(data: bytes | bytearray | memoryview) -> str:
    """XXH128 of bytes in memory, hex."""
    return str(xxhash.xxh3_128_hexdigest(data))
