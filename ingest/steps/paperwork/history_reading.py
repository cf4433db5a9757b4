"""Reading an ASC MHL history back: chain, lists, and what they vouch for.  Any bytes give a record or Unreadable.

A document type is refused before it can define anything, so no entity can grow.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from xml.parsers import expat

from ingest.errors import Unreadable
from ingest.steps.paperwork.history import Action, Link, Listed, Reference

_LIST, _CHAIN = "urn:ASC:MHL:v2.0", "urn:ASC:MHL:DIRECTORY:v2.0"
_DIGESTS = frozenset({"c4", "md5", "sha1", "xxh128", "xxh3", "xxh64"})
_NEXT = "The copy at another destination may be whole; the manifest and the checksum log hold the same digests."


@dataclass(frozen=True, kw_only=True, slots=True)
class ReadList:
    """A hash list: when and how it was made, its files, ignored patterns, inner histories."""

    created_utc: str
    process: str
    listed: tuple[Listed, ...]
    ignore: tuple[str, ...]
    inner: tuple[Reference, ...]


@dataclass(slots=True)
class _Node:
    name: str
    attributes: dict[str, str]
    children: list[_Node]
    text: str

    def all(self, *names: str) -> list[_Node]:
        found = [self]
        for name in names:
            found = [child for node in found for child in node.children if child.name == name]
        return found

    def words(self, *names: str) -> str:
        return next((node.text for node in self.all(*names)), "")


def parse_chain(data: bytes, *, item: str = "") -> tuple[Link, ...]:
    """The chain's entries in order; raises Unreadable, also where it does not count 1, 2, 3 ..."""
    root = _parse(data, f"{_CHAIN} ascmhldirectory", item)
    try:
        links = tuple(
            Link(number=int(n.attributes["sequencenr"]), name=n.words("path"), c4=n.words("c4"))
            for n in root.all("hashlist")
        )
    except (KeyError, ValueError) as error:
        raise Unreadable("a list in this chain has no number.", item=item, next=_NEXT) from error
    if [link.number for link in links] != list(range(1, len(links) + 1)) or any("/" in link.name for link in links):
        raise Unreadable("the lists of this chain do not count from 1 without gaps.", item=item, next=_NEXT)
    return links


def parse_list(data: bytes, *, item: str = "") -> ReadList:
    """One hash list; raises Unreadable."""
    root = _parse(data, f"{_LIST} hashlist", item)
    listed = []
    for node in root.all("hashes", "hash"):
        path = node.all("path")
        if not path or not path[0].text or path[0].text.startswith("/") or ".." in path[0].text.split("/"):
            raise Unreadable("a file in this hash list has no path inside its folder.", item=item, next=_NEXT)
        digests = {}
        for child in node.children:
            if child.name in _DIGESTS and child.attributes.get("action") in set(Action):
                digests[child.name] = (child.text.strip(), Action(child.attributes["action"]))
        size = path[0].attributes.get("size", "")
        plain = size.isascii() and size.isdigit() and len(size) < 20
        listed.append(Listed(path=path[0].text, size_bytes=int(size) if plain else None, digests=digests))
    return ReadList(
        created_utc=root.words("creatorinfo", "creationdate"),
        process=root.words("processinfo", "process"),
        listed=tuple(listed),
        ignore=tuple(n.text for n in root.all("processinfo", "ignore", "pattern")),
        inner=tuple(
            Reference(path=n.words("path"), c4=n.words("c4")) for n in root.all("references", "hashlistreference")
        ),
    )


def standing(lists: Iterable[ReadList]) -> dict[str, dict[str, str]]:
    """What a history vouches for: path -> digest by element, the first one given; a *failed* digest never counts."""
    known: dict[str, dict[str, str]] = {}
    for one in lists:
        for file in one.listed:
            for element, (digest, action) in file.digests.items():
                if action is not Action.FAILED:
                    known.setdefault(file.path, {}).setdefault(element, digest)
    return known


def ignored(lists: Iterable[ReadList]) -> tuple[str, ...]:
    """Every pattern used so far: over a history's life the list only grows (guidelines 1.0, section 2.4)."""
    return tuple(dict.fromkeys(pattern for one in lists for pattern in one.ignore))


def broken_links(links: Iterable[Link], c4_of: Mapping[str, str]) -> tuple[str, ...]:
    """Names of lists that are not there (not in ``c4_of``) or not the bytes the chain vouches for."""
    return tuple(link.name for link in links if c4_of.get(link.name) != link.c4)


def _parse(data: bytes, root_name: str, item: str) -> _Node:
    parser = expat.ParserCreate(namespace_separator=" ")
    top = _Node("", {}, [], "")
    stack = [top]
    namespace = root_name.partition(" ")[0] + " "

    def refuse(*_: object) -> None:
        raise Unreadable("this hash list has a document type, which the standard does not know.", item=item, next=_NEXT)

    def start(name: str, attributes: dict[str, str]) -> None:
        if len(stack) > 50:
            raise Unreadable("this hash list is nested too deep.", item=item, next=_NEXT)
        node = _Node(name.removeprefix(namespace), attributes, [], "")
        stack[-1].children.append(node)
        stack.append(node)

    def characters(text: str) -> None:
        stack[-1].text += text

    parser.StartDoctypeDeclHandler = refuse
    parser.StartElementHandler = start
    parser.EndElementHandler = lambda _: stack.pop()
    parser.CharacterDataHandler = characters
    try:
        parser.Parse(data, True)
    except (expat.ExpatError, ValueError, LookupError) as error:
        raise Unreadable(f"this is no XML ({error}).", item=item, next=_NEXT) from error
    if not top.children or top.children[0].name != root_name.partition(" ")[2]:
        raise Unreadable("this is no hash list of the standard (ASC MHL 2.0).", item=item, next=_NEXT)
    return top.children[0]
