"""A merge: what the worker is asked (:class:`MergeRequest`) and what it answers (:class:`MergeRecord`).

Both travel between processes as plain JSON values (``to_json``/``from_json``).  The answer is also what
the record beside the picture is made from.

Units: exposures in seconds, f-numbers and ISO as exact values (already snapped from nominal marks where
that applies), ``scale`` in seconds per square f-number times ISO over 100 (:func:`exposure_units`).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field, fields
from typing import Any

#: Colour spaces by name; the primaries live in ``steps.merging.colour``.
COLOUR_SPACES = ("rec709", "acescg", "aces2065-1")
#: What a picture shows of the world (CONTRACT: kinds of a probe).
KINDS = ("lat-long", "dual-fisheye", "fisheye", "flat", "mirror-ball", "unknown")


def exposure_units(exposure_s: float, f_number: float | None, iso: float | None) -> float:
    """Relative exposure t x S / N^2 with S in ISO/100 (APEX in linear form; Exif 2.3 annex C).

    A missing f-number counts as f/1 and a missing ISO as 100: constant factors within a set.

    >>> exposure_units(1 / 64, 2.0, 200)
    0.0078125
    """
    return exposure_s * ((iso or 100.0) / 100.0) / (f_number or 1.0) ** 2


@dataclass(frozen=True, kw_only=True, slots=True)
class MergeFrame:
    """One exposure to merge: header facts that the pixels cannot tell.

    ``name`` is for words in findings and errors, ``digest`` travels through to the record.
    ``exposure_s``, ``f_number`` and ``iso`` are exact values; ``nominal`` says that they were snapped
    from the marks of a dial.  ``captured`` is the body's wall clock as ``YYYY:MM:DD hh:mm:ss`` and
    ``utc_offset_s`` local minus UTC (the sign of Exif).  ``white_balance`` is Exif A403 (0 auto,
    1 manual), ``colour_space`` Exif A001.  ``orientation`` is the Exif value 1 to 8.
    """

    name: str
    exposure_s: float
    f_number: float | None = None
    iso: float | None = None
    nominal: bool = False
    digest: str = ""
    make: str = ""
    model: str = ""
    serial: str = ""
    lens: str = ""
    captured: str = ""
    utc_offset_s: int | None = None
    white_balance: int | None = None
    colour_space: int | None = None
    orientation: int = 1

    @property
    def units(self) -> float:
        """Relative exposure; see :func:`exposure_units`."""
        return exposure_units(self.exposure_s, self.f_number, self.iso)

    @property
    def ceiling_cd_m2(self) -> float | None:
        """The luminance that saturates it: 78 N^2 / (0.65 S t), None where the header is silent.

        Saturation-based speed (ISO 12232) with the lens term of ISO 2720; no ND filter, which no header tells.
        """
        if not (self.f_number and self.iso):
            return None
        return 78.0 * self.f_number**2 / (0.65 * self.iso * self.exposure_s)

    @classmethod
    def from_json(cls, value: Mapping[str, Any]) -> MergeFrame:
        return cls(**_known(cls, value))


@dataclass(frozen=True, kw_only=True, slots=True)
class KeptCurve:
    """A response curve recovered earlier for a body and picture style.

    ``knots`` are the logarithms of the corrections to the sRGB decoding at ``at`` (natural logarithms of
    sRGB-decoded light, 0 = saturation), one list a channel; ``residual`` the rms misfit in log light,
    ``sets`` how many brackets it rests on.
    """

    at: tuple[float, ...]
    knots: tuple[tuple[float, ...], ...]
    residual: float
    sets: int = 1

    @classmethod
    def from_json(cls, value: Mapping[str, Any]) -> KeptCurve:
        return cls(
            at=tuple(float(v) for v in value["at"]),
            knots=tuple(tuple(float(v) for v in k) for k in value["knots"]),
            residual=float(value["residual"]),
            sets=int(value.get("sets", 1)),
        )


@dataclass(frozen=True, kw_only=True, slots=True)
class ChartColour:
    """A body's colour correction from a photographed 24-patch chart.

    ``matrix`` takes grey-balanced linear camera R, G, B to linear Rec.709, row major, rows summing to 1.  ``digest``
    is the still it was measured in, ``source`` raw, jpeg or tiff, ``reference`` the published set of colours.  Mean
    and largest colour difference after the fit and the mean with the balance alone are CIE 1976 L*a*b*.
    """

    digest: str
    source: str
    matrix: tuple[float, ...]
    reference: str
    patches: int
    delta_e: float
    delta_e_max: float
    before: float

    @property
    def helps(self) -> bool:
        """Whether it leaves less error than the balance alone."""
        return self.delta_e < self.before

    @property
    def words(self) -> str:
        return (
            f"Colour matrix from the chart in f{self.digest.rpartition(':')[2][:10]}: {self.patches} patches against"
            f" the colours published for charts {self.reference}, mean error {self.delta_e:g} and largest"
            f" {self.delta_e_max:g} (CIE 1976), with the balance alone {self.before:g}"
        )

    def to_json(self) -> dict[str, Any]:
        return asdict(self)


@dataclass(frozen=True, kw_only=True, slots=True)
class PixelSettings:
    """The settings that change a merged picture; those of the cart (memory, workers) do not."""

    colour_space: str
    reference_exposure_s: float
    reference_f_number: float
    reference_iso: float
    chart_colour: bool

    def __post_init__(self) -> None:
        if self.colour_space not in COLOUR_SPACES:
            raise ValueError(f"unknown colour space {self.colour_space!r}; known: {', '.join(COLOUR_SPACES)}")
        if not min(self.reference_exposure_s, self.reference_f_number, self.reference_iso) > 0:
            raise ValueError("a reference exposure is above zero in time, f-number and ISO")

    def to_json(self) -> dict[str, Any]:
        return asdict(self)

    @classmethod
    def from_json(cls, value: Mapping[str, Any]) -> PixelSettings:
        numbers = ("reference_exposure_s", "reference_f_number", "reference_iso")
        return cls(colour_space=str(value["colour_space"]), chart_colour=bool(value["chart_colour"]),
                   **{name: float(value[name]) for name in numbers})


@dataclass(frozen=True, kw_only=True, slots=True)
class Again:
    """A person asked for a probe to be merged again.  ``token`` tells one asking from the next; "" takes an asking
    back, and the probe is merged as it always was.  ``settings`` are those to use, None for the show's own."""

    token: str = ""
    settings: PixelSettings | None = None

    def to_json(self) -> dict[str, Any]:
        return {"token": self.token, "settings": self.settings.to_json() if self.settings is not None else None}

    @classmethod
    def from_json(cls, value: Mapping[str, Any]) -> Again:
        settings = value.get("settings")
        return cls(token=str(value.get("token", "")), settings=PixelSettings.from_json(settings) if settings else None)


@dataclass(frozen=True, kw_only=True, slots=True)
class MergeRequest:
    """What the job ``merge`` is asked.

    ``reference_*`` is the exposure at which pixel 1.0 saturates.  ``memory_bytes`` bounds what the merge
    keeps at once (frames beyond it are spilled to an unnamed temporary file).  ``curve`` is a response
    kept for the body.  ``matrix`` is a chart-fitted 3x3 from balanced camera channels to linear Rec.709,
    row major (:class:`ChartColour`).  ``encoding`` says how TIFF codes relate to light ("auto", "linear" or "srgb").
    ``align``, ``movement`` and ``refine`` may be switched off; what was done is recorded either way.
    ``compare`` ("png" or "jpg") asks for the comparison picture in a third file, ``picture`` for one of the
    findings in the answer (``findings_picture``: a JPEG, base64; "" where there is none).
    ``quick`` is a first look: none of the three, readings summed over exposures, no layers.
    """

    frames: tuple[MergeFrame, ...]
    kind: str = "flat"
    colour_space: str = "rec709"
    reference_exposure_s: float = 1 / 64
    reference_f_number: float = 2**2.5
    reference_iso: float = 100.0
    memory_bytes: int = 1_000_000_000
    threads: int = 1
    curve: KeptCurve | None = None
    matrix: tuple[float, ...] | None = None
    encoding: str = "auto"
    compression: str = "zip"
    layers: bool = True
    refine: bool = True
    align: bool = True
    movement: bool = True
    quick: bool = False
    compare: str = ""
    picture: bool = False
    preview_width: int = 1600
    software: str = ""

    def __post_init__(self) -> None:
        if not self.frames:
            raise ValueError("a merge needs at least one frame")
        if self.colour_space not in COLOUR_SPACES:
            raise ValueError(f"unknown colour space {self.colour_space!r}; known: {', '.join(COLOUR_SPACES)}")
        if self.compare not in ("", "png", "jpg"):
            raise ValueError(f"a comparison picture is png or jpg, not {self.compare!r}")
        if self.matrix is not None and len(self.matrix) != 9:
            raise ValueError("a colour matrix has nine numbers")
        for f in self.frames:
            if not (f.exposure_s > 0 and f.units > 0):
                raise ValueError(f"{f.name}: an exposure must be above zero")

    @property
    def reference_units(self) -> float:
        """Relative exposure at which pixel 1.0 saturates."""
        return exposure_units(self.reference_exposure_s, self.reference_f_number, self.reference_iso)

    @property
    def white_luminance(self) -> float:
        """cd/m2 of pixel 1.0: 78 N^2 / (0.65 S t) of the reference exposure (saturation-based speed,
        ISO 12232: H_sat = 78/S; 0.65 = lens transmission term of ISO 2720)."""
        s, n = self.reference_iso, self.reference_f_number
        return 78.0 * n * n / (0.65 * s * self.reference_exposure_s)

    def to_json(self) -> dict[str, Any]:
        return asdict(self)

    @classmethod
    def from_json(cls, value: Mapping[str, Any]) -> MergeRequest:
        known = _known(cls, value)
        known["frames"] = tuple(MergeFrame.from_json(f) for f in value["frames"])
        if known.get("curve") is not None:
            known["curve"] = KeptCurve.from_json(value["curve"])
        if known.get("matrix") is not None:
            known["matrix"] = tuple(float(v) for v in value["matrix"])
        return cls(**known)


@dataclass(frozen=True, kw_only=True, slots=True)
class FrameOutcome:
    """What became of one frame, in the order dark to bright.

    ``index`` is its place in the request.  ``correction`` multiplies the exact exposure (1 = as the
    header says) and ``sigma`` is its standard deviation; ``flicker`` marks one that left its
    neighbours.  ``shift_px`` is (x, y) against the reference frame, None where not aligned.
    ``moved_share`` is the share of its pixels left out as moving, ``clipped_share`` of those at the
    clip level, which lies at ``clip_code``.  ``used`` is false where the frame gave nothing.
    """

    index: int
    name: str
    digest: str
    exposure_s: float
    f_number: float | None
    iso: float | None
    nominal: bool
    correction: float
    sigma: float
    flicker: bool = False
    shift_px: tuple[float, float] | None = None
    moved_share: float = 0.0
    clipped_share: float = 0.0
    clip_code: float = 0.0
    used: bool = True


@dataclass(frozen=True, kw_only=True, slots=True)
class MergeRecord:
    """The answer of the job ``merge``; field by field what the record beside the picture holds.

    ``noise`` is the model var(x) = floor + gain x, x = 1 at saturation.  ``clipped`` describes what the
    shortest frame could not hold: ``share`` of pixels, ``solid_angle_sr`` (lat-long only), ``stops`` (by
    how many the sun's disc would stand over the bracket's ceiling, where what clips is as small as the sun; else null:
    clipped pixels themselves do not say), ``over`` the same for each of a few known sources.
    ``checks`` says of each check on the frames whether it could be made, why not, and of which ``frames`` it says
    nothing.  ``stops_covered`` is from the noise floor of the longest frame to the clip level of the shortest.
    ``curve`` is what to keep for the body, null where none was recovered.  ``done`` says in words what was decided and
    why.
    """

    width: int
    height: int
    kind: str
    source: str  # "jpeg", "tiff" or "raw"
    colour_space: str
    pixel_type: str  # "half" or "float"
    scale: float
    white_luminance: float
    calibrated: bool
    frames: tuple[FrameOutcome, ...]
    reference_frame: int
    response: Mapping[str, Any]
    noise: Mapping[str, float]
    clipped: Mapping[str, Any]
    stops_covered: float
    movement_share: float
    statistics: Mapping[str, Any]
    attributes: Mapping[str, Any]
    layers: tuple[str, ...]
    findings: tuple[Mapping[str, Any], ...] = ()
    checks: tuple[Mapping[str, Any], ...] = ()
    done: tuple[str, ...] = ()
    curve: Mapping[str, Any] | None = None
    seconds: Mapping[str, float] = field(default_factory=dict)

    def to_json(self) -> dict[str, Any]:
        return asdict(self)

    @classmethod
    def from_json(cls, value: Mapping[str, Any]) -> MergeRecord:
        known = _known(cls, value)
        known["frames"] = tuple(FrameOutcome(**_shift(_known(FrameOutcome, f))) for f in value["frames"])
        for name in ("layers", "findings", "checks", "done"):
            known[name] = tuple(known.get(name, ()))
        return cls(**known)


def _shift(value: dict[str, Any]) -> dict[str, Any]:
    if value.get("shift_px") is not None:
        x, y = value["shift_px"]
        value["shift_px"] = (float(x), float(y))
    return value


def _known(cls: type, value: Mapping[str, Any]) -> dict[str, Any]:
    """The keys of ``value`` that the record has: a newer writer's extra fields are let pass."""
    names = {f.name for f in fields(cls)}
    return {k: v for k, v in value.items() if k in names}


def sequence(value: Sequence[float]) -> tuple[float, ...]:
    """Numbers as a tuple of plain floats, as JSON holds them."""
    return tuple(float(v) for v in value)
