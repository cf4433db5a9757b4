"""Where each probe belongs now, and moving what lies elsewhere.

The log is read anew each time: a corrected row re-files what it moves.  Only our own files move, by
rename on their own volume; every move is a fact in the ledger and a line in the show's running log.
"""

from __future__ import annotations

import json
from base64 import b64decode, b64encode
from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path
from zoneinfo import ZoneInfo

from ingest.machinery.disk.files import read_plain
from ingest.outbox import Outbox
from ingest.records.filing import Evidence, Place, Placement
from ingest.records.findings import Finding, Severity
from ingest.records.setups import Question, SetupLog
from ingest.records.views import View
from ingest.services import Services
from ingest.steps.filing.naming import Convention, Named
from ingest.steps.filing.stage_items import Together, said_of, together
from ingest.steps.setups.page import PAGE_FILE, read_logs
from ingest.steps.setups.questions import findings as question_findings


@dataclass(frozen=True, kw_only=True, slots=True)
class Filing:
    """What the log, the slates and the person say about the views of now."""

    log: SetupLog
    placements: Mapping[str, Placement]
    places: Mapping[str, Place]
    together: Together
    differ: tuple[Finding, ...] = ()  # where the person's log and the page's say different things


def read_setup_log(services: Services) -> SetupLog:
    """The log as it is now, with what the page keeps beside it; a log that never was there has no rows, and one that is
    gone says what it last said."""
    return read_setup_logs(services)[0]


def read_setup_logs(services: Services) -> tuple[SetupLog, list[Finding]]:
    """The person's log and the page's as one, and where they differ."""
    show = services.settings.show
    path = services.settings.beside(show.setup_log)
    troubles: list[Question] = []

    def read(file: Path) -> bytes:
        kept = services.work.recall(_kept_as(file))
        try:
            return read_plain(file)
        except FileNotFoundError:
            why = "it is gone"
            if kept is None:
                return b""
        except OSError as error:
            why = f"it cannot be read ({error.strerror})"
        counts = "what it last said counts until it is back" if kept is not None else "no row of it counts"
        troubles.append(Question(file=file.name, line=0, column="", written="",
                                 asks=f"{why}; {counts} (a log that is meant to be empty keeps its first line)"))
        return b64decode(kept or "")

    log, differ = read_logs(
        read(path), read(path.with_name(PAGE_FILE)), zone=show.timezone, day_starts=show.day_starts, file=path.name,
        date_order=show.date_order, zones=show.zones,
    )
    return replace(log, questions=(*log.questions, *troubles)), differ


def keep_logs(services: Services) -> None:
    """Remember what the logs say now: a log that vanishes, with its tablet or in a sync, must not unfile the show."""
    path = services.settings.beside(services.settings.show.setup_log)
    for file in (path, path.with_name(PAGE_FILE)):
        with suppress(OSError):  # gone or unreadable: what was kept before stays, and the reading tells of it
            said = b64encode(read_plain(file, LONGEST_KEPT)).decode("ascii")
            if services.work.recall(_kept_as(file)) != said:
                services.work.put(_kept_as(file), said)


LONGEST_KEPT = 8 << 20  # bytes: a log of many shows


def _kept_as(file: Path) -> str:
    return f"said by {file.name}"


def convention_of(services: Services) -> Convention:
    """The naming convention that the settings ask for; SettingsError if it cannot work."""
    filing = services.settings.filing
    return Convention.parse(show=services.show, tree=filing.convention, pattern=filing.probe_name)


def decide(services: Services, views: Sequence[View], versions: Mapping[str, int]) -> Filing:
    """Placement and place of every view."""
    log, differ = read_setup_logs(services)
    everything = together(services, views, log)
    placements, kept = _as_papers_say(
        services, views, versions, {v.id: everything.placements[v.id] for v in views})
    named = _named(views, placements, versions, services.settings.show.timezone)
    places = {**convention_of(services).places(named), **kept}
    return Filing(log=log, placements=placements, places=places, together=everything, differ=tuple(differ))


def _as_papers_say(
    services: Services, views: Sequence[View], versions: Mapping[str, int], placements: Mapping[str, Placement]
) -> tuple[dict[str, Placement], dict[str, Place]]:
    """After a ledger was lost: what log and slates here do not place stays where its own record says it was filed."""
    papers = services.work.decisions("adopted")
    out, kept = dict(placements), dict[str, Place]()
    for view in views:
        said = said_of(view, papers)
        if said is None or out[view.id].setup:
            continue
        reasons = tuple(r for r in said["reasons"] if r not in view.reasons) if said["review"] else ()
        out[view.id] = Placement(
            item=view.id, day=said["day"], unit=said["unit"], shot=said["shot"],
            shots=(said["shot"],) if said["shot"] else (), setup=said["setup"], evidence=Evidence.PAPERS,
            review=bool(reasons), reasons=reasons, why=(said["why"],),
            notes=("as its record at a destination says; nothing in the log here places it",),
        )
        if versions.get(view.id) == said["version"]:
            kept[view.id] = Place(folder=said["folder"], stem=said["stem"])
    return out, kept


def _named(
    views: Sequence[View], placements: Mapping[str, Placement], versions: Mapping[str, int], zone: str
) -> list[Named]:
    out = []
    for view in views:
        placement = placements[view.id]
        taken = view.taken_s
        local = datetime.fromtimestamp(taken[0], ZoneInfo(zone)).strftime("%H%M") if taken else ""
        out.append(
            Named(
                id=view.id, shots=placement.shots, setup=placement.setup, day=placement.day, unit=placement.unit,
                version=versions.get(view.id, 1), lens=view.lens, time=local,
            )
        )
    return out


def settle(
    services: Services, outbox: Outbox, views: Sequence[View], filing: Filing, versions: Mapping[str, int],
    paths: Mapping[str, Mapping[str, str]],
) -> set[str]:
    """Bring every output of these views to its place and record it; answers the views that are filed anew.

    ``paths`` are the wanted paths by output kind for each view's present version.  Superseded versions stay
    beside the present one: they move with it.
    """
    before, anew = services.work.filings(), set()
    for view in views:
        placement, home = filing.placements[view.id], filing.places[view.id]
        for kind, path in paths[view.id].items():
            outbox.settle(f"{view.id}/{versions[view.id]}", kind, path)
        folder = f"{services.show}/{home.folder}"
        for version in range(1, versions[view.id]):
            for kind in paths[view.id]:
                for output in outbox.known(owner=f"{view.id}/{version}", kind=kind).values():
                    outbox.settle(f"{view.id}/{version}", kind, f"{folder}/{output.path.rsplit('/', 1)[-1]}")
        was = before.get(view.id)
        now = (home.folder, placement.shot, placement.setup, placement.day, versions[view.id])
        if was is None or now != tuple(was[k] for k in ("folder", "shot", "setup", "day", "version")):
            services.work.file(
                view.id, version=versions[view.id], folder=home.folder, shot=placement.shot, setup=placement.setup,
                day=placement.day, why="; ".join(placement.why) or "matches nothing in the log",
                utc=services.clock.utc(),
            )
            services.log.info("filed", probe=view.id, folder=home.folder, before=was["folder"] if was else "")
            anew.add(view.id)
    return anew


def bring_along(
    services: Services, outbox: Outbox, views: Sequence[View], filing: Filing, versions: Mapping[str, int]
) -> None:
    """Move what lies beside each of these views' pictures under their name (panoramas, light, crops), with them."""
    outputs = services.work.outputs()
    lies = {o.owner: o.path for o in outputs if o.kind == "probe"}
    for view in views:
        home = filing.places[view.id]
        old, _, _ = lies.get(f"{view.id}/{versions[view.id]}", "").rpartition(".")
        new = f"{services.show}/{home.folder}/{home.stem}"
        if old in ("", new):
            continue
        others = {v.id for v in views} - {view.id}
        beside = {(o.owner, o.kind): o.path for o in outputs
                  if o.path.startswith((f"{old}.", f"{old}_")) and o.owner.split("/", 1)[0] not in others}
        for (owner, kind), path in beside.items():
            outbox.settle(owner, kind, new + path[len(old):])


def reviewed(services: Services, views: Sequence[View]) -> frozenset[str]:
    """Views that a person has looked at as they are now, frame for frame."""
    said = services.work.decisions("review")
    return frozenset(
        v.id for v in views
        if v.digests and (seen := said.get(v.digests[0])) is not None and set(seen.get("frames", ())) == set(v.digests)
    )


def remember(services: Services, views: Sequence[View], filing: Filing, looked_at: frozenset[str]) -> None:
    """Keep what is doubtful of each placement, for whoever asks about the probes."""
    services.work.put("placements", json.dumps({
        v.id: {"review": filing.placements[v.id].review and v.id not in looked_at,
               "reasons": list(filing.placements[v.id].reasons)}
        for v in views
    }))


def findings(views: Sequence[View], filing: Filing, looked_at: frozenset[str] = frozenset()) -> list[Finding]:
    """What a person should know: unfiled probes, doubtful placements, rows that could not be read."""
    found = [*question_findings(filing.log.questions), *filing.differ]
    found += [
        Finding(kind="slate not used", item=frame, severity=Severity.NOTE, what=f"In this still {why}.",
                next="File what follows by hand if it matters (`nightloader file`).")
        for frame, why in filing.together.known.seen.unused
    ]
    for view in views:
        placement = filing.placements[view.id]
        if not placement.setup:
            near = f" Nearest is {placement.nearest}, {placement.minutes_away:.0f} min away." \
                if placement.nearest and placement.minutes_away is not None else ""
            found.append(
                Finding(
                    kind="unfiled", item=view.id, severity=Severity.PERSON,
                    what=f"This probe matches no setup.{near} {'; '.join(placement.reasons)}".strip(),
                    next=f"Mend the log, or say `nightloader file {view.id} --shot S --setup N`.",
                )
            )
        elif placement.review and view.id not in looked_at:
            found.append(
                Finding(
                    kind="filing doubtful", item=view.id, severity=Severity.PERSON,
                    what=f"Filed under {placement.setup}, but: {'; '.join(placement.reasons)}",
                    next=f"Confirm with `nightloader review {view.id}`, or correct it with `nightloader file`.",
                )
            )
    return found
