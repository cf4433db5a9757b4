"""Embedded colour profiles: only RGB matrix profiles are understood (ICC.1:2010, sections 8.3 and 10)."""

from __future__ import annotations

import struct

import numpy as np
import numpy.typing as npt

from ingest.machinery.worker.decoders.picture import Profile

_MOST_TAGS = 200


def parse(data: bytes) -> Profile | None:
    """The profile, or None where there is none, it is damaged, or it is no RGB matrix profile."""
    try:
        return _parse(data)
    except (struct.error, IndexError, ValueError, ZeroDivisionError):
        return None


def _parse(data: bytes) -> Profile | None:
    if len(data) < 132 or data[36:40] != b"acsp" or data[16:20] != b"RGB ":
        return None
    (count,) = struct.unpack_from(">I", data, 128)
    tags: dict[bytes, bytes] = {}
    for i in range(min(count, _MOST_TAGS)):
        name, offset, size = struct.unpack_from(">4sII", data, 132 + 12 * i)
        tags[name] = data[offset : offset + size]
    if not {b"rXYZ", b"gXYZ", b"bXYZ", b"rTRC"} <= tags.keys():
        return None
    matrix = np.stack([_xyz(tags[k]) for k in (b"rXYZ", b"gXYZ", b"bXYZ")], axis=1)
    if abs(np.linalg.det(matrix)) < 1e-4:
        return None
    curve, decode = _curve(tags[b"rTRC"])
    return Profile(description=_text(tags.get(b"desc", b"")), to_xyz=matrix, curve=curve, decode=decode)


def _xyz(tag: bytes) -> npt.NDArray[np.float64]:
    return np.array(struct.unpack_from(">3i", tag, 8), float) / 65536.0


def _text(tag: bytes) -> str:
    if tag[:4] == b"desc":
        (n,) = struct.unpack_from(">I", tag, 8)
        return tag[12 : 12 + min(n, 200)].split(b"\x00")[0].decode("latin-1")
    if tag[:4] == b"mluc":
        n, at = struct.unpack_from(">II", tag, 20)
        return tag[at : at + min(n, 400)].decode("utf-16-be", "replace")
    return ""


def _curve(tag: bytes) -> tuple[str, npt.NDArray[np.float64]]:
    x = np.linspace(0.0, 1.0, 1024)
    if tag[:4] == b"curv":
        (n,) = struct.unpack_from(">I", tag, 8)
        if n == 0:
            return "linear", x
        values = np.frombuffer(tag, ">u2", min(n, 65536), 12).astype(float)
        if n == 1:
            gamma = values[0] / 256.0
            return ("linear" if gamma == 1 else f"gamma {gamma:.4g}"), x**gamma
        return _named("table", np.interp(x, np.linspace(0, 1, len(values)), values / 65535.0))
    if tag[:4] != b"para":
        raise ValueError("unknown curve type")
    (kind,) = struct.unpack_from(">H", tag, 8)
    n = (1, 3, 4, 5, 7)[kind]
    p = [v / 65536.0 for v in struct.unpack_from(f">{n}i", tag, 12)]
    if kind == 0:
        return ("linear" if p[0] == 1 else f"gamma {p[0]:.4g}"), x ** p[0]
    g, a, b = p[:3]
    c = p[3] if n > 3 else 0.0
    d = p[4] if n > 4 else -b / a
    if kind == 2:
        values = np.where(x >= d, np.maximum(a * x + b, 0) ** g + c, c)
    else:
        e, f = (p[5], p[6]) if n > 5 else (0.0, 0.0)
        values = np.where(x >= d, np.maximum(a * x + b, 0) ** g + e, (c if n > 3 else 0.0) * x + f)
    return _named("parametric", values)


def _named(fallback: str, decode: npt.NDArray[np.float64]) -> tuple[str, npt.NDArray[np.float64]]:
    x = np.linspace(0.0, 1.0, len(decode))
    srgb = np.where(x <= 0.04045, x / 12.92, ((x + 0.055) / 1.055) ** 2.4)
    if np.max(np.abs(decode - srgb)) < 2e-3:
        return "srgb", decode
    if np.max(np.abs(decode - x)) < 1e-3:
        return "linear", decode
    return fallback, decode
