"""Tables from code to light: the known curves, the recovered one, and the scale on which white is 1."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import numpy.typing as npt

from ingest.records.merges import KeptCurve
from ingest.steps.merging.response import Basis
from ingest.steps.merging.stack import Encoding, codes_of_index, srgb_decode

F64 = npt.NDArray[np.float64]
_INTERVALS = 24
_KEPT = 64  # points at which a recovered curve is kept
_LOWEST_CODE = 0.5 / 255


def codes_of_table(encoding: Encoding) -> F64:
    """The code (format's scale) each table entry stands for."""
    return np.arange(65536.0) if encoding.top > 255 else codes_of_index()


def srgb(encoding: Encoding) -> Encoding:
    """sRGB decoding (IEC 61966-2-1), light 1 at the format's top."""
    return _with(encoding, srgb_decode(codes_of_table(encoding) / encoding.top))


def sampled(encoding: Encoding, decode: F64) -> Encoding:
    """An embedded profile's decoding, ``decode`` on equal steps from 0 to 1; straight on outside."""
    v = codes_of_table(encoding) / encoding.top
    grid = np.linspace(0, 1, len(decode))
    table = np.interp(v, grid, decode)
    ends = ((v < 0, 0, 1), (v > 1, -1, -2))
    for outside, a, b in ends:
        slope = (decode[a] - decode[b]) / (grid[a] - grid[b])
        table = np.where(outside, decode[a] + slope * (v - grid[a]), table)
    return _with(encoding, table)


def kept(encoding: Encoding, curve: KeptCurve) -> Encoding:
    """A curve recovered earlier from the body's brackets."""
    base = srgb_decode(codes_of_table(encoding) / encoding.top)
    log = np.log(np.maximum(base, 1e-9))
    parts = [np.interp(log, curve.at, knots) for knots in curve.knots]
    correction = np.mean(parts, axis=0) if len(parts) != encoding.channels else np.stack(parts, axis=1)
    table = base * np.exp(correction) if correction.ndim == 1 else base[:, None] * np.exp(correction)
    return _with(encoding, table)


def basis(encoding: Encoding, white: float) -> Basis:
    """Splines for a correction of ``encoding``, closer where codes are few and light changes fast, and at
    both ends, where toe and shoulder bend: equal steps of the mean of v and arccos(1 - 2v)/pi (less its
    very ends, where it is infinitely steep), v the square root of code over ``white``: the splines reach
    beyond the last cell seen, so that a shoulder goes on as it bends."""
    assert encoding.table is not None
    codes = codes_of_table(encoding)
    table = _single(encoding)
    seen = (codes >= _LOWEST_CODE * encoding.top) & (codes <= white) & (table > 0)
    v = np.sqrt(codes[seen] / white)
    u = 0.5 * v + 0.5 * np.arccos(1 - 2 * np.clip(0.01 + 0.975 * v, 0, 1)) / np.pi
    u = (u - u.min()) / (u.max() - u.min())
    return Basis(log_light=np.log(table[seen]), u=u, intervals=_INTERVALS)


def corrected(encoding: Encoding, splines: Basis, coefficients: F64, lowest: float) -> Encoding:
    """``encoding`` with the fitted correction; below log light ``lowest``, where no cell told anything,
    the correction stays what it is there, so that light still falls in proportion to code."""
    table = _single(encoding)
    log = np.log(np.maximum(table, 1e-9))
    bent = splines.design(np.maximum(log, max(lowest, splines.log_light[0]))) @ coefficients
    top = float((splines.design(np.zeros(1)) @ coefficients)[0])
    return _with(encoding, table * np.exp(bent - top))


def is_monotone(encoding: Encoding, clip_code: float) -> bool:
    """Whether light rises with every code from 1 to the clip level, the last half per cent aside."""
    codes = codes_of_table(encoding)
    inside = (codes >= encoding.top / 255) & (codes <= 0.995 * clip_code)
    return bool(np.all(np.diff(_single(encoding)[inside]) > 0))


def to_keep(encoding: Encoding, residual: float) -> KeptCurve:
    """The recovered curve as corrections to sRGB at points evenly spread in code."""
    codes = codes_of_table(encoding)
    base = srgb_decode(codes / encoding.top)
    at_codes = np.linspace(1 / 255, 1.0, _KEPT) * encoding.top
    light = np.interp(at_codes, codes, _single(encoding))
    plain = np.interp(at_codes, codes, base)
    return KeptCurve(
        at=tuple(np.log(plain).tolist()), knots=(tuple(np.log(light / plain).tolist()),), residual=residual
    )


def deviation(encoding: Encoding, clip_code: float) -> float:
    """Largest relative difference from sRGB of light above 1 % of white, after the best common scale."""
    codes = codes_of_table(encoding)
    base = srgb_decode(codes / encoding.top)
    table = _single(encoding)
    inside = (codes <= clip_code) & (base > 0.01)
    ratio = np.log(table[inside] / base[inside])
    return float(np.max(np.abs(ratio - np.median(ratio))))


def saturating(encoding: Encoding, clip_codes: Sequence[float], white: float) -> tuple[Encoding, list[float]]:
    """Scale light so that code ``white`` is 1; and the light from which on each frame counts as saturated."""
    if encoding.table is None:
        black = float(np.mean(encoding.black))
        unit = tuple(1.0 / (white - b) for b in encoding.black)
        return replace(encoding, unit=unit), [(c - black) / (white - black) for c in clip_codes]
    codes, one = codes_of_table(encoding), _single(encoding)
    top = float(np.interp(white, codes, one))
    return (_with(encoding, encoding.table.astype(np.float64) / top),
            [float(np.interp(c, codes, one)) / top for c in clip_codes])  # fmt: skip


def rounding(encoding: Encoding, light: npt.NDArray[Any]) -> F64:
    """Variance that rounding to whole codes leaves in a reading: a twelfth of the step in light, squared.

    A flat cell between two codes shows none of it, yet every one of its readings is off.
    """
    if encoding.table is None:
        return np.full(light.shape, min(encoding.unit) ** 2 / 12)
    codes, one = codes_of_table(encoding), _single(encoding)
    inside = (codes >= 0) & (codes <= encoding.top)
    step = np.gradient(one[inside], codes[inside])
    out: F64 = np.interp(light, one[inside], step * step / 12)
    return out


def _single(encoding: Encoding) -> F64:
    assert encoding.table is not None
    table = encoding.table.astype(np.float64)
    return table if table.ndim == 1 else table.mean(axis=1)


def _with(encoding: Encoding, table: F64) -> Encoding:
    return replace(encoding, table=table.astype(np.float32))
