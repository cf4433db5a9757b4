"""The hand-over as a bag: RFC 8493, version 1.0.

A bag is ``data/`` with the payload, and beside it text files that list it.  Here are their contents; who
writes them makes the digests while copying and hands them in.
"""

from __future__ import annotations

import hashlib
import re
import unicodedata
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from ingest.errors import NightloaderError

DECLARATION = "BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n"
ALGORITHMS = ("sha256", "sha512")


@dataclass(frozen=True, kw_only=True, slots=True)
class Payload:
    """One file of the payload: ``path`` below ``data/`` (``/`` between parts), its size and digest in hex."""

    path: str
    size_bytes: int
    digest: str


def tag_files(payload: Sequence[Payload], info: Mapping[str, str], *, algorithm: str = "sha256") -> dict[str, bytes]:
    """Every tag file by name, in the order to write them (the tag manifest, which lists the others, last).

    ``info`` are bag-info labels (``External-Identifier``, ``Bagging-Date`` ...); ``Payload-Oxum`` is added.

    Raises:
        NightloaderError: a path that RFC 8493 cannot hold, or two that one file system takes for one.
    """
    if algorithm not in ALGORITHMS:
        raise NightloaderError(f"{algorithm} is no digest for a bag", next=f"Use {' or '.join(ALGORITHMS)}.")
    _checked(payload)
    lines = sorted(f"{p.digest.lower()}  {manifest_path('data/' + p.path)}\n" for p in payload)
    oxum = f"{sum(p.size_bytes for p in payload)}.{len(payload)}"
    texts = {
        "bagit.txt": DECLARATION,
        "bag-info.txt": info_text({**info, "Payload-Oxum": oxum}),
        f"manifest-{algorithm}.txt": "".join(lines),
    }
    files = {name: text.encode("utf-8") for name, text in texts.items()}
    tags = "".join(f"{hashlib.new(algorithm, data).hexdigest()}  {name}\n" for name, data in sorted(files.items()))
    return {**files, f"tagmanifest-{algorithm}.txt": tags.encode("utf-8")}


def manifest_path(path: str) -> str:
    r"""A path as a manifest writes it: only %, CR and LF are encoded (RFC 8493, 2.1.3).

    Readers written for older versions of the format take ``%25`` literally: give payload files names
    without a percent sign wherever the name is ours to choose.

    >>> manifest_path("data/50%\n.txt")
    'data/50%25%0A.txt'
    """
    return path.replace("%", "%25").replace("\r", "%0D").replace("\n", "%0A")


def read_manifest(text: str) -> dict[str, str]:
    r"""Path -> digest of a manifest's lines; the inverse of what :func:`tag_files` writes.

    >>> read_manifest("ab12  data/50%25%0A.txt\n")
    {'data/50%\n.txt': 'ab12'}

    Raises ValueError for a line that is none.
    """
    out = {}
    for line in text.splitlines():
        digest, gap, path = line.partition("  ")
        if not gap or not path or not re.fullmatch(r"[0-9a-f]+", digest):
            raise ValueError(f"no line of a manifest: {line[:80]!r}")
        out[path.replace("%0A", "\n").replace("%0D", "\r").replace("%25", "%")] = digest
    return out


def info_text(info: Mapping[str, str]) -> str:
    """bag-info.txt: one label a line; line ends in a value become spaces, so that none looks like a label."""
    out = []
    for label, value in info.items():
        if not re.fullmatch(r"[A-Za-z][A-Za-z0-9-]*", label):
            raise NightloaderError(f"{label!r} is no label of a bag", next="Use letters, figures and dashes.")
        out.append(f"{label}: {' '.join(value.split())}\n")
    return "".join(out)


def _checked(payload: Iterable[Payload]) -> None:
    seen: set[str] = set()
    for p in payload:
        parts = p.path.split("/")
        if not p.path or p.path.startswith("~") or any(part in ("", ".", "..") for part in parts) or "\\" in p.path:
            raise NightloaderError("is no path inside a bag", item=p.path, next="Give it a plain relative name.")
        try:
            p.path.encode("utf-8")
        except UnicodeEncodeError:
            raise NightloaderError("its name is no UTF-8, which a bag's lists must be", item=ascii(p.path),
                                   next="Hand it over under a name of ours.") from None
        folded = unicodedata.normalize("NFC", p.path).casefold()
        if folded in seen:
            raise NightloaderError("meets another file where case is ignored", item=p.path, next="Rename one.")
        seen.add(folded)
