"""The same feature in two cameras: pairs of picture points, found coarse to fine.

Around each of many directions both cameras are looked up on a small tangent plane by the present
numbers; where the patch of one lies in the other says by how much the numbers are off there.  First by
normalised cross-correlation over a wide search, then by least squares on log luminance (shift, gain and
offset), which is good to a few hundredths of a pixel.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from ingest.steps.panorama.cameras import Camera
from ingest.steps.panorama.raster import Doubles

Single = NDArray[np.float32]
_HALF = 6  # a patch is 13 x 13
_LEAST_STD = 0.04  # of natural log: flat patches say nothing
_BEST = 0.75  # normalised cross-correlation
_LONGEST = 20000  # rows of one look-up; the library takes no more than 32766


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Matches:
    """n pairs: ``first`` and ``second`` (n,) camera indices, points ``a``, ``b`` (n, 2) px in each,
    ``pitch`` (n,) radians a pixel and ``direction`` (n, 3) by the numbers at hand."""

    first: NDArray[np.intp]
    second: NDArray[np.intp]
    a: Doubles
    b: Doubles
    pitch: Doubles
    direction: Doubles

    def __len__(self) -> int:
        return len(self.first)


def spread(count: int) -> Doubles:
    """(count, 3) directions, evenly over the sphere (Fibonacci spiral)."""
    i = np.arange(count) + 0.5
    y = 1 - 2 * i / count
    turn = np.pi * (1 + 5**0.5) * i
    r = np.sqrt(1 - y * y)
    return np.stack([r * np.sin(turn), y, r * np.cos(turn)], axis=1)


def logs(picture: Single) -> Single:
    """Natural log of a luminance picture, with a floor that keeps noise in the dark from counting."""
    lit = picture[picture > 0]
    floor = 0.02 * float(np.median(lit)) if lit.size else 1e-6
    return np.asarray(np.log(np.maximum(picture, 0) + max(floor, 1e-9)), dtype=np.float32)


def find(
    cameras: Sequence[Camera], pictures: Sequence[Single], *, marks: int, pitch_rad: float, search_rad: float,
    most_per_pair: int = 400, refine: bool = True,
) -> Matches:  # fmt: skip
    """Matches of all pairs of cameras; ``pictures`` are log luminance, one a camera.

    ``pitch_rad`` is the step of the patches, ``search_rad`` how far a feature may be off.
    """
    directions = spread(marks)
    shown = [_inside(c, p, directions, margin=_HALF * pitch_rad) for c, p in zip(cameras, pictures, strict=True)]
    parts: list[Matches] = []
    for i in range(len(cameras)):
        for j in range(i + 1, len(cameras)):
            both = np.flatnonzero(shown[i] & shown[j])
            if len(both) < 8:
                continue
            if len(both) > most_per_pair:
                both = both[np.linspace(0, len(both) - 1, most_per_pair).astype(int)]
            found = _pair(cameras, pictures, i, j, directions[both], pitch_rad, search_rad, refine)
            if found is not None:
                parts.append(found)
    if not parts:
        none = np.zeros(0, dtype=np.intp)
        empty = np.zeros((0, 2))
        return Matches(first=none, second=none, a=empty, b=empty, pitch=np.zeros(0), direction=np.zeros((0, 3)))
    return Matches(
        first=np.concatenate([m.first for m in parts]),
        second=np.concatenate([m.second for m in parts]),
        a=np.concatenate([m.a for m in parts]),
        b=np.concatenate([m.b for m in parts]),
        pitch=np.concatenate([m.pitch for m in parts]),
        direction=np.concatenate([m.direction for m in parts]),
    )


def _inside(camera: Camera, picture: Single, directions: Doubles, margin: float) -> NDArray[np.bool_]:
    x, y, theta = camera.pixels(directions)
    ok = theta < camera.theta_max - margin
    if camera.sees_back:
        ok &= theta < 0.93 * camera.theta_max
    return np.asarray(ok & (x > 2) & (y > 2) & (x < picture.shape[1] - 3) & (y < picture.shape[0] - 3))


def _pair(
    cameras: Sequence[Camera], pictures: Sequence[Single], i: int, j: int, d: Doubles, pitch: float, search: float,
    refine: bool,
) -> Matches | None:  # fmt: skip
    east, north = tangents(d)
    template = _patches(cameras[i], pictures[i], d, east, north, pitch, _HALF)
    textured = template.std(axis=(1, 2)) > _LEAST_STD
    d, east, north, template = d[textured], east[textured], north[textured], template[textured]
    if len(d) < 4:
        return None
    shift = np.zeros((len(d), 2))
    good = np.ones(len(d), dtype=bool)
    steps = int(np.ceil(search / pitch))
    if steps > 1:
        wide = _patches(cameras[j], pictures[j], d, east, north, pitch, _HALF + steps)
        for n in range(len(d)):
            shift[n], good[n] = _correlated(template[n], wide[n], steps)
        shift *= pitch
    if refine:
        shift, firm = _least_squares(cameras[j], pictures[j], d, east, north, template, shift, pitch)
        good &= firm
    if good.sum() < 4:
        return None
    d, east, north, shift = d[good], east[good], north[good], shift[good]
    other = d + shift[:, :1] * east + shift[:, 1:] * north
    other /= np.linalg.norm(other, axis=1, keepdims=True)
    ax, ay, _ = cameras[i].pixels(d)
    bx, by, _ = cameras[j].pixels(other)
    n = len(d)
    return Matches(
        first=np.full(n, i, dtype=np.intp), second=np.full(n, j, dtype=np.intp), a=np.stack([ax, ay], axis=1),
        b=np.stack([bx, by], axis=1), pitch=np.full(n, pitch), direction=d,
    )  # fmt: skip


def tangents(d: Doubles) -> tuple[Doubles, Doubles]:
    """Two unit vectors across each direction."""
    helper = np.where(np.abs(d[:, 1:2]) < 0.9, np.array([[0.0, 1.0, 0.0]]), np.array([[1.0, 0.0, 0.0]]))
    east = np.cross(helper, d)
    east /= np.linalg.norm(east, axis=1, keepdims=True)
    return east, np.cross(d, east)


def _patches(
    camera: Camera, picture: Single, d: Doubles, east: Doubles, north: Doubles, pitch: float, half: int,
    shift: Doubles | None = None,
) -> Doubles:  # fmt: skip
    """(n, s, s) look-ups round each direction, s = 2 half + 1; cubic."""
    line = np.arange(-half, half + 1) * pitch
    v, u = np.meshgrid(line, line, indexing="ij")
    size = len(line)
    out = np.empty((len(d), size, size))
    piece = max(1, _LONGEST // size)
    for start in range(0, len(d), piece):
        s = slice(start, start + piece)
        du, dv = (0.0, 0.0) if shift is None else (shift[s, 0, None, None], shift[s, 1, None, None])
        p = d[s, None, None, :] + (u + du)[..., None] * east[s, None, None, :] + (v + dv)[..., None] * north[
            s, None, None, :
        ]
        x, y, _ = camera.pixels(p)
        grid = [np.asarray(a, dtype=np.float32).reshape(-1, size) for a in (x, y)]
        found = cv2.remap(picture, grid[0], grid[1], cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE)
        out[s] = np.asarray(found).reshape(-1, size, size)
    return out


def _correlated(template: Doubles, wide: Doubles, steps: int) -> tuple[Doubles, bool]:
    """Shift in patch steps by normalised cross-correlation; false where the peak is weak or not alone."""
    score = cv2.matchTemplate(wide.astype(np.float32), template.astype(np.float32), cv2.TM_CCOEFF_NORMED)
    score = np.nan_to_num(np.asarray(score), nan=-1.0)
    y, x = np.unravel_index(int(np.argmax(score)), score.shape)
    best = float(score[y, x])
    if best < _BEST or not (0 < y < score.shape[0] - 1 and 0 < x < score.shape[1] - 1):
        return np.zeros(2), False
    near = score.copy()
    near[max(0, y - 2) : y + 3, max(0, x - 2) : x + 3] = -1
    if float(near.max()) > best - 0.05:
        return np.zeros(2), False
    fine = [_peak(score[y, x - 1 : x + 2]), _peak(score[y - 1 : y + 2, x])]
    return np.array([x - steps + fine[0], y - steps + fine[1]]), True


def _peak(three: Doubles) -> float:
    bend = float(three[0] - 2 * three[1] + three[2])
    return float(np.clip((three[0] - three[2]) / (2 * bend), -0.5, 0.5)) if bend < 0 else 0.0


def _least_squares(
    camera: Camera, picture: Single, d: Doubles, east: Doubles, north: Doubles, template: Doubles, shift: Doubles,
    pitch: float,
) -> tuple[Doubles, NDArray[np.bool_]]:  # fmt: skip
    """Shifts refined by Gauss-Newton, with gain and offset free (a patch is in another light of the lens)."""
    gu = np.gradient(template, pitch, axis=2).reshape(len(d), -1)
    gv = np.gradient(template, pitch, axis=1).reshape(len(d), -1)
    flat = template.reshape(len(d), -1)
    centred = flat - flat.mean(axis=1, keepdims=True)
    jacobian = np.stack([gu, gv, np.ones_like(flat), centred], axis=2)
    normal = np.einsum("npk,npl->nkl", jacobian, jacobian)
    sharp = np.linalg.eigvalsh(normal[:, :2, :2])[:, 0] * pitch**2
    firm = sharp > 0.05
    scale = np.einsum("nkk->nk", normal)
    normal = normal + np.eye(4) * (1e-6 * scale[:, None, :] + 1e-9)
    shift = shift.copy()
    step = np.zeros_like(shift)
    for _ in range(6):
        there = _patches(camera, picture, d, east, north, pitch, _HALF, shift).reshape(len(d), -1)
        residual = there - flat
        solved = np.linalg.solve(normal, -np.einsum("npk,np->nk", jacobian, residual)[..., None])[..., 0]
        step = np.clip(solved[:, :2], -2 * pitch, 2 * pitch)
        shift += step
    there = _patches(camera, picture, d, east, north, pitch, _HALF, shift).reshape(len(d), -1)
    there -= there.mean(axis=1, keepdims=True)
    spread_there, spread_here = there.std(axis=1), centred.std(axis=1)
    likeness = (there * centred).mean(axis=1) / np.maximum(spread_there * spread_here, 1e-12)
    firm &= (np.abs(step).max(axis=1) < 0.05 * pitch) & (likeness > 0.9)
    return shift, firm
