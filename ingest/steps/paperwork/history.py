"""ASC MHL history of a card's folder: hash lists that are only added, and the chain that names them.

ASC MHL specification 1.0 (15 March 2022); what we write is valid by the published XSD and by the stricter
schema of its appendix A: ``hashes`` always there, digests of a file in alphabetical order, one algorithm per
folder hash, every digest with its action, paths relative with ``/``, times in UTC.  The first list of a card is
a ``transfer``: source and copy were proven equal.  Each audit adds an ``in-place`` list of what it read again.

The file system's names are any bytes, XML is not: a name with control characters or no UTF-8 cannot stand in a
hash list (``unlisted``); the manifest has it.  A list never names what an inner history covers (a card that
brings its own): it refers to that history's newest list, and our digests stand in the manifest and the log.
"""

from __future__ import annotations

import hashlib
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from xml.sax.saxutils import escape, quoteattr

from ingest.records.cards import CopyFact, FileRecord
from ingest.steps.paperwork.folder_hashes import FolderHash
from ingest.steps.paperwork.manifest import modified_word

FOLDER = "ascmhl"
CHAIN = "ascmhl_chain.xml"
# The specification's own defaults; the second form keeps the folder's pattern to folders.
DEFAULT_IGNORE = (".DS_Store", "ascmhl", "ascmhl/")
# Our names of digests -> the standard's elements (no other algorithm may stand in a list).
ELEMENTS: Mapping[str, str] = {"md5": "md5", "sha1": "sha1", "xxh3_128": "xxh128", "xxh3_64": "xxh3", "xxh64": "xxh64"}
_NOT_XML = re.compile("[^\t\n\r\u0020-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")
_BASE58 = "123456789ABCDEFGHJKLMNPQRSTUVWXYZabcdefghijkmnopqrstuvwxyz"
_NAME = re.compile(r"(\d{4,})_(.+)_(\d{4}-\d{2}-\d{2}_\d{6}Z)\.mhl")

# What a history vouches for: path -> digest by element.
Known = Mapping[str, Mapping[str, str]]


class Action(StrEnum):
    ORIGINAL = "original"  # the first digest of this file
    VERIFIED = "verified"  # equal to an earlier one
    FAILED = "failed"  # not equal; never verified against later


@dataclass(frozen=True, kw_only=True, slots=True)
class Listed:
    """One file of a list; ``digests`` by element name with value and action."""

    path: str
    size_bytes: int | None = None
    modified_utc: str = ""
    digests: Mapping[str, tuple[str, Action]]


@dataclass(frozen=True, kw_only=True, slots=True)
class Reference:
    """The newest list of an inner history: its path in this scope and its C4."""

    path: str
    c4: str


@dataclass(frozen=True, kw_only=True, slots=True)
class Link:
    """One entry of the chain: number, file name in the ``ascmhl`` folder, C4 of the whole file."""

    number: int
    name: str
    c4: str


@dataclass(frozen=True, kw_only=True, slots=True)
class Generation:
    """A new list: ``link`` for the chain, ``data`` for the file, names it could not hold."""

    link: Link
    data: bytes
    unlisted: tuple[str, ...] = ()


def c4(data: bytes) -> str:
    """The C4 identifier of bytes (SMPTE ST 2114: "c4" and 88 digits of base 58 of their SHA-512).

    >>> c4(b"")[:12]
    'c459dsjfscH3'
    """
    value = int.from_bytes(hashlib.sha512(data).digest())
    digits = ""
    while value:
        value, rest = divmod(value, 58)
        digits = _BASE58[rest] + digits
    return "c4" + digits.rjust(88, _BASE58[0])


def first_listing(
    files: Iterable[FileRecord], copies: Iterable[CopyFact], *, destination_id: str, known: Known
) -> tuple[Listed, ...]:
    """What a card's copy at a destination adds to its history: the files that ``known`` lacks, as *original*.

    ``known`` is :func:`ingest.steps.paperwork.history_reading.standing` of the history so far ({} at first).
    Only files whose copy there agrees with the file's own digest are listed, under the names they have there.
    """
    by_path = {f.path: f for f in files}
    out = []
    for copy in copies:
        file = by_path.get(copy.path)
        if file is None or copy.destination_id != destination_id or copy.stored_path in known:
            continue
        own = file.digests.get("xxh3_128", "")
        if not own or copy.source_digest.rpartition(":")[2] != own:
            continue
        digests = {ELEMENTS[a]: (d, Action.ORIGINAL) for a, d in file.digests.items() if a in ELEMENTS}
        modified = _calendar(file.mtime_ns)
        out.append(Listed(path=copy.stored_path, size_bytes=file.size_bytes, modified_utc=modified, digests=digests))
    return tuple(out)


def verified_listing(
    reread: Mapping[str, tuple[int, Mapping[str, str]]], known: Known
) -> tuple[Listed, ...]:
    """What an audit adds: each file it read again, *verified* or *failed* against the history so far.

    ``reread`` is path -> (size in bytes, digests found, by our algorithm names).  A file the history does not
    know becomes *original*; an algorithm it does not know of a known file is left out, for nothing vouches for it.
    """
    out = []
    for path, (size, found) in reread.items():
        before = known.get(path)
        values = {ELEMENTS[a]: d for a, d in found.items() if a in ELEMENTS}
        if before is None:
            digests = {e: (d, Action.ORIGINAL) for e, d in values.items()}
        else:
            digests = {
                e: (d, Action.VERIFIED if before[e] == d else Action.FAILED) for e, d in values.items() if e in before
            }
        if digests:
            out.append(Listed(path=path, size_bytes=size, digests=digests))
    return tuple(out)


def generation(
    listed: Iterable[Listed],
    *,
    number: int,
    folder: str,
    started_utc: str,
    process: str,
    host: str,
    tool_version: str,
    ignore: Sequence[str] = DEFAULT_IGNORE,
    inner: Sequence[Reference] = (),
    folders: Sequence[FolderHash] = (),
    folders_by: str = "xxh128",
    author: str = "",
    comment: str = "",
) -> Generation | None:
    """The next list of a history; None if it would have nothing to list.

    ``number`` counts from 1, ``folder`` is the name of the covered folder, ``started_utc`` when the operation
    began (RFC 3339 with Z), ``process`` ``transfer`` or ``in-place``, ``host`` a name or alias.  ``folders`` are
    :func:`folder_hashes` of the whole folder, to be given only if every file was hashed this time.
    """
    if process not in ("transfer", "in-place", "flatten"):
        raise ValueError(f"{process!r} is no process of a hash list")
    covered = [one for one in listed if not is_inside(one.path, inner)]
    unlisted = tuple(sorted((one.path for one in covered if _NOT_XML.search(one.path)), key=_bytes))
    rows = [_hash(one) for one in sorted(covered, key=lambda one: _bytes(one.path)) if one.path not in unlisted]
    if unlisted or any(_NOT_XML.search(f.path) for f in folders):
        folders = ()  # a folder's hash without all its names would be wrong
    rows += [_directory(f, folders_by) for f in folders if f.path and not is_inside(f.path, inner)]
    if not rows:
        return None
    root = next((f for f in folders if not f.path), None)
    ignored = tuple(dict.fromkeys((*DEFAULT_IGNORE, *ignore)))
    text = "".join(
        (
            '<?xml version="1.0" encoding="UTF-8"?>\n<hashlist version="2.0" xmlns="urn:ASC:MHL:v2.0">\n',
            f" <creatorinfo>\n  <creationdate>{_text(started_utc)}</creationdate>\n",
            f"  <hostname>{_text(host)}</hostname>\n",
            f"  <tool version={quoteattr(tool_version)}>nightloader</tool>\n",
            f"  <author>{_text(author)}</author>\n" if author else "",
            f"  <comment>{_text(comment)}</comment>\n" if comment else "",
            f" </creatorinfo>\n <processinfo>\n  <process>{process}</process>\n",
            f"  <roothash>{_content_and_structure(root, folders_by)}</roothash>\n" if root else "",
            "  <ignore>\n" + "".join(f"   <pattern>{_text(p)}</pattern>\n" for p in ignored) + "  </ignore>\n",
            " </processinfo>\n <hashes>\n" + "".join(rows) + " </hashes>\n",
            _references(inner),
            "</hashlist>\n",
        )
    )
    data = text.encode("utf-8")
    name = f"{number:04d}_{folder}_{started_utc[:10]}_{started_utc[11:19].replace(':', '')}Z.mhl"
    if not _NAME.fullmatch(name):
        raise ValueError(f"{name!r} is no name of a hash list: the start must be YYYY-MM-DDTHH:MM:SSZ")
    return Generation(link=Link(number=number, name=name, c4=c4(data)), data=data, unlisted=unlisted)


def chain(links: Sequence[Link]) -> bytes:
    """The chain file of these lists; raises ValueError unless they count 1, 2, 3 ..."""
    if [link.number for link in links] != list(range(1, len(links) + 1)) or not links:
        raise ValueError("a chain counts its lists from 1 without gaps")
    rows = "".join(
        f' <hashlist sequencenr="{link.number}">\n'
        f"  <path>{_text(link.name)}</path>\n  <c4>{link.c4}</c4>\n </hashlist>\n"
        for link in links
    )
    return (
        '<?xml version="1.0" encoding="UTF-8"?>\n<ascmhldirectory xmlns="urn:ASC:MHL:DIRECTORY:v2.0">\n'
        f"{rows}</ascmhldirectory>\n"
    ).encode()


def inner_scopes(paths: Iterable[str]) -> dict[str, tuple[str, ...]]:
    """Folders of the card that bring a history of their own ("" is its root), with their lists' paths in order
    of their numbers; a list that does not fit the naming is none."""
    found: dict[str, list[tuple[int, str]]] = {}
    for path in paths:
        folder, _, name = path.rpartition("/")
        match = _NAME.fullmatch(name)
        if match and (folder == FOLDER or folder.endswith(f"/{FOLDER}")):
            found.setdefault(folder.removesuffix(FOLDER).rstrip("/"), []).append((int(match[1]), path))
    return {scope: tuple(p for _, p in sorted(lists)) for scope, lists in sorted(found.items())}


def list_number(name: str) -> int | None:
    """The number in a hash list's file name, None if it is none."""
    match = _NAME.fullmatch(name)
    return int(match[1]) if match else None


def _scope(reference: Reference) -> str:
    return reference.path.rpartition("/")[0].removesuffix(FOLDER).rstrip("/")


def is_inside(path: str, inner: Sequence[Reference]) -> bool:
    """Whether an inner history covers this path."""
    return any(path.startswith(f"{_scope(r)}/") for r in inner)


def _hash(one: Listed) -> str:
    size = f' size="{one.size_bytes}"' if one.size_bytes is not None else ""
    modified = f' lastmodificationdate="{one.modified_utc}"' if one.modified_utc else ""
    digests = "".join(f'   <{e} action="{a}">{_text(d)}</{e}>\n' for e, (d, a) in sorted(one.digests.items()))
    return f"  <hash>\n   <path{size}{modified}>{_text(one.path)}</path>\n{digests}  </hash>\n"


def _directory(one: FolderHash, element: str) -> str:
    both = _content_and_structure(one, element)
    return f"  <directoryhash>\n   <path>{_text(one.path)}</path>\n   {both}\n  </directoryhash>\n"


def _content_and_structure(one: FolderHash, element: str) -> str:
    return (
        f"<content><{element}>{one.content}</{element}></content>"
        f"<structure><{element}>{one.structure}</{element}></structure>"
    )


def _references(inner: Sequence[Reference]) -> str:
    if not inner:
        return ""
    rows = "".join(
        f"  <hashlistreference>\n   <path>{_text(r.path)}</path>\n   <c4>{_text(r.c4)}</c4>\n  </hashlistreference>\n"
        for r in sorted(inner, key=lambda r: _bytes(r.path))
    )
    return f" <references>\n{rows} </references>\n"


def _text(text: str) -> str:
    """Escaped for XML; line breaks as references, or a reader would turn CR into LF."""
    return escape(_NOT_XML.sub("\ufffd", text), {"\r": "&#13;", "\n": "&#10;", "\t": "&#9;"})


def _calendar(mtime_ns: int) -> str:
    word = modified_word(mtime_ns)
    return "" if word.startswith("ns:") else word


def _bytes(name: str) -> bytes:
    return name.encode("utf-8", "surrogateescape")
