"""What a slate's code says: text for a QR code, and back.

Only the 45 signs of a QR code's alphanumeric mode are used (ISO/IEC 18004), so that the code stays small and
is read from far: version 4 or less at level Q for names of usual length.  Text:

    NL1:SHOW/SHOT/SETUP/ROLE/TAKE/UNIT/DAY/CAMERA:CHECK

Empty fields at the end are left out.  ``_`` is written ``*``, a small letter ``$`` and its capital, anything else
as ``%`` and two hex figures a byte of UTF-8.  CHECK is the CRC-16 of all before it: a foreign code, or half of
one, is no slate.
"""

from __future__ import annotations

import binascii
import re
from dataclasses import dataclass

from ingest.records.filing import SlateReading

ALPHANUMERIC = frozenset("0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ $%*+-./:")
ROLES = ("probe", "clean_plate", "dirty_plate", "chart", "balls", "reference")
_PLAIN = frozenset("0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ+-. ")
_FIELDS = ("show", "shot", "setup", "role", "take", "unit", "day", "camera")
_TEXT = re.compile(r"NL1:(?P<fields>[0-9A-Z $%*+\-./]*):(?P<check>[0-9A-F]{4})")
_SIGN = re.compile(r"%([0-9A-F]{2})|\$([A-Z])|(\*)|([0-9A-Z+\-. ])")
LONGEST = 200


@dataclass(frozen=True, kw_only=True, slots=True)
class Slate:
    """What stands on a slate.  ``role`` is one of ``ROLES`` or ""; ``day`` YYYY-MM-DD or "" (the day it is shot)."""

    setup: str
    show: str = ""
    shot: str = ""
    role: str = ""
    take: str = ""
    unit: str = ""
    day: str = ""
    camera: str = ""


def code_text(slate: Slate) -> str:
    """The text to put into the code.

    >>> code_text(Slate(setup="27A", shot="TL_0270", show="TIDE", role="probe"))
    'NL1:TIDE/TL*0270/27A/PROBE:4DDB'

    Raises:
        ValueError: no setup, an unknown role, or more text than a slate should carry.
    """
    if not slate.setup or (slate.role and slate.role not in ROLES):
        raise ValueError(f"a slate needs a setup, and a role of {', '.join(ROLES)} if any")
    values = [slate.role.upper() if name == "role" else getattr(slate, name) for name in _FIELDS]
    fields = "/".join(_escaped(v) for v in values).rstrip("/")
    text = f"NL1:{fields}"
    if len(text) > LONGEST:
        raise ValueError(f"the slate's text is {len(text)} signs long; at most {LONGEST} can be read from a picture")
    return f"{text}:{_check(text)}"


def read_code(text: str) -> Slate | None:
    """The slate a decoded code names; None for any other code, whatever it holds.

    >>> read_code("NL1:TIDE/TL*0270/27A/PROBE:4DDB").setup, read_code("https://example.org") is None
    ('27A', True)
    """
    found = _TEXT.fullmatch(text)
    if not found or len(text) > LONGEST + 5 or _check(text[:-5]) != found["check"]:
        return None
    parts = [_plain(p) for p in found["fields"].split("/")]
    if len(parts) > len(_FIELDS) or any(p is None for p in parts):
        return None
    values = dict(zip(_FIELDS, [p or "" for p in parts] + [""] * len(_FIELDS), strict=False))
    values["role"] = values["role"].lower()
    if not values["setup"] or values["role"] not in ("", *ROLES):
        return None
    return Slate(**values)


def reading(
    slate: Slate, *, at_s: float, body: str = "", item: str = "", source: str = "", tail: bool = False
) -> SlateReading:
    """A slate seen in a still of ``body`` at a true time, or in a clip (``item``)."""
    return SlateReading(
        setup=slate.setup, at_s=at_s, body=body, item=item, shot=slate.shot, take=slate.take, unit=slate.unit,
        day=slate.day, camera=slate.camera, role=slate.role, tail=tail, source=source,
    )


def _escaped(value: str) -> str:
    out = []
    for ch in value:
        if ch in _PLAIN:
            out.append(ch)
        elif ch == "_":
            out.append("*")
        elif "a" <= ch <= "z":
            out.append(f"${ch.upper()}")
        else:
            out += [f"%{b:02X}" for b in ch.encode("utf-8", "surrogatepass")]
    return "".join(out)


def _plain(field: str) -> str | None:
    data = bytearray()
    place = 0
    while place < len(field):
        found = _SIGN.match(field, place)
        if not found:
            return None
        code, small, line, plain = found.groups()
        data += bytes.fromhex(code) if code else (small.lower() if small else "_" if line else plain).encode()
        place = found.end()
    try:
        return data.decode("utf-8")
    except UnicodeDecodeError:
        return None


def _check(text: str) -> str:
    return f"{binascii.crc_hqx(text.encode('ascii', 'replace'), 0xFFFF):04X}"
