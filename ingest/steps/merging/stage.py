"""Merge each view that is not merged yet, once, into every destination.

A view is known by its signature: exactly which files and exposures went in.  The same signature is never
merged twice, so a restart ends in the same pictures; another one (a late card completed the set, a person asked
for it with new settings) makes a new version, and the version before it stays, marked superseded.  An asking is a
decision on the view's first frame; until its merge is made the version before it counts.
"""

from __future__ import annotations

import base64
import contextlib
import hashlib
import json
import os
from collections import deque
from collections.abc import Callable, Collection, Mapping, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, ThreadPoolExecutor, wait
from dataclasses import dataclass, replace
from typing import Any

from ingest import __version__
from ingest.errors import NightloaderError, SourceUnreadable, Unreadable, WorkerFailed
from ingest.machinery.ledger.work import ProbeFact, StillFact
from ingest.machinery.worker.elsewhere import Elsewhere, run
from ingest.machinery.worker.host import WorkerStopped, tried_twice
from ingest.machinery.worker.room import at_once, fit, most_at_once
from ingest.originals import Originals
from ingest.outbox import Outbox
from ingest.records.filing import Place
from ingest.records.findings import Finding, Severity
from ingest.records.merges import Again, ChartColour, MergeFrame, MergeRequest, PixelSettings
from ingest.records.stills import StillHeader
from ingest.records.views import FrameFile, View, ViewFrame
from ingest.services import Services
from ingest.steps.stills.frames import class_of

PROGRAM = f"nightloader {__version__}"
ASKED = "merge again"  # the kind of decision by which a person asks for it
_BEGUN = "merging again"
FRAMES_AT_LEAST = 2
_BEAT_S = 1.0
_BESIDE_BYTES = 300 << 20  # what a merge takes beside what it is told to keep


def chosen(view: View, decodable: Collection[str]) -> tuple[tuple[ViewFrame, FrameFile], ...]:
    """The files to merge: raw if every usable frame has a raw that decodes, else the other file of each;
    never mixed.  Frames that do not decode (``decodable`` are the digests that do) or tell no exposure are left out."""

    def decodes(file: FrameFile) -> bool:
        return file.digest in decodable

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
    view: View, files: Sequence[tuple[ViewFrame, FrameFile]], chart: ChartColour | None = None, token: str = ""
) -> str:
    """Names exactly what goes into the merge, and by its ``token`` the asking to merge it again."""
    said = [[file.digest, frame.exposure_s, frame.f_number, frame.iso] for frame, file in files]
    more: list[Any] = [list(chart.matrix)] if chart is not None else []
    if token:
        more.append(token)
    return hashlib.sha256(json.dumps([view.kind, said, *more]).encode()).hexdigest()[:32]


def chart_for(
    view: View, files: Sequence[tuple[ViewFrame, FrameFile]], colours: Mapping[tuple[str, str], ChartColour]
) -> ChartColour | None:
    """The body's chart correction, if one was made from the kind of file that is merged."""
    kinds = {class_of(file.path) for _, file in files}
    return colours.get((view.body, kinds.pop())) if len(kinds) == 1 else None


def request(
    view: View, files: Sequence[tuple[ViewFrame, FrameFile]], stills: Mapping[str, StillFact], pixels: PixelSettings,
    chart: ChartColour | None = None, *, memory_mb: int,
) -> MergeRequest:
    """What the worker is asked.  Nothing of it depends on what was merged before: the same cards must end
    in the same pictures whatever happened in between."""
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
        frames=tuple(frames), kind=view.kind, colour_space=pixels.colour_space,
        reference_exposure_s=pixels.reference_exposure_s, reference_f_number=pixels.reference_f_number,
        reference_iso=pixels.reference_iso, memory_bytes=memory_of(memory_mb),
        software=PROGRAM, matrix=chart.matrix if chart is not None else None, picture=True,
    )


def memory_of(memory_mb: int) -> int:
    """What one merge keeps at once, given what its process may take."""
    return min(memory_mb << 19, 1_000_000_000)


def paths_of(place: Place, show: str) -> dict[str, str]:
    """Where the files of one version lie, relative to a destination's root."""
    base = f"{show}/{place.folder}/{place.stem}"
    return {"probe": f"{base}.exr", "preview": f"{base}.jpg", "record": f"{base}.json",
            "findings": f"{base}_findings.jpg"}


@dataclass(frozen=True, kw_only=True, slots=True)
class Wanted:
    """One merge to be made: which files of a view, how, as which version."""

    view: View
    files: tuple[tuple[ViewFrame, FrameFile], ...]
    chart: ChartColour | None
    pixels: PixelSettings
    again: Again
    signature: str
    version: int
    beside: bool = False  # the present version stays what it is if this one is refused


@dataclass(frozen=True, kw_only=True, slots=True)
class Standing:
    """The version of a view that counts now.  ``owed`` is the merge that has to come first, as there is no picture
    of these frames; ``redo`` one that a person asked for and that the present version stands in for until then.
    ``refused`` says why that one could not be made."""

    view: View
    version: int
    made: ProbeFact | None = None
    owed: Wanted | None = None
    redo: Wanted | None = None
    refused: str = ""


class Merging:
    """One pass over the views."""

    def __init__(
        self, services: Services, outbox: Outbox, originals: Originals,
        colours: Mapping[tuple[str, str], ChartColour] | None = None,
    ) -> None:
        self._colours = colours or {}
        self._services = services
        self._outbox = outbox
        self._originals = originals
        self._decodable = services.work.decodable()

    def standing(self, views: Sequence[View]) -> dict[str, Standing]:
        """For each view the version that counts and the merges it lacks."""
        facts: dict[str, list[ProbeFact]] = {}
        for fact in self._services.work.probes(superseded=True):
            facts.setdefault(fact.id, []).append(fact)
        asked = self._services.work.decisions(ASKED)
        return {v.id: self._standing(v, facts.get(v.id, []), _newest(v, asked)) for v in views}

    def _standing(self, view: View, facts: Sequence[ProbeFact], again: Again) -> Standing:
        made = {f.signature: f for f in facts}
        after = max((f.version for f in facts), default=0) + 1
        wanted = self._wanted(view, again, after)
        known = made.get(wanted.signature)
        if known is not None and known.superseded_utc is None:
            return Standing(view=view, version=known.version, made=known)
        current = next((f for f in facts if f.superseded_utc is None), None)
        if current is not None and self._wanted(view, _how(current), 0).signature == current.signature:
            redo = replace(wanted, beside=True, version=max(after, self._not_before(view, again)))
            return Standing(view=view, version=current.version, made=current, redo=redo if known is None else None,
                            refused=known.trouble if known is not None and again.token else "")
        if known is not None:
            wanted = replace(wanted, version=known.version)
        return Standing(view=view, version=wanted.version, owed=wanted)

    def _not_before(self, view: View, again: Again) -> int:
        """A version that another asking began and never finished may have left its file: its number is not used
        again.  The same asking goes on with the same number, and finds its own file equal."""
        version, _, token = (self._services.work.recall(f"{_BEGUN}|{view.id}") or "0|").partition("|")
        return int(version) + (token != again.token)

    def _wanted(self, view: View, again: Again, version: int) -> Wanted:
        pixels = again.settings or self._services.settings.merging.pixels
        files = chosen(view, self._decodable)
        chart = chart_for(view, files, self._colours) if pixels.chart_colour else None
        return Wanted(view=view, files=files, chart=chart, pixels=pixels, again=again, version=version,
                      signature=signature(view, files, chart, again.token))

    def merge_all(
        self, wanted: Sequence[Wanted], places: Mapping[str, Place], *, meanwhile: Callable[[], None] = lambda: None,
        enough: Callable[[], bool] = lambda: False, elsewhere: Elsewhere | None = None,
    ) -> int:
        """Each to its picture or its refusal, several at once; answers how many have one or the other now.

        How many run together follows cores and memory, and leaves a core free while a card is read.  ``meanwhile``
        is called in this thread every second or so: looking for cards must not wait for pictures.  No merge is
        begun any more once ``enough`` says so; those that run are waited for.
        """
        waiting, running = deque(wanted), set[Future[bool]]()
        done = 0
        most = max(most_at_once(self._services.settings.merging.workers), elsewhere.at_once() if elsewhere else 1)
        memory = memory_of(self._services.settings.merging.memory_mb) + _BESIDE_BYTES
        held = fit(memory)  # once: what runs has not taken all of its memory yet
        with ThreadPoolExecutor(max_workers=max(1, min(most, len(waiting))), thread_name_prefix="merge") as pool:
            while waiting or running:
                if self._services.stop.is_set() or enough():
                    waiting.clear()
                while waiting and len(running) < self._room(elsewhere, held):
                    one = waiting.popleft()
                    running.add(pool.submit(self.merge, one, places[one.view.id], elsewhere))
                if running:
                    ended, running = wait(running, timeout=_BEAT_S, return_when=FIRST_COMPLETED)
                    done += sum(future.result() for future in ended)
                    meanwhile()
        return done

    def _room(self, elsewhere: Elsewhere | None, held: int) -> int:
        """How many may run together now."""
        if elsewhere is not None and (there := elsewhere.at_once()):
            return there
        copying = bool(self._services.work.recall("reading"))
        return min(held, at_once(self._services.settings.merging.workers, copying=copying))

    def merge(self, wanted: Wanted, place: Place, elsewhere: Elsewhere | None = None) -> bool:
        """One view to its picture, or a refusal that is kept and shown; False where it stays owed."""
        services, view, version = self._services, wanted.view, wanted.version
        how = {**wanted.pixels.to_json(), "token": wanted.again.token, "program": PROGRAM}
        fact = ProbeFact(
            id=view.id, version=version, signature=wanted.signature, frames=view.digests, record=None, trouble="",
            superseded_utc=None, merged_utc=None,
        )
        if len(wanted.files) < FRAMES_AT_LEAST:
            return self._refuse(fact, wanted, "fewer than two of its frames can be decoded and tell their exposure")
        headers = services.work.stills(file.digest for _, file in wanted.files)
        asked = request(view, wanted.files, headers, wanted.pixels, wanted.chart,
                        memory_mb=services.settings.merging.memory_mb)
        paths = paths_of(place, services.show)
        answer: dict[str, Any] = {}

        def work(outputs: Sequence[int]) -> None:
            answer.update(self._run(asked, wanted, outputs, elsewhere))
            if _newest(view, services.work.decisions(ASKED)).token != wanted.again.token:
                raise _TakenBack

        if wanted.beside:
            services.work.put(f"{_BEGUN}|{view.id}", f"{version}|{wanted.again.token}")
        services.tell("merging", {"probe": view.id, "frames": len(wanted.files)})
        try:
            wrote = self._outbox.make(
                [("probe", paths["probe"]), ("preview", paths["preview"])], f"{view.id}/{version}", work
            )
        except WorkerStopped:
            return False  # ended by us, not by the frames
        except (Unreadable, WorkerFailed) as error:
            services.log.warning("merge refused", probe=view.id, why=error.what)
            return self._refuse(fact, wanted, f"{error.item}: {error.what}" if error.item else error.what)
        except (SourceUnreadable, _TakenBack):
            return False  # its disk is away: it stays owed; or nobody wants it any more
        if not wrote:
            return False  # no destination takes it now: it stays owed, the outbox has the finding
        if wanted.chart is not None:
            answer["chart_colour"] = wanted.chart.to_json()
            answer["done"] = [*answer.get("done", ()), wanted.chart.words]
        self._keep_picture(paths["findings"], f"{view.id}/{version}", str(answer.pop("findings_picture", "")))
        record = {**answer, "signature": wanted.signature, "made_with": how}
        services.work.add_probe(replace(fact, record=record, merged_utc=services.clock.utc()), services.clock.utc())
        services.log.info("merged", probe=view.id, version=version, frames=len(wanted.files))
        services.tell("merged", {"probe": view.id, "version": version})
        return True

    def _keep_picture(self, path: str, owner: str, data: str) -> None:
        """The picture of the findings, if there are any, beside the probe; one that is lost is made by no one, but
        the findings stand."""
        if data:
            made = base64.b64decode(data)
            for destination in self._outbox.here[:]:
                self._outbox.put_at(destination, path, made, kind="findings", owner=owner)

    def _run(
        self, asked: MergeRequest, wanted: Wanted, outputs: Sequence[int], elsewhere: Elsewhere | None
    ) -> dict[str, Any]:
        """The job on open files; a worker that dies or stalls is replaced and the set tried once more."""
        services, limit_s = self._services, self._services.settings.merging.time_limit_s

        def work() -> dict[str, Any]:
            with contextlib.ExitStack() as stack:
                opened = []
                for _, file in wanted.files:
                    fd = self._originals.open(file.digest)
                    stack.callback(os.close, fd)
                    opened.append(fd)
                return run(
                    services.worker, elsewhere, "merge", asked.to_json(), opened, outputs, timeout_s=limit_s,
                    cancel=services.stop, on_progress=lambda share: services.tell(
                        "merge progress", {"probe": wanted.view.id, "share": share}
                    ),
                )

        return tried_twice(work, stopped=services.stop.is_set,
                           told=lambda error: services.log.warning("merge tried again", why=error.what))

    def _refuse(self, fact: ProbeFact, wanted: Wanted, why: str) -> bool:
        """Kept, so that it is not tried for ever.  A picture that is there stays the present one."""
        services = self._services
        if services.stop.is_set():
            return False  # ended by us, not by the frames
        services.work.add_probe(replace(fact, trouble=why), services.clock.utc(),
                                beside_a_picture=wanted.beside)
        return True


class _TakenBack(Exception):
    """Nobody wants this merge any more; what was written so far is dropped."""


def _newest(view: View, asked: Mapping[str, dict[str, Any]]) -> Again:
    """What a person asked for last of any of its frames."""
    said = [asked[d] for d in view.digests if d in asked]
    return Again.from_json(max(said, key=lambda s: str(s["utc"]))) if said else Again()


def _how(fact: ProbeFact) -> Again:
    """The asking by which a version was made; none for one that nobody asked for."""
    how = (fact.record or {}).get("made_with") or {}
    if not how.get("token"):
        return Again()
    return Again(token=str(how["token"]), settings=made_with(fact))


def made_with(fact: ProbeFact) -> PixelSettings | None:
    """The settings by which a version was made; None where its record does not say."""
    with contextlib.suppress(KeyError, TypeError, ValueError):
        return PixelSettings.from_json((fact.record or {})["made_with"])
    return None


def not_again(standing: Mapping[str, Standing]) -> list[Finding]:
    """Probes that a person wanted merged again and that could not be."""
    return [
        Finding(
            kind="not merged again", item=s.view.id, severity=Severity.PERSON,
            what=f"It could not be merged again: {s.refused}. Version {s.version} stands as it was.",
            next=f"Ask with other settings, or take it back: `nightloader remerge --take-back --probe {s.view.id}`.",
        )
        for s in standing.values() if s.refused
    ]


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
