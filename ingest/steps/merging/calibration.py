"""What a set's own pixels say of its frames, before any pixel is merged: the plan of the merge."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from ingest.records.merges import MergeRequest
from ingest.steps.merging import clipping, noise
from ingest.steps.merging.noise import Noise
from ingest.steps.merging.radiance import FrameModel
from ingest.steps.merging.stack import Encoding, Stack, codes_of_index, srgb_decode

F64 = npt.NDArray[np.float64]
_SAMPLES = 400_000  # readings a frame for its histogram


@dataclass(frozen=True, kw_only=True, slots=True)
class Plan:
    """All that the pixel pass needs, frames dark to bright.

    ``units`` are relative exposures as the header gives them, ``corrections`` multiply them (1 = as the
    header says) with standard deviations ``sigmas``; ``models`` are what the estimator knows.
    ``shifts`` are (x, y) in pixels of the file against frame ``reference``, None where not aligned.
    """

    source: str
    stack: Stack
    units: tuple[float, ...]
    corrections: tuple[float, ...]
    sigmas: tuple[float, ...]
    models: tuple[FrameModel, ...]
    noise: Noise
    clip_codes: tuple[float, ...]
    clip_shares: tuple[float, ...]
    response: dict[str, object] = field(default_factory=dict)
    shifts: tuple[tuple[float, float], ...] | None = None
    reference: int = 0
    done: tuple[str, ...] = ()


def plan(request: MergeRequest, order: tuple[int, ...], stack: Stack, source: str) -> Plan:
    """Judge a set whose frames (dark to bright) stand in ``stack`` with provisional linear encoding."""
    units = tuple(request.frames[i].units for i in order)
    piles = [clipping.pile(_codes(stack, k), stack.encoding.top) for k in range(stack.count)]
    clip_codes = clipping.levels(piles, stack.encoding.top)
    encoding = stack.encoding
    if source != "raw" and (source == "jpeg" or request.encoding == "srgb"):
        encoding = with_curve(encoding, srgb_table(encoding))
    encoding, clips = saturating(encoding, clip_codes)
    ready = stack.with_encoding(encoding, clips)
    model = noise.default(stack.encoding.top)
    isos = [request.frames[i].iso or 100.0 for i in order]
    models = []
    for k, unit in enumerate(units):
        m = model.at_iso(isos[k] / min(isos))
        models.append(FrameModel(s=unit, clip=clips[k], floor=m.floor, gain=m.gain))
    return Plan(
        source=source, stack=ready, units=units, corrections=(1.0,) * len(units), sigmas=(0.0,) * len(units), models=tuple(models),
        noise=model, clip_codes=tuple(clip_codes), clip_shares=tuple(p.share if p else 0.0 for p in piles),
        response={"curve": "linear" if encoding.table is None else "srgb"},
    )  # fmt: skip


def _codes(stack: Stack, k: int) -> npt.NDArray[np.float32]:
    """A thinned sample of frame k's codes, whole periods of a mosaic kept together."""
    h, w, c = stack.shape
    step = max(1, int(np.sqrt(h * w * c / _SAMPLES)))
    p = stack.encoding.period
    rows = np.arange(step // 2, h, step)
    frame = stack.frames[k]
    if p > 1:
        taken = np.concatenate([frame[r * p : (r + 1) * p] for r in rows])
    else:
        taken = np.ascontiguousarray(frame[rows][:, ::step])
    return stack.encoding.codes(taken)


def srgb_table(encoding: Encoding) -> F64:
    """sRGB decoding by table index of the encoding, saturation at the format's top."""
    if encoding.top > 255:
        return srgb_decode(np.arange(65536) / encoding.top)
    return srgb_decode(codes_of_index() / encoding.top)


def with_curve(encoding: Encoding, table: F64) -> Encoding:
    return Encoding(layout=encoding.layout, channels=encoding.channels, top=encoding.top, period=encoding.period,
                    black=encoding.black, unit=encoding.unit, table=table.astype(np.float32))  # fmt: skip


def saturating(encoding: Encoding, clip_codes: list[float]) -> tuple[Encoding, list[float]]:
    """Scale light so that the highest saturation level of the set is 1, and each frame's level on it."""
    highest = max(clip_codes)
    if encoding.table is None:
        black = float(np.mean(encoding.black))
        unit = tuple(1.0 / (highest - b) for b in encoding.black)
        scaled = Encoding(layout=encoding.layout, channels=encoding.channels, top=encoding.top,
                          period=encoding.period, black=encoding.black, unit=unit)  # fmt: skip
        return scaled, [(c - black) / (highest - black) for c in clip_codes]
    table = encoding.table.astype(np.float64)
    codes = np.arange(65536) if encoding.top > 255 else codes_of_index()
    one = table if table.ndim == 1 else table.mean(axis=1)
    top = float(np.interp(highest, codes, one))
    return with_curve(encoding, table / top), [float(np.interp(c, codes, one)) / top for c in clip_codes]
