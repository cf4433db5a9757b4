"""From a TOML file to Settings: every mistake in one go, with its key, what was found and what is allowed."""

from __future__ import annotations

import difflib
import types
import typing
from pathlib import Path
from typing import Any

import tomli
from pydantic import BaseModel, ValidationError

from ingest.errors import SettingsError, UsageError
from ingest.settings.model import Settings

FILE_NAME = "nightloader.toml"


def find(start: Path) -> Path:
    """The settings file in ``start`` or above it; UsageError if there is none."""
    for folder in (start, *start.parents):
        if (folder / FILE_NAME).is_file():
            return folder / FILE_NAME
    raise UsageError(
        f"no {FILE_NAME} here or in a folder above.", item=str(start),
        next="Make a show with `nightloader init`, or name the file with --config.",
    )


def load(path: Path) -> Settings:
    """Read and check the whole file; SettingsError names every mistake together."""
    try:
        raw = path.read_bytes()
    except OSError as error:
        raise UsageError(f"cannot be read ({error.strerror}).", item=str(path), next="Check --config.") from error
    return parse(raw, home=path.resolve().parent, name=str(path))


def parse(raw: bytes, *, home: Path, name: str = FILE_NAME) -> Settings:
    """As :func:`load`, from bytes; relative paths will count from ``home``."""
    try:
        document = tomli.loads(raw.decode("utf-8-sig"))
    except UnicodeDecodeError as error:
        raise SettingsError((f"not UTF-8 at byte {error.start}. Save it as UTF-8.",), item=name) from None
    except tomli.TOMLDecodeError as error:
        raise SettingsError((f"not TOML: {error}.",), item=name) from None
    problems: list[str] = []
    settings: Settings | None = None
    try:
        settings = Settings.model_validate({**document, "home": home} if "home" not in document else document)
    except ValidationError as error:
        problems = [_words(e) for e in error.errors(include_url=False)]
    problems += _together(document)
    if problems or settings is None:
        raise SettingsError(tuple(problems), item=name)
    return settings


def _together(document: dict[str, Any]) -> list[str]:
    """Mistakes that no single key shows; looked for even where single keys are wrong."""
    found: list[str] = []
    listed = document.get("destinations")
    rows = [d for d in listed if isinstance(d, dict)] if isinstance(listed, list) else []
    if isinstance(listed, list) and sum(1 for d in rows if d.get("required", True) is True) < 2:
        found.append("destinations: fewer than two required; the copy policy asks for two or more. Add a disk.")
    paths = [str(d.get("path")) for d in rows]
    found += [f"destinations: {p} is named twice." for p in sorted({p for p in paths if paths.count(p) > 1})]
    bodies = document.get("bodies")
    serials = [str(b.get("serial")) for b in bodies if isinstance(b, dict) and b.get("serial")] \
        if isinstance(bodies, list) else []
    found += [f"bodies: serial {s} is named twice." for s in sorted({s for s in serials if serials.count(s) > 1})]
    return found


def _words(error: Any) -> str:
    where = ".".join(str(part) for part in error["loc"])
    kind = error["type"]
    if kind == "extra_forbidden":
        near = difflib.get_close_matches(str(error["loc"][-1]), _keys(error["loc"]), n=1, cutoff=0.5)
        known = ", ".join(_keys(error["loc"]))
        hint = f" Did you mean {near[0]}?" if near else f" Known here: {known}."
        return f"{where}: no such setting (found {_short(error['input'])}).{hint}"
    if kind == "missing":
        return f"{where}: missing. {_help(error['loc'])}"
    allowed = error["msg"].removeprefix("Value error, ")
    allowed = allowed[0].lower() + allowed[1:]
    return f"{where}: found {_short(error['input'])}; {allowed}. {_help(error['loc'])}".rstrip()


def _short(value: Any) -> str:
    text = repr(value)
    return text if len(text) <= 60 else text[:57] + "..."


def _model(annotation: Any) -> type[BaseModel] | None:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    if typing.get_origin(annotation) in (tuple, typing.Union, types.UnionType):
        for inner in typing.get_args(annotation):
            found = _model(inner)
            if found:
                return found
    return None


def _holder(loc: tuple[Any, ...]) -> type[BaseModel]:
    model: type[BaseModel] = Settings
    for part in loc[:-1]:
        if isinstance(part, int):
            continue
        field = model.model_fields.get(str(part))
        inner = _model(field.annotation) if field else None
        if inner is None:
            break
        model = inner
    return model


def _keys(loc: tuple[Any, ...]) -> list[str]:
    return [name for name in _holder(loc).model_fields if name != "home"]


def _help(loc: tuple[Any, ...]) -> str:
    field = _holder(loc).model_fields.get(str(loc[-1])) if loc else None
    return field.description or "" if field else ""
