"""The tags of a still, by two readers that watch each other.

exifread is the reference.  It raises on some real files, runs for ever on crafted ones, and returns
nothing, without a word, for whole families (CR3, RAF, MRW, X3F) and for a JPEG whose Exif stands late.
So it runs guarded and on a clock, and our own bounded reader (``tiff.py``, ``containers.py``) reads the
same file: what one of them lacks the other gives, and where both speak and differ on what decides an
exposure, that is said.

"No tags" is always a refusal, never an empty answer: silence in a header is not the same as a header
that cannot be read.
"""

from __future__ import annotations

import contextlib
import logging
import signal
import sys
import threading
from collections.abc import Iterator
from fractions import Fraction
from typing import Any, BinaryIO

from ingest.errors import Unreadable
from ingest.machinery.worker import containers, makernotes
from ingest.machinery.worker.tiff import NAMES, Malformed, Source, Tags, Tiff, Value, ratio, read_tags

LOOK_ELSEWHERE = "The picture counts by its time and place on the card; look at it in another program."
_LIBRARY_S = 1.0  # a real header takes it a millisecond or two
_LIBRARY_KINDS = {"jpeg", "tiff", "heif", "png", "webp", "jxl"}
_OWN_KINDS = {"jpeg", "tiff", "heif", "cr3", "raf", "mrw", "x3f"}
_PREVIEW_KINDS = {"raf", "x3f"}  # their Exif describes the embedded JPEG, not the raw
# Their Exif and IFD0 names in exifread, where they differ from the standard's.
_LIBRARY_NAMES = {"PhotographicSensitivity": "ISOSpeedRatings", "PixelXDimension": "ExifImageWidth",
                  "PixelYDimension": "ExifImageLength", "ExposureIndex": "ExposureIndex",
                  "StandardOutputSensitivity": "Tag 0x8831", "RecommendedExposureIndex": "RecommendedExposureIndex",
                  "CompositeImage": "Tag 0xA460"}  # fmt: skip
_DECIDING = ("ExposureTime", "FNumber", "PhotographicSensitivity", "DateTimeOriginal", "SubSecTimeOriginal")


def read(file: BinaryIO) -> dict[str, Any]:
    """``{"kind", "tags", "reader", "differs"}`` of one still.

    ``kind`` is the container by its first bytes, ``tags`` see ``tiff.py`` (and ``UnixTime``, ``Drive``,
    ``ImageNumber``, ``Width``, ``Height`` where the container or maker says them), ``reader`` who gave them,
    ``differs`` the tags on which the readers do not agree (exifread's value is kept).
    Raises Unreadable with the reason in words.
    """
    source = Source(file)
    if source.size == 0:
        raise Unreadable("the file is empty.", next=LOOK_ELSEWHERE)
    head = source.read(0, min(64, source.size))
    if not any(head):
        raise Unreadable("the file begins with nothing but zeros.", next=LOOK_ELSEWHERE)
    kind = containers.kind(head)
    why = [] if kind else ["no known kind of still"]
    own: Tags = {}
    if kind in _OWN_KINDS:
        try:
            own = read_own(source, kind)
        except Malformed as error:
            why.append(str(error))
    library: Tags = {}
    if kind in _LIBRARY_KINDS:
        try:
            library = read_library(file)
        except Exception as error:  # six kinds seen on real files, more may come; our own reader stands beside it
            why.append(f"{type(error).__name__} in the library")
    said = own.keys() - {"Width", "Height"} | library.keys()
    if not said & _TELLING:
        detail = "; ".join(why) or "it holds no Exif data"
        raise Unreadable(f"the metadata cannot be read ({detail}).", next=LOOK_ELSEWHERE)
    differs = [t for t in _DECIDING if t in own and t in library and not _same(own[t], library[t])]
    readers = [name for name, tags in (("exifread", library), ("own", own)) if tags.keys() & _TELLING]
    return {"kind": kind, "tags": own | library, "reader": "+".join(readers), "differs": differs}


# A header that says none of these says nothing about when, with what or how a picture was taken.
_TELLING = {"Make", "Model", "ExposureTime", "FNumber", "PhotographicSensitivity", "DateTimeOriginal", "DateTime",
            "ShutterSpeedValue", "UnixTime", "UniqueCameraModel", "BodySerialNumber"}  # fmt: skip


def read_own(source: Source, kind: str) -> Tags:
    """The tags by our own bounded reader.  Raises Malformed when it finds none at all."""
    found = containers.blocks(source, kind)
    tags: Tags = {}
    failed: Malformed | None = None
    for at in found.exif_only_at + found.tiff_at:
        try:
            read_here, tiff, note = read_tags(source, at)
        except Malformed as error:
            failed = error
            continue
        if note is not None and kind != "cr3":
            make = str(read_here.get("Make", ""))
            read_here = makernotes.read(make, tiff, note) | read_here
        tags = read_here | tags
    if found.maker_note_at is not None:
        with contextlib.suppress(Malformed):
            tags = makernotes.read_canon_block(*Tiff.at(source, found.maker_note_at)) | tags
    if kind in _PREVIEW_KINDS or found.size is not None:
        for name in ("ImageWidth", "ImageLength", "PixelXDimension", "PixelYDimension"):
            tags.pop(name, None)
    if found.size is not None:
        tags["Width"], tags["Height"] = found.size
    tags = found.tags | tags
    if not tags and failed is not None:
        raise failed
    return tags


def read_library(file: BinaryIO) -> Tags:
    """The tags by exifread, under the same names and in the same values.  May raise anything."""
    import exifread

    logging.getLogger("exifread").setLevel(logging.CRITICAL)
    file.seek(0)
    with _on_the_clock(_LIBRARY_S):
        raw = exifread.process_file(file, details=False, extract_thumbnail=False)
    tags: Tags = {}
    for name in NAMES.values():
        theirs = _LIBRARY_NAMES.get(name, name)
        for place in ("EXIF ", "Image "):
            entry = raw.get(place + theirs)
            if entry is not None and (value := _plain(entry.values)) is not None:
                tags[name] = value
                break
    # Of a raw file the first directory is often a preview's; our own reader looks at the others.
    for name in ("ImageWidth", "ImageLength"):
        tags.pop(name, None)
    return tags


def _plain(values: Any) -> Value | None:
    """exifread's values as ``tiff.py`` gives them."""
    if isinstance(values, str):
        return values.strip()
    if isinstance(values, (bytes, bytearray)) or not isinstance(values, list) or not values:
        return None
    if all(isinstance(v, int) for v in values):
        return int(values[0]) if len(values) == 1 else [int(v) for v in values]
    if all(hasattr(v, "numerator") and hasattr(v, "denominator") for v in values):
        ratios = [ratio(v.numerator, v.denominator) for v in values]
        return ratios[0] if len(ratios) == 1 else ratios
    return None


def _same(one: Value, other: Value) -> bool:
    if one == other:
        return True
    with contextlib.suppress(ValueError, ZeroDivisionError, TypeError):
        return Fraction(one) == Fraction(other)  # type: ignore[arg-type]
    return False


@contextlib.contextmanager
def _on_the_clock(limit_s: float) -> Iterator[None]:
    """End pure Python code after ``limit_s`` (main thread of POSIX; elsewhere the host's clock alone holds)."""
    if sys.platform == "win32" or threading.current_thread() is not threading.main_thread():
        yield
        return

    def late(*_: object) -> None:
        raise TimeoutError("took too long")

    before = signal.signal(signal.SIGALRM, late)
    signal.setitimer(signal.ITIMER_REAL, limit_s)
    try:
        yield
    finally:
        signal.setitimer(signal.ITIMER_REAL, 0)
        signal.signal(signal.SIGALRM, before)
