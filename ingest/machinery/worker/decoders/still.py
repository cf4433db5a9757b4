"""Any still by its first bytes: JPEG, TIFF or raw."""

from __future__ import annotations

from ingest.errors import Unreadable
from ingest.machinery.worker.decoders import jpeg, raw, tiff
from ingest.machinery.worker.decoders.picture import Picture

_DNG_VERSION, _PHOTOMETRIC, _MAKE, _CFA = 50706, 262, 271, 32803


def decode(data: bytes, name: str) -> Picture:
    """Decode ``data`` by what it is, not by its name.

    A TIFF structure is a TIFF picture only where it says neither DNG nor mosaic; everything that is no
    JPEG or TIFF goes to the raw decoder, which refuses what it does not know.
    Raises :class:`Unreadable` naming the file.
    """
    if not data:
        raise Unreadable("the file is empty", item=name, next="Copy it again from the card if it is still there.")
    if data[:2] == b"\xff\xd8":
        return jpeg.decode(data, name)
    found = tiff.tags(data)
    if found and _DNG_VERSION not in found and _photometric(found) in (0, 1, 2) and not _maker_raw(data, found):
        return tiff.decode(data, name)
    return raw.decode(data, name)


def _photometric(found: dict[int, object]) -> int:
    value = found.get(_PHOTOMETRIC)
    return int(value[0]) if isinstance(value, tuple) and value else -1


def _maker_raw(data: bytes, found: dict[int, object]) -> bool:
    """Makers' raws are TIFF structures whose first directory is a small preview or has sub-directories."""
    return data[8:10] == b"CR" or 330 in found
