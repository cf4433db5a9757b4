"""Due rules: which item, per what, under which condition, until when, and why it exists."""

from __future__ import annotations

import difflib
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from typing import Any

from ingest.errors import SettingsError


class Scope(StrEnum):
    """Per what an item is due.  ``CHANGE``: per setup, and again at each change of light, lens or camera that
    the log shows.  ``LIGHTING``: the same, but what was taken under the same named lighting setup that day
    serves all setups that name it."""

    CHANGE = "change"
    SETUP = "setup"
    LIGHTING = "lighting"
    DAY = "day"


class Deadline(StrEnum):
    """Until when a missing item can still be had."""

    SETUP = "setup"  # while its light stands: the end of the setup and a grace
    WRAP = "wrap"  # until the set is struck: the end of the shoot day
    NEVER = "never"  # mendable later


@dataclass(frozen=True, kw_only=True, slots=True)
class Rule:
    """``needs`` are breakdown tags of which the row must have one; empty: always due.  ``tick`` says whether
    a tick in the log's column counts where no file shows it."""

    item: str
    scope: Scope
    deadline: Deadline
    why: str
    needs: tuple[str, ...] = ()
    tick: bool = True
    on: bool = True


# The trade's defaults.  Reasons: visual effects society's on-set data guide (2026) and common practice.
DEFAULTS: tuple[Rule, ...] = (
    Rule(item="probe", scope=Scope.CHANGE, deadline=Deadline.SETUP, tick=False,
         why="light and reflections on the CG object; gone with the lamps"),
    Rule(item="clean_plate", scope=Scope.SETUP, deadline=Deadline.SETUP,
         why="paint needs the same frame without the subject; later the set, dressing or light has changed"),
    Rule(item="dirty_plate", scope=Scope.SETUP, deadline=Deadline.SETUP,
         why="balls and chart carried through the move show the light where the object will be"),
    Rule(item="chart", scope=Scope.SETUP, deadline=Deadline.SETUP, why="ties the cameras' colours to each other"),
    Rule(item="balls", scope=Scope.SETUP, deadline=Deadline.SETUP, on=False,
         why="ground truth for a known object, and the rescue of a clipped sun"),
    Rule(item="measured", scope=Scope.SETUP, deadline=Deadline.WRAP,
         why="scale and camera solve; gone when the set is struck"),
    Rule(item="camera_sheet", scope=Scope.SETUP, deadline=Deadline.SETUP, on=False,
         why="height and tilt are in no header"),
    Rule(item="lens_grid", scope=Scope.DAY, deadline=Deadline.NEVER, on=False,
         why="undistorting needs the grid of that very lens, until it goes back"),
    Rule(item="clock_check", scope=Scope.DAY, deadline=Deadline.NEVER, on=False,
         why="filing hangs on each body's clock; mendable while nobody sets it"),
)
ITEMS = tuple(r.item for r in DEFAULTS)


def default_rules(switches: Mapping[str, bool] | None = None) -> tuple[Rule, ...]:
    """The trade's rules with items switched on or off (``{"clean_plate": False}``); unknown names are ignored."""
    chosen = switches or {}
    return tuple(replace(r, on=chosen.get(r.item, r.on)) for r in DEFAULTS)


def parse_rules(tables: Sequence[Mapping[str, Any]], base: Iterable[Rule] = DEFAULTS) -> tuple[Rule, ...]:
    """Rules from the settings' tables (``item, scope, deadline, needs, why, tick, on``), each changing the
    rule of that item in ``base`` or adding a new one.

    Raises:
        SettingsError: all mistakes at once, each with its place and what is allowed.
    """
    rules = {r.item: r for r in base}
    problems: list[str] = []
    for n, table in enumerate(tables, 1):
        where = f"due.rules[{n}]"
        item = table.get("item")
        if not isinstance(item, str) or not item.isidentifier():
            problems.append(f"{where}.item: {item!r} is no item; known are {', '.join(ITEMS)}")
            continue
        changes, wrong = _changes(table, where)
        problems += wrong
        if item not in rules and not (changes.get("why") and "scope" in changes and "deadline" in changes):
            near = difflib.get_close_matches(item, ITEMS, n=1)
            hint = f"; nearest known is {near[0]}" if near else ""
            problems.append(f"{where}: the new item {item!r} needs scope, deadline and why{hint}")
        elif not wrong:
            old = rules.get(item) or Rule(item=item, scope=Scope.SETUP, deadline=Deadline.SETUP, why="")
            rules[item] = replace(old, **changes)
    if problems:
        raise SettingsError(tuple(problems))
    return tuple(rules.values())


_KEYS: Mapping[str, Any] = {"item": str, "scope": Scope, "deadline": Deadline, "needs": tuple, "why": str, "tick": bool,
                            "on": bool}


def _changes(table: Mapping[str, Any], where: str) -> tuple[dict[str, Any], list[str]]:
    changes: dict[str, Any] = {}
    problems = []
    for key, value in table.items():
        kind = _KEYS.get(key)
        if kind is None:
            near = difflib.get_close_matches(key, _KEYS, n=1)
            problems.append(f"{where}.{key}: no such key; known are {', '.join(near or _KEYS)}")
        elif kind in (Scope, Deadline):
            try:
                changes[key] = kind(value)
            except ValueError:
                problems.append(f"{where}.{key}: {value!r} is none of {', '.join(kind)}")
        elif kind is tuple:
            if isinstance(value, list | tuple) and all(isinstance(v, str) for v in value):
                changes[key] = tuple(value)
            else:
                problems.append(f"{where}.{key}: {value!r} is no list of tags")
        elif not isinstance(value, kind):
            problems.append(f"{where}.{key}: {value!r} is no {'text' if kind is str else 'true or false'}")
        elif key != "item":
            changes[key] = value
    return changes, problems
