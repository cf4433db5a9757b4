"""Where each probe belongs now, and moving what lies elsewhere.

The log is read anew each time: a corrected row re-files what it moves.  Only our own files move, by
rename on their own volume; every move is a fact in the ledger and a line in the show's running log.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

from ingest.outbox import Outbox
from ingest.records.filing import Decision, Item, Place, Placement
from ingest.records.findings import Finding, Severity
from ingest.records.setups import Question, SetupLog
from ingest.records.views import View
from ingest.services import Services
from ingest.steps.filing.naming import Convention, Named
from ingest.steps.filing.placement import Evidences, place
from ingest.steps.setups.log import read_log


@dataclass(frozen=True, kw_only=True, slots=True)
class Filing:
    """What the log, the slates and the person say about the views of now."""

    log: SetupLog
    placements: Mapping[str, Placement]
    places: Mapping[str, Place]


def read_setup_log(services: Services) -> SetupLog:
    """The log as it is now; a log that is not there has no rows."""
    show = services.settings.show
    path = services.settings.beside(show.setup_log)
    try:
        data = path.read_bytes()
    except FileNotFoundError:
        return SetupLog()
    except OSError as error:
        return SetupLog(
            questions=(
                Question(file=path.name, line=0, column="", written="", asks=f"it cannot be read ({error.strerror})"),
            )
        )
    return read_log(
        data, zone=show.timezone, day_starts=show.day_starts, file=path.name, date_order=show.date_order
    )


def convention_of(services: Services) -> Convention:
    """The naming convention that the settings ask for; SettingsError if it cannot work."""
    filing = services.settings.filing
    return Convention.parse(show=services.show, tree=filing.convention, pattern=filing.probe_name)


def decide(services: Services, views: Sequence[View], versions: Mapping[str, int]) -> Filing:
    """Placement and place of every view."""
    log = read_setup_log(services)
    hand = services.work.decisions("assign")
    decisions = {
        v.id: Decision(
            shot=said.get("shot", ""), setup=said.get("setup", ""), day=said.get("day", ""), unit=said.get("unit", "")
        )
        for v in views
        if (said := _said_of(v, hand)) is not None
    }
    items = [
        Item(
            id=v.id, body=v.body, sigma_s=v.sigma_s,
            moments=tuple(f.taken_s for f in v.frames if f.taken_s is not None),
        )
        for v in views
    ]
    show = services.settings.show
    placed = place(
        items, Evidences(log=log, zone=show.timezone, day_starts=show.day_starts, decisions=decisions)
    )
    placements = {p.item: p for p in placed}
    named = _named(views, placements, versions, show.timezone)
    return Filing(log=log, placements=placements, places=convention_of(services).places(named))


def _said_of(view: View, hand: Mapping[str, dict[str, Any]]) -> dict[str, Any] | None:
    """A hand decision clings to frame digests: the newest one on any frame of the view counts."""
    said = [hand[d] for d in view.digests if d in hand]
    return max(said, key=lambda s: str(s["utc"])) if said else None


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
) -> None:
    """Bring every output of these views to its place and record it.

    ``paths`` are the wanted paths by output kind for each view's present version.  Superseded versions stay
    beside the present one: they move with it.
    """
    before = services.work.filings()
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


def findings(views: Sequence[View], filing: Filing) -> list[Finding]:
    """What a person should know: unfiled probes, doubtful placements, rows that could not be read."""
    found = [
        Finding(
            kind="log not understood", item=f"{q.file} line {q.line}{' ' + q.column if q.column else ''}",
            severity=Severity.PERSON, what=f"{q.written!r}: {q.asks}" if q.written else q.asks,
            next="Correct the cell and save the file; it is read again by itself.",
            more={"file": q.file, "line": q.line, "column": q.column, "written": q.written},
        )
        for q in filing.log.questions
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
        elif placement.review:
            found.append(
                Finding(
                    kind="filing doubtful", item=view.id, severity=Severity.PERSON,
                    what=f"Filed under {placement.setup}, but: {'; '.join(placement.reasons)}",
                    next=f"Confirm with `nightloader review {view.id}`, or correct it with `nightloader file`.",
                )
            )
    return found
