"""The columns of the setup log: our names, and how else people and other departments head them.

The first group is the log that ``init`` writes; the second are the trade's further fields of a setup.  The
camera report CSV that the visual effects society's technology committee published in 2013 is read by
the same table: its first columns are Job, Unique Slate ID, Slate, Camera Letter, VFX Shot, Scene
Number, Shoot Day, Shoot Timestamp, Shot Description, Unit.  Other spellings: common practice, no source.
"""

from __future__ import annotations

FIRST = ("day", "shot", "setup", "start", "end", "camera", "lens", "notes")

SYNONYMS: dict[str, tuple[str, ...]] = {
    "day": ("date", "shoot day", "shooting day", "shoot date", "production day"),
    "shot": ("vfx shot", "shots", "shot name", "shot id", "vfx shots", "vfx id", "shot code"),
    "setup": ("set-up", "setup name", "setup id", "set up no", "setup no", "setup number"),
    "slate": ("slate no", "slate number", "board"),
    "start": ("start time", "from", "begin", "time in", "time", "in", "start local", "shoot time", "time start"),
    "end": ("end time", "to", "until", "time out", "out", "finish", "end local", "time end"),
    "timestamp": ("shoot timestamp", "time stamp", "date time"),
    "camera": ("cam", "camera letter", "taking camera", "cameras", "cam letter"),
    "lens": ("lens model", "lens name", "lenses"),
    "notes": ("note", "comment", "comments", "remarks", "remark", "shot description", "description"),
    "unit": ("shooting unit", "crew unit"),
    "take": ("takes", "take no", "tk", "take number"),
    "scene": ("scene number", "scene no", "sc"),
    "body": ("camera body", "camera serial", "body serial", "camera body serial"),
    "lens_serial": ("lens serial", "lens s n", "lens serial number", "lens sn"),
    "focal_length": ("focal", "focal length mm", "fl", "mm"),
    "sensor": ("active area", "sensor area", "sensor size", "sensor mm", "active sensor"),
    "stop": ("t stop", "tstop", "f stop", "aperture", "iris"),
    "focus": ("focus distance", "focus dist", "distance"),
    "camera_height": ("height", "lens height", "cam height", "camera ht", "ht"),
    "tilt": ("tilt angle", "camera tilt"),
    "filter": ("filters", "nd", "filtration"),
    "frame_rate": ("fps", "frame rate", "framerate", "frames per second"),
    "shutter": ("shutter angle", "shutter deg"),
    "white_balance": ("wb", "white", "colour temperature", "color temperature", "kelvin"),
    "sensitivity": ("ei", "iso", "asa"),
    "lighting": ("lighting setup", "light setup", "lighting state", "lighting note", "light"),
    "weather": ("sky", "sun"),
    "markers": ("tracking markers", "track markers", "marker"),
    "tags": ("breakdown", "needs", "breakdown tags", "vfx needs"),
    "object_height": ("object ht", "cg height", "cg object height"),
    "probe_height": ("probe ht", "hdri height"),
    "under_protest": ("protest",),
    # ticks: was it shot, is it not needed, was it given up
    "probe": ("hdri", "light probe", "hdr", "probe done"),
    "clean_plate": ("clean", "clean plates"),
    "dirty_plate": ("dirty", "dirty plates"),
    "chart": ("colour chart", "color chart", "charts"),
    "balls": ("ball", "grey ball", "gray ball", "mirror ball", "grey and mirror ball"),
    "measured": ("measurements", "measurement"),
    "lens_grid": ("grid", "grids", "lens grids"),
}

NEEDED = ("setup", "slate", "start", "timestamp")
