"""From a TOML file to Settings: every mistake in one go, with its key, what was found and what is allowed."""

from __future__ import annotations

import difflib
import importlib.util
import types
import typing
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import tomli
from pydantic import BaseModel, ValidationError

from ingest.errors import SettingsError, UsageError
from ingest.records.names import shown
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
    copying = document.get("copying")
    digests = copying.get("digests") if isinstance(copying, dict) else None
    if isinstance(digests, list) and "blake3" in digests and importlib.util.find_spec("blake3") is None:
        found.append("copying.digests: blake3 is not installed here. Install nightloader[blake3], or choose another.")
    bodies = document.get("bodies")
    serials = [str(b.get("serial")) for b in bodies if isinstance(b, dict) and b.get("serial")] \
        if isinstance(bodies, list) else []
    found += [f"bodies: serial {s} is named twice." for s in sorted({s for s in serials if serials.count(s) > 1})]
    return found


def _words(error: Any) -> str:
    where, kind = _where(error["loc"]), error["type"]
    if kind == "extra_forbidden":
        near = difflib.get_close_matches(str(error["loc"][-1]), _keys(error["loc"]), n=1, cutoff=0.5)
        known = ", ".join(_keys(error["loc"]))
        hint = f" Did you mean {near[0]}?" if near else f" Known here: {known}."
        return f"{where}: no such setting (found {_short(error['input'])}).{hint}"
    if kind == "missing":
        return f"{where}: missing. {_to_add(error['loc'])}"
    return f"{where}: found {_short(error['input'])}; {_allowed(error)}. {_help(error['loc'])}".rstrip()


def _where(loc: tuple[Any, ...]) -> str:
    """``destinations, entry 2, path`` for a key in the second block of that name."""
    words, after = "", ""
    for part in loc:
        words += f", entry {part + 1}" if isinstance(part, int) else f"{after}{part}"
        after = ", " if isinstance(part, int) else "."
    return words


def _to_add(loc: tuple[Any, ...]) -> str:
    if isinstance(loc[-1], int):
        return f"It is a list with an entry more. {_help(loc[:-1])}".rstrip()
    field = _holder(loc).model_fields.get(str(loc[-1]))
    inner = _model(field.annotation) if field else None
    if field is not None and inner is not None:
        needed = [name for name, f in inner.model_fields.items() if f.is_required()]
        many = typing.get_origin(field.annotation) is tuple
        block = f"[[{loc[-1]}]]" if many else f"[{loc[-1]}]"
        return f"Add {block} with {' and '.join(needed)}; `nightloader init` writes a whole file."
    section = ".".join(str(part) for part in loc[:-1] if not isinstance(part, int))
    block = f"[[{section}]]" if any(isinstance(part, int) for part in loc) else f"[{section}]"
    return f"Add `{loc[-1]} = ...` under {block}: {_help(loc)}"


# What pydantic calls a mistake, in words of the file that the person has open.
_ALLOWED: Mapping[str, str] = {
    **dict.fromkeys(("string_type", "path_type", "string_unicode"), "it must be text in quotes"),
    **dict.fromkeys(("bool_type", "bool_parsing"), "it must be true or false"),
    **dict.fromkeys(("int_type", "int_parsing", "int_from_float", "int_parsing_size"), "it must be a whole number"),
    **dict.fromkeys(("float_type", "float_parsing"), "it must be a number"),
    "finite_number": "it must be a number that has an end",
    **dict.fromkeys(("tuple_type", "list_type", "set_type", "frozen_set_type"),
                    "it must be a list in brackets, such as [1, 2] or [\"one\", \"two\"]"),
    **dict.fromkeys(("dict_type", "model_type", "model_attributes_type", "mapping_type"),
                    "it must be a section of its own, or pairs such as {{name = value}}"),
    "literal_error": "it must be {expected}",
    "greater_than_equal": "it must be {ge} or more",
    "greater_than": "it must be more than {gt}",
    "less_than_equal": "it must be {le} or less",
    "less_than": "it must be less than {lt}",
    "too_short": "it must have {min_length} entries or more",
    "too_long": "it must have {max_length} entries or fewer",
    "missing_argument": "it must have as many entries as the example",
    "unexpected_positional_argument": "it must have as many entries as the example",
    "string_too_short": "it must have {min_length} letters or more",
    "string_too_long": "it must have {max_length} letters or fewer",
}


def _allowed(error: Any) -> str:
    words = _ALLOWED.get(error["type"])
    if words is None:
        message = str(error["msg"]).removeprefix("Value error, ")
        return message[:1].lower() + message[1:]
    return words.format_map(error.get("ctx", {}))


def _short(value: Any) -> str:
    text = _toml(value)
    return text if len(text) <= 60 else text[:57] + "..."


def _toml(value: Any) -> str:
    """A value as it may stand in the file."""
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, str):
        return f"'{shown(value)}'"
    if isinstance(value, dict):
        return "{" + ", ".join(f"{k} = {_toml(v)}" for k, v in value.items()) + "}"
    if isinstance(value, (list, tuple)):
        return "[" + ", ".join(_toml(v) for v in value) + "]"
    return str(value)


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
