r"""Checksum logs that a stock checker accepts as they are: ``xxhsum -c``, ``md5sum -c``, ``sha256sum -c``.

One log per algorithm, one line per file, ``<hex>  <name>``, LF only and no comments: xxhsum 0.8.1 takes a
``#`` line for a malformed one and a CR for part of the name (xxHash CHANGELOG: comments and names with line
breaks since 0.8.2).  What each checker makes of odd names was measured with xxhsum 0.8.1 and coreutils 9.1:

- coreutils: a name with backslash, LF or CR has the line start with a backslash and stands escaped (manual,
  "cksum output modes"); a name ``-`` would mean standard input;
- xxhsum: no escapes before 0.8.2, so a name with LF cannot be listed at all; a backslash stands as it is; a
  name ``stdin`` would mean standard input.  The 64-bit XXH3 stands as ``XXH3 (name) = hex``: bare, its sixteen
  digits are read as XXH64, and the form ``XXH3_<hex>`` is refused by 0.8.1;
- a log without a line makes xxhsum fail, so a card without files has no log.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

from ingest.records.cards import CopyFact, FileRecord
from ingest.records.findings import Finding, Severity
from ingest.records.names import shown


@dataclass(frozen=True, kw_only=True, slots=True)
class Checker:
    """The stock tool of an algorithm: command, suffix of the log, digits of a digest, its quirks."""

    command: str
    suffix: str
    digits: int
    escapes: bool
    tag: str = ""  # the line is ``<tag> (name) = <hex>``


CHECKERS: Mapping[str, Checker] = {
    "xxh3_128": Checker(command="xxhsum -c", suffix=".xxh128", digits=32, escapes=False),
    "xxh64": Checker(command="xxhsum -c", suffix=".xxh64", digits=16, escapes=False),
    "xxh3_64": Checker(command="xxhsum -c", suffix=".xxh3", digits=16, escapes=False, tag="XXH3"),
    "md5": Checker(command="md5sum -c", suffix=".md5", digits=32, escapes=True),
    "sha1": Checker(command="sha1sum -c", suffix=".sha1", digits=40, escapes=True),
    "sha256": Checker(command="sha256sum -c", suffix=".sha256", digits=64, escapes=True),
    "sha512": Checker(command="sha512sum -c", suffix=".sha512", digits=128, escapes=True),
    "blake3": Checker(command="b3sum -c", suffix=".b3", digits=64, escapes=True),
}
_READS_STANDARD_INPUT = ("-", "stdin")
_HEX = re.compile(rb"[0-9a-f]+")


@dataclass(frozen=True, kw_only=True, slots=True)
class ChecksumLog:
    """``data`` is the log (empty: write no file); ``unlisted`` are names it cannot hold, sorted."""

    algorithm: str
    data: bytes
    unlisted: tuple[str, ...] = ()


@dataclass(frozen=True, kw_only=True, slots=True)
class ReadLog:
    """Digests by name, and (line number, words) of lines that are no checksum line."""

    digests: Mapping[str, str]
    problems: tuple[tuple[int, str], ...] = field(default=())


def log_path(card_folder: str, algorithm: str) -> str:
    """Where a card's log lies: beside its folder (the checker is started there, names begin with the folder's).

    >>> log_path("cards/2026-04-01/B007", "xxh3_128")
    'cards/2026-04-01/B007.xxh128'
    """
    return card_folder + CHECKERS[algorithm].suffix


def log(digests: Mapping[str, str], algorithm: str, *, prefix: str = "") -> ChecksumLog:
    """The log of ``digests`` (name relative to the folder the checker is started in -> lower-case hex).

    ``prefix`` goes before every name (``<card>/`` for a log that lies beside the card's folder).  Names
    are sorted by their bytes.  Raises ValueError for a digest that is none of this algorithm's.
    """
    checker = CHECKERS[algorithm]
    lines: list[bytes] = []
    unlisted: list[str] = []
    for name in sorted(digests, key=_bytes):
        digest = digests[name]
        if len(digest) != checker.digits or not _HEX.fullmatch(digest.encode("ascii", "replace")):
            raise ValueError(f"{digest!r} is no {algorithm} digest")
        full = prefix + name
        if full in _READS_STANDARD_INPUT:
            full = f"./{full}"
        if "\n" in full and not checker.escapes:
            unlisted.append(name)
            continue
        written = _bytes(full)
        mark = b""
        if checker.escapes and any(ch in full for ch in "\\\n\r"):
            mark = b"\\"
            written = written.replace(b"\\", b"\\\\").replace(b"\n", b"\\n").replace(b"\r", b"\\r")
        if checker.tag:
            lines.append(f"{checker.tag} (".encode() + written + f") = {digest}\n".encode())
        else:
            lines.append(mark + f"{digest}  ".encode() + written + b"\n")
    return ChecksumLog(algorithm=algorithm, data=b"".join(lines), unlisted=tuple(unlisted))


def card_logs(
    files: Iterable[FileRecord], copies: Iterable[CopyFact], *, destination_id: str, prefix: str = ""
) -> tuple[ChecksumLog, ...]:
    """One log per algorithm for what stands at a destination, under the names it has there.

    Listed are the files whose copy fact there agrees with the file's own digest; of an algorithm that
    not every file has, those that have it.
    """
    known = {f.path: f for f in files}
    by_algorithm: dict[str, dict[str, str]] = {}
    for copy in copies:
        file = known.get(copy.path)
        if file is None or copy.destination_id != destination_id:
            continue
        own = file.digests.get("xxh3_128", "")
        if not own or copy.source_digest.rpartition(":")[2] != own:
            continue
        for algorithm, digest in file.digests.items():
            if algorithm in CHECKERS:
                by_algorithm.setdefault(algorithm, {})[copy.stored_path] = digest
    return tuple(log(by_algorithm[a], a, prefix=prefix) for a in CHECKERS if a in by_algorithm)


def unlisted_finding(made: ChecksumLog, *, card_id: str, label: str) -> Finding | None:
    """What to tell the person about names the log cannot hold; None if it holds all."""
    if not made.unlisted:
        return None
    names = ", ".join(shown(n) for n in made.unlisted[:3])
    more = f" and {len(made.unlisted) - 3} more" if len(made.unlisted) > 3 else ""
    command = CHECKERS[made.algorithm].command
    return Finding(
        kind="name not in checksum log",
        item=f"{card_id}:{made.algorithm}",
        severity=Severity.NOTE,
        what=f"Card {label}: {names}{more} cannot stand in the log for `{command}`: it cannot write a line break.",
        next="Nothing is lost: the manifest lists these files with their digests, and the audit reads them again.",
    )


def parse_log(data: bytes, algorithm: str) -> ReadLog:
    """What a log says; takes any bytes.  Of a name listed twice with two digests both lines are problems."""
    checker = CHECKERS[algorithm]
    digests: dict[str, str] = {}
    torn: set[str] = set()
    problems: list[tuple[int, str]] = []
    form = rb"(?P<mark>\\?)(?P<hex>[0-9A-Fa-f]{%d}) [ *](?P<name>.+)" % checker.digits
    if checker.tag:
        form = rb"(?P<mark>)%b \((?P<name>.+)\) = (?P<hex>[0-9A-Fa-f]{%d})" % (checker.tag.encode(), checker.digits)
    start = re.compile(form, re.DOTALL)
    for number, line in enumerate(data.split(b"\n"), 1):
        if not line:
            continue
        match = start.fullmatch(line)
        if match is None:
            problems.append((number, "no checksum line of this algorithm"))
            continue
        raw = match["name"]
        if match["mark"] and checker.escapes:
            raw = re.sub(rb"\\(.)", lambda m: {b"n": b"\n", b"r": b"\r"}.get(m[1], m[1]), raw)
        name = raw.removeprefix(b"./").decode("utf-8", "surrogateescape")
        digest = match["hex"].decode().lower()
        if digests.get(name, digest) != digest:
            problems.append((number, "a name listed before, with another digest"))
            torn.add(name)
        digests[name] = digest
    return ReadLog(digests={n: d for n, d in digests.items() if n not in torn}, problems=tuple(problems))


def _bytes(name: str) -> bytes:
    return name.encode("utf-8", "surrogateescape")
