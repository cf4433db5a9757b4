"""Decoders: exact codes, and a named refusal for any bytes whatever."""

from __future__ import annotations

import io

import cv2
import numpy as np
import pytest
import simplejpeg
from hypothesis import given, settings
from hypothesis import strategies as st

from ingest.errors import Unreadable
from ingest.machinery.worker.decoders import still
from ingest.steps.merging.stack import Encoding
from tests import brackets

RNG = np.random.default_rng(1)
PICTURE = cv2.GaussianBlur(RNG.integers(0, 256, (48, 64, 3), dtype=np.uint8), (0, 0), 2)
SAMPLES = {
    "jpeg": bytes(simplejpeg.encode_jpeg(PICTURE, 95, "RGB", "420")),
    "grey": bytes(simplejpeg.encode_jpeg(np.ascontiguousarray(PICTURE[..., :1]), 95, "GRAY", "Gray")),
    "tiff": bytes(cv2.imencode(".tif", PICTURE.astype(np.uint16) * 257)[1]),
    "dng": brackets.dng(RNG.integers(600, 16000, (64, 96)).astype(np.uint16), black=512, white=16383,
                        pattern=((0, 1), (1, 2))),
}  # fmt: skip


@pytest.mark.parametrize("sampling", ["444", "422", "420"])
def test_jpeg_components_come_before_the_colour_conversion(sampling: str) -> None:
    """Our float RGB rounds to what another decoder (Pillow) gives, give or take one code."""
    from PIL import Image

    data = bytes(simplejpeg.encode_jpeg(PICTURE, 95, "RGB", sampling))
    picture = still.decode(data, "x")
    assert picture.layout == "ycc"
    codes = Encoding(layout="ycc", channels=3, top=255.0).codes(picture.codes)
    theirs = np.array(Image.open(io.BytesIO(data)).convert("RGB"), float)
    assert np.abs(np.clip(codes, 0, 255) - theirs).max() < 2.0
    assert np.abs(np.clip(codes, 0, 255) - theirs).mean() < 0.4


def test_tiff_and_raw_codes_are_exact() -> None:
    tiff = still.decode(SAMPLES["tiff"], "x")
    assert np.array_equal(tiff.codes[..., ::-1], PICTURE.astype(np.uint16) * 257) and tiff.top == 65535
    raw = still.decode(SAMPLES["dng"], "x")
    assert raw.layout == "mosaic" and raw.black == (512.0,) * 4 and raw.top == 16383
    assert raw.pattern is not None and raw.pattern.tolist() == [[0, 1], [1, 2]]
    assert raw.raw is not None and np.allclose(raw.raw.to_rec709, np.eye(3), atol=2e-3)


def test_a_real_profile_is_understood() -> None:
    from PIL import Image, ImageCms

    profile = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
    out = io.BytesIO()
    Image.fromarray(PICTURE).save(out, "JPEG", icc_profile=profile)
    found = still.decode(out.getvalue(), "x").profile
    assert found is not None and found.curve == "srgb"
    assert np.allclose(found.to_xyz.sum(axis=1), [0.9642, 1.0, 0.8249], atol=2e-3)


@pytest.mark.parametrize("kind", SAMPLES)
def test_cut_at_any_length_gives_a_named_refusal(kind: str) -> None:
    data = SAMPLES[kind]
    lengths = sorted({*range(0, min(len(data), 300), 7), *range(300, len(data) - 2, max(1, len(data) // 25))})
    for n in lengths:
        try:
            still.decode(data[:n], "CUT.X")
        except Unreadable as refusal:
            assert refusal.item == "CUT.X" and refusal.what and refusal.next
        else:
            assert n > 0.9 * len(data), f"{kind} cut at {n} of {len(data)} passed"


@given(st.data())
@settings(max_examples=60, deadline=None)
def test_any_bytes_give_a_picture_or_a_refusal(data: st.DataObject) -> None:
    whole = bytearray(SAMPLES[data.draw(st.sampled_from(sorted(SAMPLES)))])
    for _ in range(data.draw(st.integers(1, 8))):
        whole[data.draw(st.integers(0, len(whole) - 1))] = data.draw(st.integers(0, 255))
    try:
        still.decode(bytes(whole), "x")
    except Unreadable as refusal:
        assert refusal.item == "x"
