"""Directory hashes of an ASC MHL history (specification 1.0, section 6.5.2 and appendix G).

*Content* is the hash over the children's digests (files, and sub-folders by their content), *structure* the
hash over H(name + digest) of each child (sub-folders by their structure); both over raw bytes, sorted by
value, with one algorithm throughout.  So a renamed file changes the structure only, a moved one both.  The
specification does not say how names are encoded: UTF-8 is assumed, as written.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass

Hasher = Callable[[bytes], bytes]


@dataclass(frozen=True, kw_only=True, slots=True)
class FolderHash:
    """Content and structure of a folder (``path`` "" is the scope itself), lower-case hex."""

    path: str
    content: str
    structure: str


def folder_hashes(
    digests: Mapping[str, str], hasher: Hasher, *, empty_folders: Iterable[str] = ()
) -> tuple[FolderHash, ...]:
    """Hashes of every folder, children before parents, the scope last.

    ``digests`` are all files (relative path -> hex of one algorithm) and ``hasher`` is that algorithm
    (bytes to raw digest).  An empty folder counts as the hash over nothing.
    """
    children: dict[str, dict[str, bytes]] = {"": {}}
    folders: dict[str, set[str]] = {"": set()}

    def known(folder: str) -> None:
        new = []
        while folder not in children:
            children[folder], folders[folder] = {}, set()
            folder, _, name = folder.rpartition("/")
            new.append((folder, name))
        for parent, name in new:
            folders[parent].add(name)

    for path, digest in digests.items():
        folder, _, name = path.rpartition("/")
        known(folder)
        children[folder][name] = bytes.fromhex(digest)
    for folder in empty_folders:
        known(folder)
    made: dict[str, tuple[bytes, bytes]] = {}
    for folder in sorted(children, key=lambda f: (-f.count("/") if f else 1, f.encode("utf-8", "surrogateescape"))):
        inside = [(name, made[f"{folder}/{name}" if folder else name]) for name in folders[folder]]
        contents = [*children[folder].values(), *(content for _, (content, _) in inside)]
        named = [*children[folder].items(), *((name, structure) for name, (_, structure) in inside)]
        structures = [hasher(name.encode("utf-8", "surrogateescape") + digest) for name, digest in named]
        made[folder] = (hasher(b"".join(sorted(contents))), hasher(b"".join(sorted(structures))))
    return tuple(FolderHash(path=f, content=c.hex(), structure=s.hex()) for f, (c, s) in made.items())
