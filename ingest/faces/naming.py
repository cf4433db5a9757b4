"""What names today's items get, under the settings' convention or one that is tried out; nothing is written."""

from __future__ import annotations

import json
from typing import Any

from ingest.services import Services
from ingest.steps.filing.days import clock
from ingest.steps.filing.naming import TOKENS, Convention, Named
from ingest.steps.filing.stage import decide
from ingest.steps.filing.stage_clips import file_stills


def preview(services: Services, *, tree: str = "", pattern: str = "", day: str = "") -> list[dict[str, Any]]:
    """Every probe, clip and reference still of ``day`` (all days without it): what it is, its folder below the show's
    and its name without ending, and the folder it lies in now.

    SettingsError names every mistake of ``tree`` and ``pattern`` at once.
    """
    from zoneinfo import ZoneInfo

    filing, zone = services.settings.filing, ZoneInfo(services.settings.show.timezone)
    convention = Convention.parse(
        show=services.show, tree=tree or filing.convention, pattern=pattern or filing.probe_name
    )
    views = services.work.views()
    versions = {p.id: p.version for p in services.work.probes()}
    filed = decide(services, views, versions)
    lies = services.work.filings()
    items, now = [], dict[str, str]()

    def local(moment_s: float | None) -> str:
        return "" if moment_s is None else clock(moment_s, zone).replace(":", "")[:4]

    for view in views:
        p = filed.placements[view.id]
        items.append(Named(
            id=view.id, shots=p.shots, setup=p.setup, day=p.day, unit=p.unit, version=versions.get(view.id, 1),
            lens=view.lens, time=local(view.taken_s[0] if view.taken_s else None),
        ))
        now[view.id] = lies.get(view.id, {}).get("folder", "")
    for clip in json.loads(services.work.recall("clips filed") or "[]"):
        shots = tuple(filter(None, [clip["shot"]]))
        items.append(Named(id=clip["id"], kind="plate", shots=shots, setup=clip["setup"] or "", day=clip["day"] or ""))
    for still in file_stills(services, filed.together):
        p = still.placement
        items.append(Named(id=still.id, kind="reference", shots=p.shots, setup=p.setup, day=p.day, unit=p.unit,
                           time=local(still.start_s)))  # fmt: skip
    items = [i for i in items if not day or i.day == day]
    places = convention.places(items)
    return [
        {"id": i.id, "what": i.kind, "day": i.day or None, "shot": i.shots[0] if i.shots else None,
         "setup": i.setup or None, "folder": places[i.id].folder, "name": places[i.id].stem,
         "also": list(places[i.id].also), "now": now.get(i.id) or None}
        for i in sorted(items, key=lambda i: (i.day, places[i.id].folder, places[i.id].stem))
    ]


def tokens() -> list[str]:
    """The tokens of a convention with an example and their meaning, a line each."""
    return [f"  {{{name}}}".ljust(13) + f"{example!s:<12} {words}" for name, (example, words) in TOKENS.items()]
