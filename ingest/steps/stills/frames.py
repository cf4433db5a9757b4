"""Files to frames: which files are one exposure, and what their names say.

Names follow DCF (CIPA DC-009 / JEITA CP-3461) where they can: folders ``NNNccccc``, files ``ccccNNNN.EXT``,
files of one folder with one number are one object.  Cameras that do not follow it still count upwards.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, fields, replace
from datetime import datetime

from ingest.records.frames import Frame
from ingest.records.stills import StillFile, StillHeader
from ingest.steps.stills.exposure import Exposure

_DCF_FILE = re.compile(r"([A-Z0-9_]{4})(\d{4})\Z", re.IGNORECASE)
_DCF_FOLDER = re.compile(r"([1-9]\d\d)[A-Z0-9_]{5}\Z", re.IGNORECASE)
_COUNTED = re.compile(r"(.*?)(\d{3,5})\Z", re.DOTALL)
_CLASSES = {
    "jpeg": {"jpg", "jpeg", "jpe", "jps", "mpo"},
    "heif": {"heic", "heif", "hif", "avif"},
    "tiff": {"tif", "tiff"},
    "other": {"png", "webp", "jxl", "bmp"},
}
_EPOCH = datetime(1970, 1, 1)  # noqa: DTZ001 - a body's own wall clock has no zone


@dataclass(frozen=True, kw_only=True, slots=True)
class Name:
    """What a path says: ``folder_number`` of a DCF folder, ``prefix`` (the free characters) and ``number`` of
    the file; None and "" where it says nothing.  ``dcf`` whether the file name keeps the rule."""

    folder_number: int | None
    prefix: str
    number: int | None
    dcf: bool


def name_of(path: str) -> Name:
    """Read a path on a card.

    >>> name_of("DCIM/100DEMO_/DEMO0007.DNG")
    Name(folder_number=100, prefix='DEMO', number=7, dcf=True)
    >>> name_of("20240401_175701.JPG").number is None  # a time, no counter
    True
    """
    parents, stem = _split(path)[:2]
    folder = _DCF_FOLDER.match(parents.rpartition("/")[2])
    folder_number = int(folder[1]) if folder else None
    if match := _DCF_FILE.match(stem):
        return Name(folder_number=folder_number, prefix=match[1].upper(), number=int(match[2]), dcf=True)
    counted = _COUNTED.match(stem)
    if counted and not counted[1][-1:].isdigit():
        return Name(folder_number=folder_number, prefix=counted[1], number=int(counted[2]), dcf=False)
    return Name(folder_number=folder_number, prefix=stem, number=None, dcf=False)


def class_of(path: str) -> str:
    """"jpeg", "heif", "tiff", "other" or "raw" (any other still), by extension."""
    extension = _split(path)[2]
    return next((name for name, known in _CLASSES.items() if extension in known), "raw")


def card_order(path: str) -> tuple[int, str, int, str, bool, str]:
    """A sort key that puts the paths of one card as the camera made them: by folder number, then file
    number, then name; the raw of a pair first.

    A roll-over from 9999 to 0001 comes with a new folder (DCF), so it stays in order.

    >>> sorted(["DCIM/101DEMO_/DEMO0001.JPG", "DCIM/100DEMO_/DEMO9999.JPG"], key=card_order)[0]
    'DCIM/100DEMO_/DEMO9999.JPG'
    """
    name, (parents, stem, _) = name_of(path), _split(path)
    folder = name.folder_number if name.folder_number is not None else 10_000
    number = name.number if name.number is not None else 100_000
    return (folder, parents, number, stem.lower(), class_of(path) != "raw", path)


def body_key(header: StillHeader | None) -> str:
    """``make|model|serial`` of the camera; "" where the header is silent about all three.

    The make is left out of a model that repeats it.
    """
    if header is None:
        return ""
    make, model, serial = ((v or "").strip() for v in (header.make, header.model, header.body_serial))
    if not (make or model or serial):
        return ""
    if make and model.lower().startswith(make.lower() + " "):
        model = model[len(make) + 1 :].strip()
    return f"{make}|{model}|{serial}"


def frame_id(first: StillFile) -> str:
    """What a frame goes by, given its first file: the file's digest; where that says nothing of the moment,
    because no header could be read, with the name behind it."""
    return first.digest if first.header is not None else f"{first.digest}/{_split(first.path)[1].lower()}"


def pair(files: Iterable[StillFile]) -> list[tuple[StillFile, ...]]:
    """The files of each exposure, raw first: of one folder and stem, one of each class.

    Files whose headers contradict each other are no pair, whatever their names.  A raw and a JPEG left
    alone on two cards of one body are one where name, moment and exposure agree.  The same content
    twice (a card and its dump) is one file, the first by (card, path); but what holds no header (empty files,
    clusters of zeros) is the same only under the same name.  The order of the input does not
    matter; the groups come sorted by their first file's (card, order on the card).
    """
    kept: dict[str, StillFile] = {}
    for file in sorted(files, key=lambda f: (f.card, f.path)):
        kept.setdefault(frame_id(file), file)
    by_stem: dict[tuple[str, str, str], list[StillFile]] = {}
    for file in kept.values():
        parents, stem, _ = _split(file.path)
        by_stem.setdefault((file.card, parents, stem.lower()), []).append(file)
    groups = [group for same in by_stem.values() for group in _agreeing(same)]
    return sorted(map(tuple, _across_cards(groups)), key=lambda g: (g[0].card, card_order(g[0].path)))


def agree(one: StillHeader | None, other: StillHeader | None) -> bool:
    """Whether two headers can be of one exposure: nothing that both say differs.

    Times may differ by two seconds (the files are stamped as they are written), the exposure by a
    tenth of a stop (raws often hold the exact value, JPEGs the mark).
    """
    if one is None or other is None:
        return True
    if one.taken and other.taken and abs((one.taken - other.taken).total_seconds()) > 2:
        return False
    for a, b in ((one.exposure_time_s, other.exposure_time_s), (one.f_number, other.f_number), (one.iso, other.iso)):
        if a and b and not 0.9 < a / b < 1.11:
            return False
    known = [(one.model, other.model), (one.body_serial, other.body_serial)]
    return all(a is None or b is None or a.lower() == b.lower() for a, b in known)


def as_frame(files: Sequence[StillFile], exposure: Exposure | None = None, *, card_index: int = 0) -> Frame:
    """The frame that these files of one exposure are, with everything but true time.

    Header values come from the first file that says them, the picture's from the first that decodes.
    ``exposure`` is its exact value (``exposure.snap_series``); without it marks stand as written.
    ``time_s`` is for the step ``clocks`` to fill in.
    """
    first = files[0]
    header = merged([f.header for f in files])
    look = next((f.look for f in files if f.look is not None and f.look.decodes), None)
    tried = [f.look for f in files if f.look is not None]
    name = name_of(first.path)
    said = header or StillHeader()
    if exposure is None:
        exposure = Exposure(
            time_s=None if said.exposure_time_s is None else float(said.exposure_time_s),
            f_number=None if said.f_number is None else float(said.f_number),
            iso=None if said.iso is None else float(said.iso),
        )
    return Frame(
        id=frame_id(first),
        body=body_key(header),
        shown_s=None if said.taken is None else (said.taken - _EPOCH).total_seconds(),
        tick_s=10.0**-said.subsec_digits,
        exposure_ev=exposure.ev,
        exposure_s=exposure.time_s,
        f_number=exposure.f_number,
        iso=exposure.iso,
        log2_brightness=None if look is None else look.log2_brightness,
        card=first.card,
        card_index=card_index,
        prefix=name.prefix,
        number=name.number,
        folder_number=name.folder_number,
        width=said.width or (look.width if look else None),
        height=said.height or (look.height if look else None),
        focal_mm=said.focal_length_mm,
        orientation=said.orientation,
        usable=not tried or look is not None,
        bracketed=_bracketed(said),
        exposure_bias_ev=None if said.exposure_bias_ev is None else float(said.exposure_bias_ev),
        composite=said.composite,
    )


def merged(headers: Sequence[StillHeader | None]) -> StillHeader | None:
    """One header of the files of one exposure: the first that can be read, what it leaves open filled from
    the others.  None if none can be read."""
    known = [h for h in headers if h is not None]
    if not known:
        return None
    first = known[0]
    for other in known[1:]:
        silent = [n for n in _OPTIONAL if getattr(first, n) is None and getattr(other, n) is not None]
        changes = {n: getattr(other, n) for n in silent}
        if "taken" in changes:
            changes["subsec_digits"] = other.subsec_digits
        if "exposure_time_s" in changes:
            changes["exposure_from_apex"] = other.exposure_from_apex
        first = replace(first, **changes)
    return first


_OPTIONAL = tuple(f.name for f in fields(StillHeader) if f.default is None)


def _bracketed(header: StillHeader) -> bool | None:
    if header.exposure_mode == 2 or (header.drive or "").startswith("auto bracket"):
        return True
    # One maker's tag covers continuous shooting and bracketing alike: it denies nothing.
    silent = header.exposure_mode is None and header.drive is None
    return None if silent or header.drive == "continuous or bracket" else False


def _agreeing(same: Sequence[StillFile]) -> list[list[StillFile]]:
    """Groups of one stem: one file of each class, none contradicting another."""
    groups: list[list[StillFile]] = []
    for file in sorted(same, key=lambda f: (class_of(f.path) != "raw", f.path)):
        for group in groups:
            fits = all(class_of(f.path) != class_of(file.path) and agree(f.header, file.header) for f in group)
            if fits:
                group.append(file)
                break
        else:
            groups.append([file])
    return groups


def _across_cards(groups: list[list[StillFile]]) -> list[list[StillFile]]:
    """Join a lone raw with the lone JPEG of another card that is the same exposure beyond doubt."""
    joined: dict[tuple[object, ...], list[list[StillFile]]] = {}
    rest: list[list[StillFile]] = []
    for group in groups:
        key = _identity(group[0]) if len(group) == 1 else None
        if key is None:
            rest.append(group)
        else:
            joined.setdefault(key, []).append(group)
    for alike in joined.values():
        files = sorted((g[0] for g in alike), key=lambda f: (class_of(f.path) != "raw", f.card, f.path))
        classes = [class_of(f.path) for f in files]
        cards = {f.card for f in files}
        if len(files) == 2 and len(cards) == 2 and classes[0] == "raw" != classes[1]:
            rest.append(files)
        else:
            rest.extend([f] for f in files)
    return rest


def _identity(file: StillFile) -> tuple[object, ...] | None:
    header = file.header
    if header is None or header.taken is None or not body_key(header):
        return None
    stem = _split(file.path)[1].lower()
    return (stem, body_key(header), header.taken, header.exposure_time_s, header.f_number, header.iso)


def _split(path: str) -> tuple[str, str, str]:
    """Parents, stem, and extension in lower case."""
    parents, _, name = path.rpartition("/")
    stem, dot, extension = name.rpartition(".")
    return (parents, stem, extension.lower()) if dot and stem else (parents, name, "")
