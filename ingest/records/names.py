"""File names as untrusted bytes: how they are shown, stored in JSON and made safe for a path of ours.

A name from a card is any bytes but ``/`` and NUL.  In memory it is a ``str`` with surrogate escapes.
"""

from __future__ import annotations

import re
import unicodedata

from ingest.errors import UsageError

_BIDI = {*range(0x202A, 0x202F), *range(0x2066, 0x206A), 0x200E, 0x200F, 0x061C}


def shown(name: str) -> str:
    r"""The name for a person: nothing that moves the cursor, turns the text or is no character.

    >>> shown("a\nb\udcff\u202eX")
    'a\\x0ab\\xff\\u202eX'
    """
    out: list[str] = []
    for ch in name:
        code = ord(ch)
        if 0xDC80 <= code <= 0xDCFF:
            out.append(f"\\x{code - 0xDC00:02x}")
        elif 0xD800 <= code <= 0xDFFF:
            out.append(f"\\u{code:04x}")
        elif code < 0x20 or 0x7F <= code < 0xA0:
            out.append(f"\\x{code:02x}")
        elif code in _BIDI or code in (0x2028, 0x2029):
            out.append(f"\\u{code:04x}")
        else:
            out.append(ch)
    return "".join(out)


def is_text(name: str) -> bool:
    """Whether the name is proper Unicode (can be encoded as UTF-8)."""
    try:
        name.encode("utf-8")
    except UnicodeEncodeError:
        return False
    return True


def to_json(name: str) -> dict[str, str]:
    """``{"path": text}``; where the bytes are no UTF-8 also ``path_bytes`` (hex), which then counts."""
    if is_text(name):
        return {"path": name}
    return {"path": shown(name), "path_bytes": name.encode("utf-8", "surrogateescape").hex()}


def from_json(value: dict[str, str]) -> str:
    """The inverse of :func:`to_json`."""
    if "path_bytes" in value:
        return bytes.fromhex(value["path_bytes"]).decode("utf-8", "surrogateescape")
    return value["path"]


_RESERVED = {"con", "prn", "aux", "nul", *(f"com{i}" for i in range(1, 10)), *(f"lpt{i}" for i in range(1, 10))}


def check_text(words: str) -> None:
    """UsageError for words of a person that are no text: bytes of no encoding, which no paper can hold."""
    try:
        words.encode("utf-8")
    except UnicodeEncodeError:
        raise UsageError("it holds bytes that are no text (UTF-8).", item=shown(words),
                         next="Type it again.") from None


ROLL_LONGEST = 64


def check_roll(words: str) -> str:
    r"""A roll name as a person gave it, without the blanks around it; UsageError for what no card can be called.

    It stands in tables, papers and notices and other programs make folders of it, so it is words on one line and no
    path.

    >>> check_roll(" A 012 (2) ")
    'A 012 (2)'
    """
    check_text(words)
    name = words.strip()
    if not name:
        raise UsageError("no roll name is given.", item=words, next="Say what stands on the card, such as A012.")
    if shown(name) != name or "/" in name or "\\" in name or name.strip(".") == "" or len(name) > ROLL_LONGEST:
        raise UsageError(f"it is no roll name: words on one line, no / or \\, up to {ROLL_LONGEST} characters.",
                         item=shown(name)[:80], next="Say what stands on the card, such as A012.")
    return name


def after_show(show: str, shot: str) -> str:
    """A shot as a name says it behind the show's code: without that code where the shot begins with it.

    >>> after_show("WEIR", "WEIR_020"), after_show("WEIR", "weir-020"), after_show("WEIR", "WEIRD_020")
    ('020', '020', 'WEIRD_020')
    """
    code, sign, rest = shot[: len(show)], shot[len(show) : len(show) + 1], shot[len(show) + 1 :]
    return rest if show and code.casefold() == show.casefold() and sign in ("_", "-") and rest else shot


def token(text: str, *, longest: int = 64) -> str:
    """One path part of our own making from any text, safe on every file system; "" for nothing usable.

    Letters, digits, ``-``, ``_`` and ``.`` stay, runs of anything else become one ``-``; no leading or
    trailing dot, space or dash; names Windows reserves get a trailing ``_``.

    >>> token("27 A/b: “night”"), token("con"), token("..")
    ('27-A-b-night', 'con_', '')
    """
    ascii_text = unicodedata.normalize("NFKD", text).encode("ascii", "ignore").decode()
    part = re.sub(r"[^A-Za-z0-9._-]+", "-", ascii_text)
    part = re.sub(r"-{2,}", "-", part).strip("-. ")[:longest].strip("-. ")
    if part.split(".")[0].lower() in _RESERVED:
        part += "_"
    return part
