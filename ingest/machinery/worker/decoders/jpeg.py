"""JPEG codes before the colour conversion rounds them.

A decoder's RGB is rounded and cut to 0..255 after the conversion from YCbCr, which adds noise and hides
where white begins.  Telling the codec that the three components *are* RGB (an Adobe APP14 marker with
transform 0, as ITU-T T.872 section 6.5.3 describes it) makes it hand over Y, Cb and Cr with chroma
interpolated and nothing else done; the conversion is then ours, in float.
"""

from __future__ import annotations

import simplejpeg

from ingest.errors import Unreadable
from ingest.machinery.worker.decoders import icc
from ingest.machinery.worker.decoders.picture import LARGEST_PIXELS, Picture

_ADOBE_NO_TRANSFORM = b"\xff\xee\x00\x0eAdobe\x00\x64\x00\x00\x00\x00\x00"
_FRAME_MARKERS = {*range(0xC0, 0xD0)} - {0xC4, 0xC8, 0xCC}
_BARE = {0x01, *range(0xD0, 0xD8)}


def decode(data: bytes, name: str) -> Picture:
    """Decode one JPEG strictly: a truncated or damaged stream is refused, not filled in.

    Raises :class:`Unreadable` naming the file.
    """
    segments, scan = _segments(data, name)
    try:
        height, width, space, sub = simplejpeg.decode_jpeg_header(data)
    except (ValueError, RuntimeError) as error:
        raise _refusal(name, error) from error
    if height * width > LARGEST_PIXELS:
        raise Unreadable(f"claims {width} x {height} pixels", item=name, next="Look at the file by hand.")
    if space in ("CMYK", "YCCK"):
        raise Unreadable("a CMYK JPEG is no camera picture", item=name, next="Merge the camera's own files.")
    is_rgb = _is_rgb(segments)
    grey = space.upper().startswith("GRAY")
    try:
        if grey:
            codes = simplejpeg.decode_jpeg(data, "GRAY")
        elif is_rgb:
            codes = simplejpeg.decode_jpeg(data, "RGB")
        else:
            kept = b"".join(s for marker, s in segments if marker not in (0xE0, 0xEE))
            codes = simplejpeg.decode_jpeg(data[:2] + _ADOBE_NO_TRANSFORM + kept + data[scan:], "RGB")
    except (ValueError, RuntimeError) as error:
        raise _refusal(name, error) from error
    profile = icc.parse(_icc_bytes(segments))
    layout = "grey" if grey else "rgb" if is_rgb else "ycc"
    return Picture(
        source="jpeg",
        layout=layout,
        codes=codes.reshape(height, width, -1),
        top=255.0,
        black=(0.0,) * (1 if grey else 3),
        profile=profile,
        signature=(
            ("size", f"{width} x {height}"),
            ("colour space", profile.description if profile else "none embedded"),
            ("channels", layout),
            ("chroma", str(sub)),
        ),
    )


def _refusal(name: str, error: Exception) -> Unreadable:
    words = str(error).splitlines()[0][:120] if str(error) else type(error).__name__
    return Unreadable(f"the JPEG does not decode: {words}", item=name, next="Merge without it or copy it again.")


def _segments(data: bytes, name: str) -> tuple[list[tuple[int, bytes]], int]:
    """Marker segments before the first scan, and where that scan begins.  Bounded by the data's length."""
    if len(data) < 4 or data[:2] != b"\xff\xd8":
        raise Unreadable("this is no JPEG", item=name, next="Look at the file by hand.")
    found: list[tuple[int, bytes]] = []
    at = 2
    while at + 4 <= len(data):
        if data[at] != 0xFF:
            break
        marker = data[at + 1]
        if marker == 0xFF:  # fill byte
            at += 1
            continue
        if marker in _BARE:
            at += 2
            continue
        if marker == 0xDA:
            return found, at
        length = int.from_bytes(data[at + 2 : at + 4], "big")
        if length < 2:
            break
        found.append((marker, data[at : at + 2 + length]))
        at += 2 + length
    raise Unreadable("the JPEG ends before its picture begins", item=name, next="Merge without it or copy it again.")


def _is_rgb(segments: list[tuple[int, bytes]]) -> bool:
    """Whether three components are RGB already, by the rules of the JFIF and Adobe markers."""
    for marker, body in segments:
        if marker == 0xE0 and body[4:9] == b"JFIF\x00":
            return False
    for marker, body in segments:
        if marker == 0xEE and body[4:9] == b"Adobe" and len(body) >= 16:
            return body[15] == 0
    for marker, body in segments:
        if marker in _FRAME_MARKERS and len(body) >= 19:
            return bytes(body[10 + 3 * i] for i in range(3)) == b"RGB" if body[9] == 3 else False
    return False


def _icc_bytes(segments: list[tuple[int, bytes]]) -> bytes:
    parts = {body[16]: body[18:] for marker, body in segments
             if marker == 0xE2 and body[4:16] == b"ICC_PROFILE\x00" and len(body) > 18}
    return b"".join(parts[i] for i in sorted(parts))
