"""The commented settings file that ``init`` writes, made from the table of settings itself."""

from __future__ import annotations

import json
from collections.abc import Sequence
from typing import Any

from pydantic import BaseModel
from pydantic_core import PydanticUndefined

from ingest.settings.model import (
    Body,
    Copying,
    Destination,
    Due,
    Filing,
    Merging,
    Notify,
    Page,
    Security,
    Show,
    TakingCamera,
    Watch,
)

HEAD = """\
# Settings of one show. Lines that start with # show a default; take the # away to change it.
# Every mistake in this file is reported at once, with the key, what was found and what is allowed.
"""


def render(
    *, code: str, timezone: str, destinations: Sequence[str], watch: Sequence[str] = (), one_disk: bool = False
) -> str:
    """A whole, usable settings file."""
    parts = [HEAD]
    parts.append(_section("show", Show, {"code": code, "timezone": timezone}))
    parts.append(_section("watch", Watch, {"places": list(watch)}))
    for path in destinations:
        parts.append(_section("destinations", Destination, {"path": path}, table="[[{}]]"))
    parts.append(_section("copying", Copying, {"one_disk": one_disk} if one_disk else {}))
    others = (("merging", Merging), ("filing", Filing), ("due", Due), ("notify", Notify), ("security", Security),
              ("page", Page))
    for name, model in others:
        parts.append(_section(name, model, {}))
    body = _section("bodies", Body, {}, table="[[{}]]")
    parts.append("# One block per camera; every key may be left out.\n" + _asleep(body))
    cameras = _section("cameras", TakingCamera, {}, table="[[{}]]")
    parts.append("# One block per taking camera.\n" + _asleep(cameras))
    return "\n".join(parts)


def _asleep(block: str) -> str:
    return "\n".join(line if line.startswith("#") or not line else f"# {line}" for line in block.splitlines()) + "\n"


def _section(name: str, model: type[BaseModel], given: dict[str, Any], table: str = "[{}]") -> str:
    doc = (model.__doc__ or "").strip().splitlines()[0]
    lines = [table.format(name) + f"  # {doc}"]
    for key, field in model.model_fields.items():
        lines.append(f"# {field.description}")
        if key in given:
            lines.append(f"{key} = {_toml(given[key])}")
        else:
            default = field.get_default(call_default_factory=True)
            shown = "" if default is None or default is PydanticUndefined else _toml(default)
            lines.append(f"#{key} = {shown}".rstrip())
    return "\n".join(lines) + "\n"


def _toml(value: Any) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")
    if isinstance(value, dict):
        return "{" + ", ".join(f"{json.dumps(str(k))} = {_toml(v)}" for k, v in value.items()) + "}"
    if isinstance(value, (list, tuple)):
        return "[" + ", ".join(_toml(v) for v in value) + "]"
    return repr(value)
