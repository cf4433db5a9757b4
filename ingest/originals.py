"""Verified copies of what was on the cards, opened by content."""

from __future__ import annotations

import contextlib
import os
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

from ingest.errors import NightloaderError, SourceUnreadable
from ingest.machinery.disk.destinations import OpenDestination
from ingest.records.cards import CardRecord, FileKind, FileRecord
from ingest.services import Services


@dataclass(frozen=True, kw_only=True, slots=True)
class Original:
    """One file of a card with content that is known, and where its verified copies lie now."""

    card: CardRecord
    file: FileRecord
    places: tuple[tuple[str, str], ...]  # (destination id, path relative to its root)


class Originals:
    """An index of all verified copies at the destinations that are open.  Made anew for each pass."""

    def __init__(self, services: Services, here: Sequence[OpenDestination]) -> None:
        self._services = services
        self._here = {d.id: d for d in here}
        self._by_digest: dict[str, list[Original]] = {}
        self.all: list[Original] = []
        for card in services.cards.cards():
            stored: dict[tuple[str, int], list[tuple[str, str]]] = {}
            for copy in services.cards.copies(card.id):
                if copy.destination_id in self._here:
                    path = f"{services.show}/{card.folder}/{copy.stored_path}"
                    stored.setdefault((copy.path, copy.generation), []).append((copy.destination_id, path))
            for file in services.cards.files(card.id):
                places = tuple(stored.get((file.path, file.generation), ()))
                original = Original(card=card, file=file, places=places)
                self.all.append(original)
                if file.digest and places:
                    self._by_digest.setdefault(file.digest, []).append(original)

    def of_kind(self, kind: FileKind) -> Iterator[Original]:
        """Those with a verified copy here, in card order."""
        return (o for o in self.all if o.file.kind is kind and o.file.digest and o.places)

    def with_digest(self, digest: str) -> list[Original]:
        return self._by_digest.get(digest, [])

    @contextlib.contextmanager
    def held(self, digests: Iterable[str]) -> Iterator[dict[str, int]]:
        """Descriptors by digest of those that can be opened now, closed at the end; one whose disk is away is left
        out, to be asked for again."""
        with contextlib.ExitStack() as stack:
            found: dict[str, int] = {}
            for digest in digests:
                with contextlib.suppress(OSError, NightloaderError):
                    found[digest] = self.open(digest)
                    stack.callback(os.close, found[digest])
            yield found

    def open(self, digest: str) -> int:
        """A descriptor on a verified copy of this content; SourceUnreadable if none can be opened."""
        trouble = "no destination that holds it is here"
        for original in self._by_digest.get(digest, ()):
            for destination_id, path in original.places:
                folder, _, name = path.rpartition("/")
                try:
                    with self._here[destination_id].folders.hold(folder) as held:
                        return self._services.disk.open_source(held, name)
                except OSError as error:
                    trouble = error.strerror or str(error)
        raise SourceUnreadable(
            f"its copy cannot be opened ({trouble}).", item=digest, next="Plug the disk in and check it.", retry=True
        )
