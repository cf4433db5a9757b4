"""Merge each view that is not merged yet, once, into every destination.

A view is known by its signature: exactly which files and exposures went in.  The same signature is never
merged twice, so a restart ends in the same pictures; another one (a late card completed the set) makes a
new version, and the version before it stays, marked superseded.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

from ingest import __version__
from ingest.errors import NightloaderError, SourceUnreadable, Unreadable, WorkerFailed
from ingest.machinery.ledger.work import ProbeFact, StillFact
from ingest.originals import Originals
from ingest.outbox import Outbox
from ingest.records.filing import Place
from ingest.records.findings import Finding, Severity
from ingest.records.merges import ChartColour, MergeFrame, MergeRequest
from ingest.records.stills import StillHeader
from ingest.records.views import FrameFile, View, ViewFrame
from ingest.services import Services
from ingest.settings.model import Settings

TRIES = 2
FRAMES_AT_LEAST = 2


def chosen(view: View, stills: Mapping[str, StillFact]) -> tuple[tuple[ViewFrame, FrameFile], ...]:
    """The files to merge: raw if every usable frame has a raw that decodes, else the other file of each;
    never mixed.  Frames that do not decode or tell no exposure are left out."""

    def decodes(file: FrameFile) -> bool:
        fact = stills.get(file.digest)
        return fact is not None and fact.look is not None and fact.look.decodes

    frames = [f for f in view.frames if f.exposure_s and any(decodes(file) for file in f.files)]
    raws = [next((file for file in f.files if file.raw and decodes(file)), None) for f in frames]
    if all(raws):
        return tuple((f, r) for f, r in zip(frames, raws, strict=True) if r is not None)
    others = [next((file for file in f.files if not file.raw and decodes(file)), None) for f in frames]
    picked = [(f, o) for f, o in zip(frames, others, strict=True) if o is not None]
    if len(picked) < len(frames):
        kept_raws = [(f, r) for f, r in zip(frames, raws, strict=True) if r is not None]
        if len(kept_raws) > len(picked):
            picked = kept_raws
    return tuple(picked)


def signature(
    view: View, files: Sequence[tuple[ViewFrame, FrameFile]], chart: ChartColour | None = None
) -> str:
    """Names exactly what goes into the merge."""
    said = [[file.digest, frame.exposure_s, frame.f_number, frame.iso] for frame, file in files]
    more = [list(chart.matrix)] if chart is not None else []
    return hashlib.sha256(json.dumps([view.kind, said, *more]).encode()).hexdigest()[:32]


def chart_for(
    view: View, files: Sequence[tuple[ViewFrame, FrameFile]], colours: Mapping[tuple[str, str], ChartColour]
) -> ChartColour | None:
    """The body's chart correction, if one was made from the kind of file that is merged."""
    raw = bool(files) and all(file.raw for _, file in files)
    return colours.get((view.body, "raw")) if raw else colours.get((view.body, "jpeg"))


def request(
    view: View, files: Sequence[tuple[ViewFrame, FrameFile]], stills: Mapping[str, StillFact], settings: Settings,
    chart: ChartColour | None = None,
) -> MergeRequest:
    """What the worker is asked.  Nothing of it depends on what was merged before: the same cards must end
    in the same pictures whatever happened in between."""
    merging = settings.merging
    frames = []
    for frame, file in files:
        fact = stills.get(file.digest)
        header = fact.header if fact is not None and fact.header is not None else StillHeader()
        exposure = float(header.exposure_time_s) if header.exposure_time_s else frame.exposure_s
        frames.append(
            MergeFrame(
                name=file.path.rsplit("/", 1)[-1].encode("utf-8", "replace").decode(), digest=file.digest,
                exposure_s=float(frame.exposure_s or 0), f_number=frame.f_number, iso=frame.iso,
                nominal=exposure != frame.exposure_s, make=header.make or "", model=header.model or "",
                serial=header.body_serial or "", lens=header.lens_model or "",
                captured=header.taken.strftime("%Y:%m:%d %H:%M:%S") if header.taken else "",
                utc_offset_s=header.utc_offset_s, white_balance=header.white_balance, colour_space=header.colour_space,
                orientation=header.orientation,
            )
        )
    return MergeRequest(
        frames=tuple(frames), kind=view.kind, colour_space=merging.colour_space,
        reference_exposure_s=merging.reference_exposure_s, reference_f_number=merging.reference_f_number,
        reference_iso=merging.reference_iso, memory_bytes=min(merging.memory_mb << 19, 1_000_000_000),
        software=f"nightloader {__version__}", matrix=chart.matrix if chart is not None else None,
    )


def paths_of(place: Place, show: str) -> dict[str, str]:
    """Where the files of one version lie, relative to a destination's root."""
    base = f"{show}/{place.folder}/{place.stem}"
    return {"probe": f"{base}.exr", "preview": f"{base}.jpg", "record": f"{base}.json"}


class Merging:
    """One pass over the views."""

    def __init__(
        self, services: Services, outbox: Outbox, originals: Originals, stills: Mapping[str, StillFact],
        colours: Mapping[tuple[str, str], ChartColour] | None = None,
    ) -> None:
        self._colours = (colours or {}) if services.settings.merging.chart_colour else {}
        self._services = services
        self._outbox = outbox
        self._originals = originals
        self._stills = stills

    def versions(self, views: Sequence[View]) -> dict[str, tuple[int, str]]:
        """For each view the version its present signature has or will have."""
        made: dict[str, dict[str, int]] = {}
        newest: dict[str, int] = {}
        for fact in self._services.work.probes(superseded=True):
            made.setdefault(fact.id, {})[fact.signature] = fact.version
            newest[fact.id] = max(newest.get(fact.id, 0), fact.version)
        out = {}
        for view in views:
            files = chosen(view, self._stills)
            name = signature(view, files, chart_for(view, files, self._colours))
            out[view.id] = (made.get(view.id, {}).get(name, newest.get(view.id, 0) + 1), name)
        return out

    def owed(self, views: Sequence[View]) -> list[View]:
        """Views whose present version has neither a picture nor a refusal."""
        current = {(p.id, p.version): p for p in self._services.work.probes()}
        versions = self.versions(views)
        return [v for v in views if (v.id, versions[v.id][0]) not in current]

    def merge(self, view: View, place: Place) -> None:
        """One view to its picture, or a refusal that is kept and shown."""
        services = self._services
        version, name = self.versions([view])[view.id]
        files = chosen(view, self._stills)
        fact = ProbeFact(
            id=view.id, version=version, signature=name, frames=view.digests, record=None, trouble="",
            superseded_utc=None, merged_utc=None,
        )
        if len(files) < FRAMES_AT_LEAST:
            self._keep(replace(fact, trouble="fewer than two of its frames can be decoded and tell their exposure"))
            return
        chart = chart_for(view, files, self._colours)
        asked = request(view, files, self._stills, services.settings, chart)
        paths = paths_of(place, services.show)
        answer: dict[str, Any] = {}

        def work(outputs: Sequence[int]) -> None:
            answer.update(self._run(asked, files, outputs))

        services.tell("merging", {"probe": view.id, "frames": len(files)})
        try:
            wrote = self._outbox.make(
                [("probe", paths["probe"]), ("preview", paths["preview"])], f"{view.id}/{version}", work
            )
        except (Unreadable, WorkerFailed) as error:
            services.log.warning("merge refused", probe=view.id, why=error.what)
            self._keep(replace(fact, trouble=f"{error.item}: {error.what}" if error.item else error.what))
            return
        except SourceUnreadable:
            return  # its disk is away: it stays owed
        if not wrote:
            return  # no destination takes it now: it stays owed, the outbox has the finding
        if chart is not None:
            answer["chart_colour"] = chart.to_json()
            answer["done"] = [*answer.get("done", ()), chart.words]
        self._keep(replace(fact, record={**answer, "signature": name}, merged_utc=services.clock.utc()))
        services.log.info("merged", probe=view.id, version=version, frames=len(files))
        services.tell("merged", {"probe": view.id, "version": version})

    def _run(
        self, asked: MergeRequest, files: Sequence[tuple[ViewFrame, FrameFile]], outputs: Sequence[int]
    ) -> dict[str, Any]:
        """The job on open files; a worker that dies or stalls is replaced and the set tried once more."""
        services = self._services
        for attempt in range(1, TRIES + 1):
            with contextlib.ExitStack() as stack:
                opened = []
                for _, file in files:
                    fd = self._originals.open(file.digest)
                    stack.callback(os.close, fd)
                    opened.append(fd)
                for fd in outputs:
                    os.ftruncate(fd, 0)
                    os.lseek(fd, 0, os.SEEK_SET)
                try:
                    return services.worker.run(
                        "merge", asked.to_json(), [*opened, *outputs],
                        timeout_s=services.settings.merging.time_limit_s, cancel=services.stop,
                        on_progress=lambda share: services.tell("merge progress", {"share": share}),
                    )
                except WorkerFailed as error:
                    if services.stop.is_set() or attempt == TRIES:
                        raise
                    services.log.warning("merge tried again", why=error.what)
        raise AssertionError("unreachable")

    def _keep(self, fact: ProbeFact) -> None:
        if self._services.stop.is_set() and fact.record is None:
            return  # ended by us, not by the frames
        self._services.work.add_probe(fact, self._services.clock.utc())


def findings(views: Sequence[View], facts: Sequence[ProbeFact]) -> list[Finding]:
    """What a person should know of the merges."""
    found: list[Finding] = []
    names = {v.id: v for v in views}
    for fact in facts:
        if fact.id not in names:
            continue
        if fact.trouble:
            found.append(
                Finding(
                    kind="not merged", item=fact.id, severity=Severity.PERSON,
                    what=f"This bracket could not be merged: {fact.trouble}",
                    next="Look at its frames; `nightloader merge` on the good ones makes a picture of them.",
                )
            )
        for raw in (fact.record or {}).get("findings", ()):
            with contextlib.suppress(KeyError, ValueError, NightloaderError):
                made = Finding.from_json({**raw, "item": f"{fact.id}: {raw.get('item') or 'picture'}"})
                found.append(made)
    return found
