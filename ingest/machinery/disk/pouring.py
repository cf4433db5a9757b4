"""Reading a file once: its digests in the pass, its pieces to every delivery."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence

from ingest.errors import SourceUnreadable
from ingest.machinery.disk.fanout import Beat, Delivery, Pieces
from ingest.machinery.disk.files import Disk
from ingest.machinery.disk.hashing import Digests

FORGET_EVERY = 32 << 20


def pour(
    disk: Disk, fd: int, size: int, deliveries: Sequence[Delivery], pieces: Pieces, *, more: Iterable[str] = (),
    beat: Beat, check: Callable[[], None], slow: Callable[[Sequence[Delivery]], None], patience_s: float,
) -> Digests:
    """Read ``size`` bytes and hand them on; answers the digests of what came (compare ``size_bytes``).

    ``check`` is called for each piece and may raise to end the reading.  ``slow`` is called when no piece
    came back for ``patience_s``, with the deliveries that hold some; it may end them.  A read error is
    raised as SourceUnreadable with the offset.  Deliveries are neither finished nor ended here.
    """
    digests = Digests(more)
    forgotten = 0
    while digests.size_bytes < size:
        check()
        piece = None
        while piece is None:
            piece = pieces.take(size - digests.size_bytes, patience_s)
            if piece is None:
                check()
                for delivery in deliveries:
                    if delivery.ended is not None:
                        delivery.drain()
                slow([d for d in deliveries if d.ended is None and d.waiting > 0])
        wanted = min(len(piece.view), size - digests.size_bytes)
        try:
            while piece.length < wanted:
                with beat:
                    n = disk.read_into(fd, piece.view[piece.length : wanted])
                if n <= 0:
                    break
                piece.length += n
        except OSError as error:
            at = digests.size_bytes + piece.length
            piece.share(0)
            raise SourceUnreadable(f"reading failed at byte {at} ({error.strerror}).", retry=True) from error
        if piece.length == 0:
            piece.share(0)
            break
        digests.update(piece.view[: piece.length])
        if digests.size_bytes - forgotten >= FORGET_EVERY:
            disk.drop_cache(fd, forgotten, digests.size_bytes - forgotten)
            forgotten = digests.size_bytes
        takers = [d for d in deliveries if d.ended is None]
        short = piece.length < wanted
        piece.share(len(takers))
        for delivery in takers:
            delivery.put(piece)
        if short:
            break
    for delivery in deliveries:
        if delivery.ended is not None:
            delivery.drain()
    disk.drop_cache(fd)
    return digests
