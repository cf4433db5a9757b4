"""What the container of a clip says: duration, size, rate, timecode, creation time, by PyAV.

Only containers of the list below may be opened: others (play lists, concatenations, picture sequences)
name further files, and no file may make the worker open another.  What cannot be opened is still told
by its first bytes.
"""

from __future__ import annotations

from typing import Any, BinaryIO

from ingest.errors import Unreadable

_FORMATS = "mov,mxf,avi,matroska,webm,mpegts,mpeg,dv,wav,w64,aiff,flac,ogg,mp3,aac,m4v,h264,hevc"
# A pathological index must not keep us: five megabytes or two seconds of media tell enough.
OPTIONS = {"format_whitelist": _FORMATS, "protocol_whitelist": "", "probesize": "5000000",
           "analyzeduration": "2000000"}  # fmt: skip
_MOST_STREAMS = 64
_MOST_WORDS = 80
# First bytes: SMPTE ST 377-1 partition key, ISO/IEC 14496-12, RIFF, EBML, ISO/IEC 13818-1; others from memory.
_SIGNATURES = (
    (0, b"\x06\x0e\x2b\x34\x02\x05\x01\x01\x0d\x01\x02\x01\x01", "MXF"),
    (4, b"RED1", "R3D raw clip"),
    (4, b"RED2", "R3D raw clip"),
    (0, b"\x1a\x45\xdf\xa3", "Matroska or WebM"),
    (0, b"\0\0\1\xba", "MPEG program stream"),
    (0, b"\x1f\x07\0", "DV"),
    (0, b"ARRI", "ARRIRAW frame"),
    (0, b"FORM", "AIFF sound"),
    (0, b"fLaC", "FLAC sound"),
    (0, b"OggS", "Ogg"),
    (0, b"ID3", "MP3 sound"),
)


def signature(head: bytes) -> str:
    """What the first 512 bytes announce, in words; "unknown" for nothing known.

    >>> signature(bytes(4) + b"RED2")
    'R3D raw clip'
    """
    if head[:4] == b"RIFF":
        return {b"AVI ": "AVI", b"WAVE": "WAV sound"}.get(head[8:12], "RIFF")
    if head[:4] in (b"RF64", b"BW64"):
        return "WAV sound"
    if head[4:8] in (b"ftyp", b"moov", b"mdat", b"wide", b"free", b"skip", b"pnot"):
        return "CRM raw clip" if head[8:12] == b"crx " else "QuickTime or MP4"
    for at, mark, name in _SIGNATURES:
        if head[at : at + len(mark)] == mark:
            return name
    for start, packet in ((0, 188), (4, 192)):
        if len(head) > start + 2 * packet and all(head[start + i * packet] == 0x47 for i in range(3)):
            return "MPEG transport stream"
    if len(head) > 4 and 0x47 in (head[0], head[4]) and len(head) > 188:
        return "MPEG transport stream"
    return "unknown"


def read(file: BinaryIO) -> dict[str, Any]:
    """``{"kind", "container", "duration_s", "frames", "width", "height", "rates", "codec", "sound_channels",
    "timecode", "metadata"}`` of one clip; with ``refused`` and ``kind`` alone where it cannot be opened.

    ``rates`` are frame rates as text, most trusted first; ``metadata`` text by key, the first of equal keys.
    Raises Unreadable for an empty file.
    """
    import av

    file.seek(0)
    head = file.read(512)
    if not head:
        raise Unreadable("the file is empty.", next="Copy it again from the card while it is there.")
    kind = signature(head)
    file.seek(0)
    av.logging.set_level(None)
    try:
        with av.open(file, options=OPTIONS, metadata_errors="replace") as container:
            return {"kind": kind, **_facts(container)}
    except av.FFmpegError as error:
        # Its MemoryError too: a table larger than this process may hold is a fault of the file.
        why = f"its container cannot be read ({type(error).__name__})"
        return {"kind": kind, "refused": why if kind != "unknown" else "no known kind of clip"}
    except MemoryError:
        raise
    except Exception as error:  # hostile bytes find others than the library's own family
        return {"kind": kind, "refused": f"its container cannot be read ({type(error).__name__})"}


def _facts(container: Any) -> dict[str, Any]:
    streams = list(container.streams)[:_MOST_STREAMS]
    video = next((s for s in streams if s.type == "video"), None)
    metadata: dict[str, str] = {}
    for said in (container.metadata, *(s.metadata for s in streams)):
        for key, value in list(said.items())[:_MOST_WORDS]:
            metadata.setdefault(str(key)[:80], str(value)[:200])
    facts: dict[str, Any] = {
        "container": container.format.name,
        "duration_s": None if container.duration is None else container.duration / 1_000_000,
        "sound_channels": sum(_channels(s) for s in streams if s.type == "audio"),
        "timecode": metadata.get("timecode"),
        "metadata": metadata,
    }
    if video is not None:
        # the average rate of a stream without an index is a guess; the library's own guess is the better
        rates = [str(r) for r in (video.guessed_rate, video.average_rate, video.base_rate) if r]
        facts |= {"codec": video.codec_context.name, "width": video.width, "height": video.height,
                  "frames": video.frames, "rates": rates}  # fmt: skip
        if facts["duration_s"] is None and video.duration and video.time_base:
            facts["duration_s"] = float(video.duration * video.time_base)
    elif streams and streams[0].codec_context is not None:
        facts["codec"] = streams[0].codec_context.name
    return facts


def _channels(stream: Any) -> int:
    context = stream.codec_context
    return int(context.channels) if context is not None else 0
