"""A resampled frame beside what it clips."""

from __future__ import annotations

import cv2
import numpy as np

from ingest.steps.merging import resample
from ingest.steps.merging.radiance import FrameModel
from ingest.steps.merging.stack import Encoding, Stack
from tests import brackets


def test_what_shorter_frames_say_stands_in_for_clipped_readings() -> None:
    """A soft lamp that only the longer frame clips, half a pixel away: from two pixels beside it on, the longer
    frame's own readings are used again, and right within the kernel's own error at half a pixel (.7 % here);
    they were lost for as far as the kernel reaches."""
    fine = np.full((4 * 64, 4 * 64, 3), 0.1)
    y, x = np.mgrid[0 : 4 * 64, 0 : 4 * 64] / 4
    fine += (0.9 * np.exp(-((y - 32) ** 2 + (x - 32) ** 2) / 50))[..., None]
    shifts = ((0.0, 0.0), (0.5, 0.5))
    exposures = (0.5, 2.0)
    codes = tuple(np.rint(np.minimum(brackets.optics(fine, *at) * s, 1) * 65535).astype(np.uint16)
                  for at, s in zip(shifts, exposures, strict=True))  # fmt: skip
    encoding = Encoding(layout="rgb", channels=3, top=65535.0, black=(0.0,) * 3, unit=(1 / 65535,) * 3)
    stack = Stack(frames=codes, encoding=encoding, clips=(0.999, 0.999))
    models = [FrameModel(s=s, clip=0.999, floor=1e-9, gain=1e-3) for s in exposures]
    light, usable, _ = resample.aligned(stack, 1, (0, 64, 0, 64), shifts, models, 0)
    truth = brackets.optics(fine) * exposures[1]
    clipped = (brackets.optics(fine, 0.5, 0.5) * exposures[1] >= 0.999).any(axis=2).astype(np.uint8)
    beside = (cv2.dilate(clipped, np.ones((9, 9))) > 0) & (cv2.dilate(clipped, np.ones((5, 5))) == 0)
    assert beside.sum() > 50 and (usable[beside] > 0).all()
    assert np.abs(light[beside] / truth[beside] - 1).max() < 0.01
    assert not usable[truth > 1.05].any()
