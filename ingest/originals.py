"""Verified copies of what was on the cards, opened by content."""

from __future__ import annotations

import contextlib
import os
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

from ingest.errors import NightloaderError, SourceUnreadable
from ingest.machinery.disk.destinations import OpenDestination
from ingest.machinery.ledger.cards import HeldFile
from ingest.records.cards import FileKind
from ingest.services import Services


@dataclass(frozen=True, kw_only=True, slots=True)
class Original:
    """One file of a card with content that is known (``xxh3_128:<hex>``), and where its verified copies lie now:
    (destination id, path relative to its root).  ``folder`` is its card's."""

    card_id: str
    folder: str
    path: str
    digest: str
    places: tuple[tuple[str, str], ...]


class Originals:
    """The verified copies at the destinations that are open, asked of the ledger one by one: a show may hold more
    files than belong into memory.  Made anew for each pass."""

    def __init__(self, services: Services, here: Sequence[OpenDestination]) -> None:
        self._services = services
        self._here = {d.id: d for d in here}

    def _all(self, held: Iterable[HeldFile]) -> Iterator[Original]:
        show = self._services.show
        for file in held:
            yield Original(
                card_id=file.card_id, folder=file.folder, path=file.path, digest=file.digest,
                places=tuple((d, f"{show}/{file.folder}/{stored}") for d, stored in file.copies if d in self._here),
            )

    def read_of_kind(self, kind: FileKind) -> Iterator[Original]:
        """Those that were read whole, whether a copy is here or not, in card order."""
        return self._all(self._services.cards.held(kind=kind))

    def of_kind(self, kind: FileKind) -> Iterator[Original]:
        """Those with a verified copy here, in card order."""
        return (o for o in self.read_of_kind(kind) if o.places)

    def with_digest(self, digest: str) -> list[Original]:
        """Those of one content with a verified copy here, in card order."""
        held = self._services.cards.held(digest=digest.removeprefix("xxh3_128:"))
        return [o for o in self._all(held) if o.places]

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
        for original in self.with_digest(digest):
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
