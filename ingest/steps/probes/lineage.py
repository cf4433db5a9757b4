"""Lasting ids of probe sets: derived once, inherited by the largest overlap, never given twice.

Two wishes pull apart: the same cards must end under the same ids whatever stops came in between, and a set
that a late card completes must stay the probe it was (a new version of it, with its filing and reviews).  So
an id is derived from the set's first member when the set is first seen, which a restart repeats exactly, and
afterwards follows the members.  Only where two cards of one set arrive in another *order* may the derived id
differ; the sets themselves never do.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

_DIGITS = 10


def inherit(
    previous: Mapping[str, Sequence[str]], sets: Sequence[Sequence[str]]
) -> tuple[list[str], dict[str, tuple[str, ...]]]:
    """An id for each set, and what each id given stands for now.

    ``sets`` are the digests of all files of each set, its first frame first; no digest is in two.
    ``previous`` is what every id ever given stood for last.  The pair that shares most members matches first;
    on a tie the smaller id, then the set that stands first.  An id goes to one set only.

    >>> inherit({"p0a": ["a", "b"]}, [["x:00112233445566"], ["b", "c"]])
    (['p0011223344', 'p0a'], {'p0011223344': ('x:00112233445566',), 'p0a': ('b', 'c')})
    """
    home = {digest: i for i, members in enumerate(sets) for digest in members}
    shared: dict[tuple[str, int], int] = {}
    for name, members in previous.items():
        for digest in set(members):
            if digest in home:
                pair = (name, home[digest])
                shared[pair] = shared.get(pair, 0) + 1
    given: dict[int, str] = {}
    taken: set[str] = set()
    for (name, i), _ in sorted(shared.items(), key=lambda entry: (-entry[1], entry[0])):
        if i not in given and name not in taken:
            given[i] = name
            taken.add(name)
    known = set(previous) | taken
    for i, members in enumerate(sets):
        if i not in given:
            given[i] = _fresh(members[0], known)
            known.add(given[i])
    ids = [given[i] for i in range(len(sets))]
    return ids, {name: tuple(members) for name, members in zip(ids, sets, strict=True)}


def _fresh(digest: str, known: set[str]) -> str:
    """``p`` and the first digits of the digest; more of them, then a count, where that is another set's."""
    bare = digest.rpartition(":")[2]
    for length in range(_DIGITS, len(bare) + 1):
        if f"p{bare[:length]}" not in known:
            return f"p{bare[:length]}"
    n = 2
    while f"p{bare[:_DIGITS]}-{n}" in known:
        n += 1
    return f"p{bare[:_DIGITS]}-{n}"
