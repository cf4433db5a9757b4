"""The EXR door: each trap of the library it stands before."""

from __future__ import annotations

import io

import numpy as np
import pytest

from ingest.errors import NightloaderError, Unreadable
from ingest.machinery.worker import exr, preview

RGB = np.random.default_rng(1).random((24, 40, 3)).astype(np.float16)


@pytest.mark.parametrize("compression", exr.COMPRESSIONS)
def test_what_is_written_comes_back(compression: str) -> None:
    out = io.BytesIO()
    layer = np.asfortranarray(RGB[..., 1].astype(np.float32))  # not contiguous
    exr.write(out, {"RGB": RGB[::-1], "sigma.Y": layer}, {"isoSpeed": 100, "envmap": "latlong", "owner": ""},
              compression=compression)  # fmt: skip
    header, back = exr.read(out)
    assert np.array_equal(back["RGB"], RGB[::-1]) and np.array_equal(back["sigma.Y"], layer)
    assert header["isoSpeed"] == 100.0 and isinstance(header["isoSpeed"], float) and "owner" not in header


@pytest.mark.parametrize("bad", [np.inf, np.nan])
def test_no_infinity_and_no_nan(bad: float) -> None:
    light = RGB.copy()
    light[3, 4, 1] = bad
    with pytest.raises(NightloaderError, match="infinity"):
        exr.write(io.BytesIO(), {"RGB": light}, {})


@pytest.mark.parametrize(
    "attributes", [{"n": 2**40}, {"x" * 40: 1.0}, {"chromaticities": (1, 2)}, {"thing": object()}, {"raw": b"x"}]
)
def test_values_without_a_place_are_refused(attributes: dict[str, object]) -> None:
    with pytest.raises(NightloaderError):
        exr.write(io.BytesIO(), {"RGB": RGB}, attributes)


@pytest.mark.parametrize(("cut", "words"), [(0, "empty"), (4, "damaged"), (100, "damaged"), (900, "damaged")])
def test_a_damaged_file_is_refused(cut: int, words: str) -> None:
    out = io.BytesIO()
    exr.write(out, {"RGB": RGB}, {})
    with pytest.raises(Unreadable, match=words) as refused:
        exr.read(out.getvalue()[:cut])
    assert "buffer" not in str(refused.value) and refused.value.next


def test_what_is_no_exr_is_said_in_plain_words() -> None:
    with pytest.raises(Unreadable, match="no OpenEXR"):
        exr.read(b"\xff\xd8\xff\xe0" + bytes(500))


def test_preview_is_a_picture_of_sane_brightness() -> None:
    """Reinhard et al. 2002, equation 4: 0.18, 1, 4 give .1525, .5, .8; with white 4: .1543, .5313, 1.0."""
    assert preview.operator(np.array([0.18, 1, 4]), 4.0) == pytest.approx([0.1543, 0.5313, 1.0], abs=1e-4)
    light = np.full((200, 400, 3), 0.01, np.float16)
    light[50:60, 50:60] = 6e4
    import simplejpeg

    shown = simplejpeg.decode_jpeg(preview.make(light, 100), "RGB")
    assert shown.shape[1] == 100 and 60 < np.median(shown) < 200
