"""Names and folders of what we make, by tokens: safe on every file system, never two items on one path.

A convention is checked when the settings are read.  Places are made for all items of a show at once, since
whether ``27A`` needs its day beside it depends on the other days.  Two things never share a path, also
where a file system ignores case: what would collide gets its day, then its unit, then a digest of the
words it was made from.  The same items get the same places in any order.
"""

from __future__ import annotations

import difflib
import hashlib
import re
import string
import unicodedata
from collections import defaultdict
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import TypeVar

from ingest.errors import SettingsError
from ingest.records.filing import Place
from ingest.records.names import after_show, token

LONGEST_PART = 40  # of a token; keeps whole paths within the 260 signs of older systems
LONGEST_STEM = 150
TBD = "tbd"
UNFILED = "unfiled"


@dataclass(frozen=True, kw_only=True, slots=True)
class Named:
    """One thing to be named.  ``kind`` chooses the folder: ``probe``, ``plate``, ``reference``.

    ``setup`` "" means unfiled, ``shots`` empty that no shot is known yet.  ``probe`` is what the thing is
    called within its setup ("" takes time and id: ``1503-3fa2``); ``id`` its stable id.
    """

    id: str
    kind: str = "probe"
    shots: tuple[str, ...] = ()
    setup: str = ""
    day: str = ""
    unit: str = ""
    probe: str = ""
    version: int = 1
    counter: int = 1
    camera: str = ""
    lens: str = ""
    take: str = ""
    time: str = ""  # HHMM local, of the first frame


# What may stand in a convention: token -> (an example for the check, what it means).
TOKENS: dict[str, tuple[str | int, str]] = {
    "show": ("TIDE", "code of the show"),
    "shot": ("TL_0270", f"shot as in the log, '{TBD}' while not known, '{UNFILED}' without a setup; behind {{show}}_ "
             "without the show's code where it begins with it"),
    "setup": ("27A", "setup as in the log; the day while unfiled"),
    "day": ("2026-04-01", "shoot day"),
    "unit": ("Main", "unit, '0' where none is named"),
    "probe": ("1503-3fa2", "name of the probe within its setup, never twice"),
    "version": (1, "version of the merge, such as {version:03d}"),
    "counter": (1, "running number within the setup, by time"),
    "camera": ("A", "taking camera's letter, or the body's nickname"),
    "lens": ("35mm", "lens as in the log"),
    "take": ("3", "take"),
    "time": ("1503", "local time of the first frame, HHMM"),
    "id": ("3fa2c1d0", "first eight signs of the item's id"),
}

# Ready-made trees: kind -> folder while filed with a shot, with a setup only, and unfiled.
Tree = Mapping[str, tuple[str, str, str]]
TREES: dict[str, Tree] = {
    "setup-tree": {
        "probe": ("shots/{base}/probes/{probe}", "shots/{base}/probes/{probe}", "unfiled/{day}/{probe}"),
        "plate": ("shots/{base}/plates", "shots/{base}/plates", "unfiled/{day}/plates"),
        "reference": ("shots/{base}/references", "shots/{base}/references", "unfiled/{day}/references"),
    },
    # After the open folder tree of the visual effects society's technology committee (On-Set VFX Data
    # Collection and Usage Guide 1.0.0, 2026, CC BY 4.0): light probes under the shoot, plates and stills
    # under the shot's elements, and a place for what is still to be sorted.
    "open-tree": {
        "probe": ("shoot/hdris/{base}/{probe}", "shoot/shots_to_be_sorted/hdris/{base}/{probe}",
                  "shoot/shots_to_be_sorted/hdris/unfiled/{day}/{probe}"),
        "plate": ("shots/{shot}/elements/plates/{setup}", "shoot/shots_to_be_sorted/plates/{base}",
                  "shoot/shots_to_be_sorted/plates/unfiled/{day}"),
        "reference": ("shots/{shot}/elements/stills/{setup}", "shoot/shots_to_be_sorted/stills/{base}",
                      "shoot/shots_to_be_sorted/stills/unfiled/{day}"),
    },
}


@dataclass(frozen=True, kw_only=True, slots=True)
class Convention:
    """A checked convention: a ready-made tree and the pattern of a file's stem."""

    show: str
    tree: str = "setup-tree"
    pattern: str = "{show}_{shot}_{setup}_{probe}_v{version:03d}"

    @classmethod
    def parse(cls, *, show: str, tree: str = "setup-tree", pattern: str = "") -> Convention:
        """A convention, or every mistake in it at once.

        >>> Convention.parse(show="TIDE", pattern="{show}_{stup}_{version:03d}")
        Traceback (most recent call last):
        ...
        ingest.errors.SettingsError: filing.probe_name: {stup} is no token; nearest is {setup}
        filing.probe_name: needs {probe} or {id}, or two probes of a setup would share a name

        Raises:
            SettingsError: an unknown tree or token, a format that does not fit, a sign no name may hold.
        """
        pattern = pattern or "{show}_{shot}_{setup}_{probe}_v{version:03d}"
        problems = [] if tree in TREES else [f"filing.convention: {tree!r} is none of {', '.join(TREES)}"]
        problems += pattern_problems(pattern)
        if not show or token(show) != show:
            problems.append(f"show.code: {show!r} is no code; letters, digits, - and _ only")
        if problems:
            raise SettingsError(tuple(problems))
        return cls(show=show, tree=tree, pattern=pattern)

    def places(self, items: Sequence[Named]) -> dict[str, Place]:
        """A place for every item, by id; no two share folder and stem, also ignoring case.

        Items of one id (versions of one probe) must differ in ``version`` and are given as several
        calls or distinct ids; ids must be unique here.
        """
        if len({i.id for i in items}) != len(items):
            raise ValueError("two items with one id")
        ordered = sorted(items, key=lambda i: (i.day, i.unit, i.setup, i.time, i.id))
        bases = _bases(ordered)
        probes = _probes(ordered, bases)
        shots = {s: _part(s) for i in ordered for s in i.shots}
        if _SHOW_AND_SHOT.search(self.pattern):
            shots = _without_show(self.show, shots)
        drafts = {i.id: self._draft(i, bases, probes[i.id], shots) for i in ordered}
        stems = _told_apart({n: ((d.folder, *d.also), d.stem, n) for n, d in drafts.items()})
        return {n: Place(folder=d.folder, stem=stems[n], also=d.also) for n, d in drafts.items()}

    def _draft(self, item: Named, bases: Mapping[Key, str], probe: str, shots: Mapping[str, str]) -> Place:
        with_shot, setup_only, unfiled = TREES[self.tree][item.kind]
        form = (with_shot if item.shots else setup_only) if item.setup else unfiled
        folders = []
        for shot in (item.setup and item.shots) or ("",):
            base = bases[_setup_key(item, shot)] if item.setup else ""
            words = {"base": base, "probe": probe, "day": _part(item.day, "no-day"), "shot": base.partition("/")[0],
                     "setup": base.partition("/")[2]}
            folders.append(form.format_map(words))
        stem = self._stem(item, probe, shots)
        return Place(folder=folders[0], stem=stem, also=tuple(f for f in dict.fromkeys(folders) if f != folders[0]))

    def _stem(self, item: Named, probe: str, shots: Mapping[str, str]) -> str:
        shot = (shots[item.shots[0]] if item.shots else TBD) if item.setup else UNFILED
        words: dict[str, str | int] = {
            "show": self.show, "shot": shot, "setup": _part(item.setup or item.day, "no-day"),
            "day": _part(item.day, "no-day"), "unit": _part(item.unit, "0"), "probe": probe, "version": item.version,
            "counter": item.counter, "camera": _part(item.camera, "0"), "lens": _part(item.lens, "0"),
            "take": _part(item.take, "0"), "time": _part(item.time, "0"), "id": _part(item.id[:8]),
        }
        stem = token(self.pattern.format_map(words), longest=400)
        if len(stem) <= LONGEST_STEM:
            return stem
        return f"{stem[: LONGEST_STEM - 20]}-{_digest(stem, 8)}_v{item.version:03d}"


_SHOW_AND_SHOT = re.compile(r"\{show\}[_-]\{shot\}")


def _without_show(show: str, shots: Mapping[str, str]) -> dict[str, str]:
    """Shots as a name says them right behind the show's code, which many shots begin with: once is enough.

    A shot keeps its whole name where what is left is another shot's name, or a word that stands for no shot.
    """
    kept = {part.casefold() for part in (*shots.values(), TBD, UNFILED)}
    short = {s: after_show(show, part) for s, part in shots.items()}
    meant: dict[str, set[str]] = defaultdict(set)
    for s, part in shots.items():
        meant[short[s].casefold()].add(part.casefold())
    free = {s for s, name in short.items() if token(name, longest=400) == name and name.casefold() not in kept
            and len(meant[name.casefold()]) == 1}
    return {s: short[s] if s in free else part for s, part in shots.items()}


def pattern_problems(pattern: str) -> list[str]:
    """What is wrong with a stem's pattern, in words; empty if nothing."""
    where = "filing.probe_name"
    try:
        fields = [(name, spec) for _, name, spec, _ in string.Formatter().parse(pattern) if name is not None]
    except ValueError as error:
        return [f"{where}: {pattern!r} has an unpaired brace ({error})"]
    problems = []
    for name, _ in fields:
        if name not in TOKENS:
            near = difflib.get_close_matches(name, TOKENS, n=1)
            nearest = f"nearest is {{{near[0]}}}" if near else f"known are {', '.join(TOKENS)}"
            problems.append(f"{where}: {{{name}}} is no token; {nearest}")
    names = {name for name, _ in fields}
    if not names & {"probe", "id"}:
        problems.append(f"{where}: needs {{probe}} or {{id}}, or two probes of a setup would share a name")
    if "version" not in names and not problems:
        problems.append(f"{where}: needs {{version}}, or a second merge would have nowhere to go")
    if problems:
        return problems
    try:
        example = pattern.format_map({name: value for name, (value, _) in TOKENS.items()})
    except (ValueError, KeyError, IndexError, AttributeError, TypeError) as error:
        return [f"{where}: a format does not fit its token ({error}); {{version:03d}} is an example"]
    if token(example, longest=400) != example:
        return [f"{where}: {example!r} is not safe on every file system; use letters, digits, - _ and . between tokens"]
    if len(example) > LONGEST_STEM:
        return [f"{where}: makes names of {len(example)} signs; at most {LONGEST_STEM}"]
    return []


def _digest(text: str, signs: int) -> str:
    return hashlib.sha256(text.encode("utf-8", "surrogatepass")).hexdigest()[:signs]


def _part(text: str, otherwise: str = "") -> str:
    """One safe path part that is never empty; what was cut, or lost letters of another script, is told apart by a
    digest: two shots must not share a folder.

    >>> _part("27 Ä"), _part("港_010"), _part("海_010")
    ('27-A', '010-f4db3022', '010-72b18ac2')
    """
    if not text:
        return otherwise or "0"
    part = token(text, longest=400)
    if part and len(part) <= LONGEST_PART and not _loses_letters(text):
        return part
    kept = part[: LONGEST_PART - 9].strip("_-.")
    return f"{kept}-{_digest(text, 8)}" if kept else f"x{_digest(text, 8)}"


def _loses_letters(text: str) -> bool:
    """Whether a letter or digit of a name has no Latin base letter to stand for it."""
    return any(c.isalnum() and not c.isascii() for c in unicodedata.normalize("NFKD", text))


def _setup_key(item: Named, shot: str) -> Key:
    return (shot, item.setup, item.day, item.unit)


Key = tuple[str, str, str, str]  # shot, setup, day, unit


def _bases(items: Iterable[Named]) -> dict[Key, str]:
    """Key -> ``<shot>/<setup>``; day, unit, digest are added only where needed."""
    keys = {_setup_key(i, shot) for i in items if i.setup for shot in i.shots or ("",)}

    def plain(key: Key) -> str:
        shot, setup, day, _ = key
        name = _part(setup)
        return f"{_part(shot)}/{name}" if shot else f"{TBD}/{_part(day, 'no-day')}_{name}"

    def with_day(key: Key) -> str:
        return f"{plain(key)}_{_part(key[2], 'no-day')}" if key[0] else plain(key)

    def with_unit(key: Key) -> str:
        return f"{with_day(key)}_{_part(key[3], 'main')}"

    found = _separated(keys, [plain, with_day, with_unit])
    return _told_apart({key: (("",), base, "\0".join(key)) for key, base in found.items()})


def _separated(
    keys: Iterable[Key], forms: Sequence[Callable[[Key], str]]
) -> dict[Key, str]:
    """Each key in the first form that tells it from the others (the last, if none does)."""
    left = sorted(keys)
    done: dict[Key, str] = {}
    for n, form in enumerate(forms):
        groups = defaultdict(list)
        for key in left:
            groups[form(key).casefold()].append(key)
        last = n == len(forms) - 1
        left = []
        for group in groups.values():
            if len(group) == 1 or last:
                done.update({key: form(key) for key in group})
            else:
                left += group
    return done


def _probes(items: Iterable[Named], bases: Mapping[Key, str]) -> dict[str, str]:
    """Item id -> its name within its setup; all shots of a setup call it the same."""
    wanted = {}
    for item in items:
        name = _part(item.probe or "-".join(p for p in (item.time, item.id[:4]) if p))
        homes = tuple(bases[_setup_key(item, s)] for s in item.shots or ("",)) if item.setup else (f"/{item.day}",)
        wanted[item.id] = (homes, name, item.id)
    return _told_apart(wanted)


K = TypeVar("K")


def _told_apart(wanted: Mapping[K, tuple[Sequence[str], str, str]]) -> dict[K, str]:
    """A name per key, from (folders it will stand in, name, what tells it apart).

    Names that meet in a folder, ignoring case, get a digest of their third word, longer until none meet.
    """
    names = {k: name for k, (_, name, _) in wanted.items()}
    for signs in (4, 8, 16, 64):
        groups = defaultdict(list)
        for key, name in names.items():
            for folder in dict.fromkeys(f.casefold() for f in wanted[key][0]):
                groups[folder, name.casefold()].append(key)
        twins = {key for group in groups.values() if len(group) > 1 for key in group}
        if not twins:
            break
        for key in twins:
            names[key] = f"{wanted[key][1]}-{_digest(wanted[key][2], signs)}"
    return names
