"""How a lat-long picture of ours says where its pixel centres lie.

OpenEXR's ``envmap`` attribute (``ImfEnvmap.h``) puts the centres of the corner pixels on pole and seam.
A merged frame of a camera keeps the camera's own pixels, whose centres lie half a pixel inside, and still
carries ``envmap``, by which other programs know a lat-long.  So every lat-long of ours states its centres
in an attribute of its own, and that word wins wherever we read one.
"""

from __future__ import annotations

ATTRIBUTE = "latlongPixelCentres"
ON_EDGES = "corner pixel centres on pole and seam"
INSIDE = "pixel centres half a pixel inside"
