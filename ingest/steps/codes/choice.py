"""Which files are searched for codes."""

from __future__ import annotations

from collections.abc import Iterable

from ingest.steps.stills.frames import class_of


def worth_searching(files: Iterable[tuple[str, str, str]]) -> list[str]:
    """Digests to search, once each, of (digest, card, path): a raw with a JPEG beside it shows the same picture,
    and the JPEG is a tenth of the work.

    >>> worth_searching([("r", "c", "D/A1.RAW"), ("j", "c", "D/A1.JPG"), ("s", "c", "D/A2.RAW")])
    ['j', 's']
    """
    known = list(files)
    pictured = {(card, _stem(path)) for _, card, path in known if class_of(path) == "jpeg"}
    return list(dict.fromkeys(
        digest for digest, card, path in known if class_of(path) != "raw" or (card, _stem(path)) not in pictured
    ))


def _stem(path: str) -> str:
    return path.rpartition(".")[0].lower()
