"""What a set's own pixels say of its frames, before any pixel is merged: the plan of the merge.

Order matters.  Clip levels first, before a tone curve's shoulder can pass for white.  Shifts next, on
log light where an unknown curve does little.  Then exposures, curve and noise together from flat cells
that follow the shifts, robustly.  Movement is judged last, by the pixel pass, with all of this known: a
frame that flickered would otherwise look as if everything in it had moved.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from ingest.records.merges import MergeRequest
from ingest.steps.merging import alignment, clipping, curves, noise, response, samples
from ingest.steps.merging.alignment import Alignment
from ingest.steps.merging.noise import Noise
from ingest.steps.merging.radiance import FrameModel
from ingest.steps.merging.response import Fit
from ingest.steps.merging.stack import Encoding, Stack

F64 = npt.NDArray[np.float64]
_SAMPLES = 400_000  # readings a frame for its histogram
_BELIEVED = 0.02  # cost an observation by which a curve must beat a simpler one
_SLIGHT = 0.015  # a curve as near to sRGB is likelier sRGB, whose frames have little to tell of their exposures,
_SLIGHTLY_BELIEVED = 0.1  # unless it explains them far better
_FOR_COST = 5  # rounds of a fit that is only asked for its cost, which is settled to a tenth of that by then
_SLOPE = 0.02  # what shutters' errors explain of a slope between fitted and stated exposures
_FLICKER = 0.035  # 0.05 stops: beyond what shutters do
_OFFSET_TURNS = 5
_OFFSET_BELIEVED = 0.2  # cost an observation: a wrong level would cost more than a small one is worth
_PEDESTAL = 0.1  # of the dark readings, from which on a fit must start from it
_OFFSET = 0.01  # how far the black level of a TIFF may be off, of white


@dataclass(frozen=True, kw_only=True, slots=True)
class Plan:
    """All that the pixel pass needs, frames dark to bright.

    ``units`` are relative exposures as the header gives them, ``corrections`` multiply them (1 = as the
    header says) with standard deviations ``sigmas``; ``models`` are what the estimator knows.
    ``shifts`` are (x, y) in pixels of the file against frame ``reference``, None where not aligned.
    ``white`` (K, C) is how a frame's channels stand to each other against the set, in log light.
    """

    source: str
    stack: Stack
    units: tuple[float, ...]
    corrections: tuple[float, ...]
    sigmas: tuple[float, ...]
    flickered: tuple[bool, ...]
    models: tuple[FrameModel, ...]
    noise: Noise
    clip_codes: tuple[float, ...]
    clip_shares: tuple[float, ...]
    response: dict[str, Any]
    curve: dict[str, Any] | None = None
    shifts: tuple[tuple[float, float], ...] | None = None
    alignment: Alignment | None = None
    reference: int = 0
    white: F64 = field(default_factory=lambda: np.zeros((0, 0)))
    refined: bool = False
    done: tuple[str, ...] = ()


def plan(
    request: MergeRequest, order: tuple[int, ...], stack: Stack, source: str, decode: F64 | None = None
) -> Plan:
    """Judge a set whose frames (dark to bright) stand in ``stack`` with provisional linear encoding.

    ``decode`` is an embedded profile's curve on equal steps from 0 to 1.
    """
    units = np.array([request.frames[i].units for i in order])
    isos = np.array([request.frames[i].iso or 100.0 for i in order])
    scale = isos / isos.min()
    taken = [_codes(stack, k) for k in range(stack.count)]  # 400,000 readings a frame
    piles = clipping.believed([clipping.pile(t, stack.encoding.top) for t in taken], taken, stack.encoding.top)
    clip_codes = clipping.levels(piles, stack.encoding.top)
    white = clipping.white(piles, stack.encoding.top)
    reference = _reference(taken, clip_codes)
    work = _Work(request=request, stack=stack, source=source, units=units, scale=scale, clip_codes=clip_codes,
                 white=white,
                 base=noise.default(65535.0 if source == "jpeg" else stack.encoding.top))  # fmt: skip
    candidates = _candidates(work, decode)
    found = _aligned(work, candidates[0][1], reference)
    shifts = found.shifts if found is not None and found.moved else None
    choice = _choose(work, candidates, shifts)
    corrections, flickered = _corrections(choice.fit, np.log(units))
    models = [choice.noise.at_iso(s) for s in scale]
    ready = stack.with_encoding(choice.encoding, choice.clips)
    return Plan(
        source=source, stack=ready, units=tuple(units.tolist()), corrections=tuple(corrections.tolist()),
        sigmas=tuple(choice.fit.sigmas.tolist()) if choice.fit else (0.0,) * len(units),
        flickered=tuple(bool(f) for f in flickered),
        models=tuple(
            FrameModel(s=float(u * c), clip=clip, floor=m.floor, gain=m.gain,
                       resampled=shifts is not None and k != reference, lowest=ready.lowest)
            for k, (u, c, clip, m) in enumerate(zip(units, corrections, choice.clips, models, strict=True))
        ),
        noise=choice.noise, clip_codes=tuple(clip_codes),
        clip_shares=tuple(float(np.mean(t >= c)) for t, c in zip(taken, clip_codes, strict=True)),
        response={**choice.facts, "white_code": white}, curve=choice.curve, shifts=shifts, alignment=found,
        reference=reference,
        white=choice.fit.by_channel if choice.fit else np.zeros((0, 0)), refined=choice.fit is not None,
        done=_words(choice, found, corrections),
    )  # fmt: skip


@dataclass(frozen=True, kw_only=True, slots=True)
class _Work:
    request: MergeRequest
    stack: Stack
    source: str
    units: F64
    scale: F64
    clip_codes: list[float]
    white: float
    base: Noise

    def models(self, base: Noise) -> list[Noise]:
        return [base.at_iso(float(s)) for s in self.scale]

    def ready(self, encoding: Encoding) -> Stack:
        scaled, clips = curves.saturating(encoding, self.clip_codes, self.white)
        return self.stack.with_encoding(scaled, clips)


@dataclass(frozen=True, kw_only=True, slots=True)
class _Choice:
    name: str
    encoding: Encoding
    clips: list[float]
    fit: Fit | None
    noise: Noise
    facts: dict[str, Any]
    curve: dict[str, Any] | None = None
    taken: samples.Samples | None = None


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
    stack.forget()
    return stack.encoding.codes(taken)


def _reference(taken: Sequence[npt.NDArray[np.float32]], clip_codes: Sequence[float]) -> int:
    """The frame that holds most of the picture well above black, less what it clips: where others lie
    outside the picture, only the reference is left."""
    held = [float(np.mean((t > 0.06 * clip) & (t < clip)) - np.mean(t >= clip))
            for t, clip in zip(taken, clip_codes, strict=True)]  # fmt: skip
    return int(np.argmax(held))


def _candidates(work: _Work, decode: F64 | None) -> list[tuple[str, Encoding]]:
    """Known curves to try, the likeliest first."""
    plain = work.stack.encoding
    if work.source == "raw" or work.request.encoding == "linear":
        return [("linear", plain)]
    if work.request.encoding == "srgb":
        return [("srgb", curves.srgb(plain))]
    found = [("srgb", curves.srgb(plain))]
    if work.request.curve is not None:
        found.append(("kept", curves.kept(plain, work.request.curve)))
    if decode is not None:
        found.append(("profile", curves.sampled(plain, decode)))
    if work.source == "tiff":
        found.insert(0, ("linear", plain))
    return found


def _aligned(work: _Work, encoding: Encoding, reference: int) -> Alignment | None:
    if not work.request.align or work.request.quick or work.stack.count < 2:
        return None
    return alignment.align(work.ready(encoding), work.units.tolist(), work.models(work.base), reference)


def _choose(
    work: _Work, candidates: list[tuple[str, Encoding]], shifts: tuple[tuple[float, float], ...] | None
) -> _Choice:
    """The simplest curve that explains the frames: a known one if it does, else a recovered one."""
    if work.stack.count < 2 or not work.request.refine or work.request.quick:
        name, encoding = candidates[0]
        ready = work.ready(encoding)
        return _Choice(name=name, encoding=ready.encoding, clips=list(ready.clips), fit=None, noise=work.base,
                       facts={"curve": name, "believed": "not checked"})  # fmt: skip
    cells = samples.choose(work.ready(candidates[0][1]), work.units.tolist(), work.models(work.base), shifts=shifts)
    tried = [_try(work, name, encoding, cells, shifts) for name, encoding in candidates]
    best = min(tried, key=lambda c: _misfit(c, work))
    if work.source == "raw" or work.request.encoding != "auto":
        return best
    if best.name == "linear" and _misfit(best, work) < _SLOPE:
        return best
    if _explains(work, best):
        return best
    bent = _recovered(work, best, cells, shifts)
    if bent is None or not _better(bent, best, work):
        return best
    return bent


def _misfit(choice: _Choice, work: _Work) -> float:
    """How badly a known curve explains the exposures: what it makes of their slope, and its residual."""
    assert choice.fit is not None
    if not np.isfinite(choice.fit.residual):
        return 1.0
    return abs(_tilt(choice, work)) + choice.fit.residual


def _explains(work: _Work, known: _Choice) -> bool:
    """Whether a free curve, fitted to the samples at hand, would explain them no better."""
    if known.encoding.table is None or known.taken is None or abs(_tilt(known, work)) > _SLOPE:
        return False
    splines = curves.basis(known.encoding, work.white)
    log_units = np.log(work.units)
    freed = response.fit(known.taken, log_units, work.models(known.noise), basis=splines, rounds=_FOR_COST)
    assert known.fit is not None
    return bool(np.isfinite(freed.cost)) and freed.cost >= known.fit.cost - _BELIEVED


def _tilt(choice: _Choice, work: _Work) -> float:
    assert choice.fit is not None
    return choice.fit.slope(np.log(work.units)) - 1


def _better(bent: _Choice, known: _Choice, work: _Work) -> bool:
    assert bent.fit is not None and known.fit is not None
    if abs(_tilt(bent, work)) > max(_SLOPE, abs(_tilt(known, work))):
        return False  # it makes the shutters stray in step with the exposure, more than the known curve does
    if abs(_tilt(known, work)) > _SLOPE:  # a power of the right curve fits as well, with a power of the exposures
        return bent.fit.cost < known.fit.cost + _BELIEVED
    slight = known.name == "srgb" and bent.facts["from_srgb"] < _SLIGHT
    return bent.fit.cost < known.fit.cost - (_SLIGHTLY_BELIEVED if slight else _BELIEVED)


def _try(
    work: _Work, name: str, encoding: Encoding, cells: samples.Cells, shifts: tuple[tuple[float, float], ...] | None
) -> _Choice:
    """Fit exposures under a known curve; for linear codes also an error of the black level."""
    log_units = np.log(work.units)
    ready = work.ready(encoding)
    taken, base, models = _gathered(work, ready, cells, shifts, work.base, np.exp(log_units))
    offset = _OFFSET if name == "linear" and work.source == "tiff" else 0.0
    start = _pedestal(taken, work.units) if offset else 0.0
    if start > 0:
        encoding = replace(encoding, black=tuple(b + start * (work.white - b) for b in encoding.black))
        ready = work.ready(encoding)
        taken, base, models = _gathered(work, ready, cells, shifts, base, np.exp(log_units))
    fitted = response.fit(taken, log_units, models)
    if offset:
        fitted, ready, base = _with_offset(work, encoding, (fitted, ready, base), cells, shifts, offset)
    facts = {"curve": name, "residual": fitted.residual, "observations": fitted.observations,
             "black": list(ready.encoding.black) if ready.encoding.table is None else None}  # fmt: skip
    return _Choice(name=name, encoding=ready.encoding, clips=list(ready.clips), fit=fitted, noise=base, facts=facts,
                   taken=taken)  # fmt: skip


def _with_offset(
    work: _Work, encoding: Encoding, plain: tuple[Fit, Stack, Noise], cells: samples.Cells,
    shifts: tuple[tuple[float, float], ...] | None, offset: float,
) -> tuple[Fit, Stack, Noise]:  # fmt: skip
    """The fit with the black level free where that explains the frames clearly better, else ``plain``.

    The exposures' slope is pinned while the black level is free, since the two look alike; it is let go
    again once the level stands.
    """
    log_units = np.log(work.units)
    first, ready, base = plain
    black, best = encoding.black, first
    for _ in range(_OFFSET_TURNS):  # the fit is linear in the offset, the truth is not
        taken, base, models = _gathered(work, ready, cells, shifts, base, work.units)
        fitted = response.fit(taken, log_units, models, offset=offset)
        if not np.isfinite(fitted.cost) or abs(fitted.offset) <= max(4 * fitted.offset_sigma, 2e-5):
            break
        black = tuple(b + fitted.offset * (work.white - b) for b in black)
        ready = work.ready(replace(encoding, black=black))
        best = fitted
    if best is first:
        return plain
    taken, base, models = _gathered(work, ready, cells, shifts, base, work.units)
    final = response.fit(taken, log_units, models)
    return (final, ready, base) if final.cost < first.cost - _OFFSET_BELIEVED else plain


def _pedestal(taken: samples.Samples, units: F64) -> float:
    """A black level so far above zero, in light, that the fit has to start from it; 0 for none.

    Two readings b + s L give b whatever L: (r x0 - x1) / (r - 1), r the ratio of exposures, from the dark cells
    of the two darkest frames.  Cells with readings at zero tell nothing: with a level well above it there would
    be none, and without one their mean is that of noise whose negative half is cut off.  A small level is left
    to the fit, since a shutter's error looks like one.
    """
    r = float(units[1] / units[0])
    whole = (taken.floored[0] == 0) & (taken.floored[1] == 0) & taken.inside[0] & taken.inside[1]
    if r < 1.2 or np.count_nonzero(whole) < max(20, 0.5 * whole.size):
        return 0.0
    x0, x1 = taken.mean[0][whole], taken.mean[1][whole]
    dark = x1 <= np.quantile(x1, 0.3)
    found = float(np.clip(np.median((r * x0[dark] - x1[dark]) / (r - 1)), 0.0, 0.2))
    return found if found > max(1e-4, _PEDESTAL * float(np.median(x0[dark]))) else 0.0


def _gathered(
    work: _Work, ready: Stack, cells: samples.Cells, shifts: tuple[tuple[float, float], ...] | None, base: Noise,
    exposures: F64,
) -> tuple[samples.Samples, Noise, list[Noise]]:  # fmt: skip
    taken = samples.gather(ready, cells, exposures.tolist(), work.models(base), shifts)
    taken = replace(taken, variance=np.maximum(taken.variance, curves.rounding(ready.encoding, taken.mean)))
    lowest = work.scale < 1.01
    measured = noise.measure(taken.mean[lowest], taken.variance[lowest], taken.usable[lowest], base,
                             cells.side, taken.floored[lowest])
    # texture passes for noise in some pictures (an undeveloped mosaic)
    most = 10 if ready.encoding.channels == 1 or ready.encoding.table is not None else 100
    measured = replace(measured, floor=min(measured.floor, most * work.base.floor),
                       gain=min(measured.gain, 40 * work.base.gain))  # fmt: skip
    if taken.floored.any() and measured.floor > base.floor:  # more cells lie in the part that zero cuts off
        taken = replace(taken, usable=taken.usable & samples.above_noise(
            taken.mean, taken.inside, exposures.tolist(), ready.clips, work.models(replace(base, floor=measured.floor)),
            taken.pixels))  # fmt: skip
    return taken, measured, work.models(measured)


def _recovered(
    work: _Work, known: _Choice, cells: samples.Cells, shifts: tuple[tuple[float, float], ...] | None
) -> _Choice | None:
    """A smooth correction of the best known curve, or None where the set cannot tell or it would fold."""
    log_units = np.log(work.units)
    encoding = known.encoding
    if encoding.table is None:
        encoding = work.ready(curves.srgb(work.stack.encoding)).encoding
    clip_code = max(work.clip_codes)
    base = known.noise
    fitted: Fit | None = None
    exposures = work.units
    # a ripple with the period of a wide step is seen by nothing else: the wider, the stiffer
    ripple = max(1.0, float(np.median(np.diff(np.log2(np.sort(work.units)))))) ** 2
    for turn in range(2):
        ready = work.ready(encoding)
        taken, base, models = _gathered(work, ready, cells, shifts, base, exposures)
        splines = curves.basis(ready.encoding, work.white)
        for stiffness in (1.0, 10.0, 100.0, 1000.0):
            fitted = response.fit(taken, log_units, models, basis=splines, stiffness=stiffness * ripple)
            if not np.isfinite(fitted.cost):
                return None
            encoding = curves.corrected(ready.encoding, splines, fitted.curve, fitted.lowest)
            if curves.is_monotone(encoding, clip_code):
                break
        else:
            return None
        exposures = np.exp(fitted.log_exposures)
        del turn
    ready = work.ready(encoding)
    _, base, _ = _gathered(work, ready, cells, shifts, base, exposures)
    assert fitted is not None
    away = curves.deviation(ready.encoding, clip_code)
    facts = {"curve": "recovered", "residual": fitted.residual, "observations": fitted.observations,
             "from_srgb": away, "black": None}  # fmt: skip
    to_keep = curves.to_keep(ready.encoding, fitted.residual)
    return _Choice(name="recovered", encoding=ready.encoding, clips=list(ready.clips), fit=fitted, noise=base,
                   facts=facts, curve={"at": list(to_keep.at), "knots": [list(k) for k in to_keep.knots],
                                       "residual": to_keep.residual, "sets": 1})  # fmt: skip


def _corrections(fitted: Fit | None, log_units: F64) -> tuple[F64, npt.NDArray[np.bool_]]:
    """Factors on the stated exposures, their weighted mean 1, and which frames left their neighbours."""
    if fitted is None:
        return np.ones(len(log_units)), np.zeros(len(log_units), bool)
    told = fitted.sigmas <= response.PRIOR
    off = fitted.log_exposures - log_units
    centre = float(np.median(off[told] if told.any() else off))
    off = np.where(told, off, centre)  # the pixels say nothing of a frame that is all white: its header does
    flickered = np.abs(off - centre) > _FLICKER
    steady = off[~flickered] if (~flickered).any() else off
    return np.exp(off - float(np.mean(steady))), flickered


def _words(choice: _Choice, found: Alignment | None, corrections: F64) -> tuple[str, ...]:
    """What was decided, in words."""
    said = [f"response: {choice.name}"]
    if choice.fit is not None:
        said.append(f"exposures refined by {100 * float(np.std(np.log(corrections))):.2f} % rms")
    if found is None:
        said.append("alignment: not looked for")
    elif not found.compared:
        said.append("alignment: frames share too little to compare")
    else:
        far = max(float(np.hypot(*s)) for s in found.shifts)
        said.append(f"alignment: moved by up to {far:.2f} px" if found.moved else "alignment: stood still")
    return tuple(said)
