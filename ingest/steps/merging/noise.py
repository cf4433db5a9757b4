"""How noisy a reading is: var(x) = floor + gain x, x = 1 at saturation.

``floor`` holds read noise and rounding, ``gain`` is one over the full well in electrons.  A factor of two
wrong in either costs less than half a per cent of efficiency, so a rough model will do.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, kw_only=True, slots=True)
class Noise:
    """``floor`` and ``gain`` of var(x) = floor + gain x; ``measured`` is false for the default."""

    floor: float
    gain: float
    measured: bool = False

    def at_iso(self, ratio: float) -> Noise:
        """The model of a frame whose ISO is ``ratio`` times as high: photons per reading fall with it,
        so gain grows in proportion; the read noise is taken to grow alike (amplified before the ADC)."""
        return Noise(floor=self.floor * max(ratio, 1e-6), gain=self.gain * ratio, measured=self.measured)


def default(top: float) -> Noise:
    """Full well 20000 electrons, read noise 5, rounding to whole codes (common practice, no source)."""
    return Noise(floor=(5.0 / 20000) ** 2 + 1 / (12 * top * top), gain=1 / 20000)
