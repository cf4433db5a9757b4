"""A card's way after its copies: what the ledger knows decides what is due, so every pass may be cut short.

``Desk.work`` is one pass over all steps after copying.  It reads facts, does what is owed and stores facts;
nothing is kept between passes but what makes an idle pass cheap.
"""

from __future__ import annotations

import json
import math
import traceback
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from ingest.errors import LedgerUnusable
from ingest.machinery.clock import utc_of_seconds
from ingest.machinery.worker.elsewhere import Elsewhere
from ingest.originals import Originals
from ingest.outbox import Outbox
from ingest.records.cards import FileKind, PresentCard
from ingest.records.coverage import Captured, Taken
from ingest.records.filing import Placement
from ingest.records.findings import Finding, Severity
from ingest.records.names import shown
from ingest.records.roles import LENS_GRID, SERVES
from ingest.records.views import View
from ingest.services import Services
from ingest.steps.clips import stage as clips
from ingest.steps.clocks import stage as clocks
from ingest.steps.codes import stage as codes
from ingest.steps.copying.stage import all_stills_settled
from ingest.steps.coverage import stage as coverage
from ingest.steps.coverage.probe_checks import in_sun
from ingest.steps.coverage.words import to_json
from ingest.steps.filing import stage as filing
from ingest.steps.filing import stage_clips as filed_clips
from ingest.steps.light import stage as light
from ingest.steps.merging import stage as merging
from ingest.steps.panorama import stage as panorama
from ingest.steps.paperwork import stage as paperwork
from ingest.steps.probes import stage as probes
from ingest.steps.probes.grouping import Remembered
from ingest.steps.setups.page import PAGE_FILE
from ingest.steps.sights import stage as sights
from ingest.steps.stills import stage as stills
from ingest.steps.stills.frames import name_of


@dataclass(slots=True)
class Desk:
    """The work at the desk: stills read, sets found, probes merged and filed, papers written."""

    services: Services
    arriving: bool = False  # a card is there whose listing has not settled: no set is found before its stills are
    failed: bool = False  # the last pass ended in an error nobody expected
    meanwhile: Callable[[], None] = lambda: None  # called while merges run: cards are looked for all the same
    elsewhere: Elsewhere | None = None  # what a person asked to be merged again is merged there
    waited_s: float = 0.0  # of the last pass: for merges in processes of their own
    redo_owed: int = 0  # probes that a person asked to be merged again and that are not yet, at the last pass
    _told: bool = True  # a finding of it may stand, also from an earlier start
    _mark: Any = None
    _papers: dict[str, Any] = field(default_factory=dict)
    _grouped: Any = None
    _days: Remembered = field(default_factory=Remembered)
    _closes_s: float = math.inf  # when the next setup closes, or the time of what it lacks is over

    def is_due(self) -> bool:
        """Whether anything changed since the last whole pass: facts, the person's files, the destinations, or the
        hour: what a setup lacks is told the moment it closes."""
        if self.services.clock.now().timestamp() >= self._closes_s:
            return True
        return self._mark is None or self._mark != self._state()

    def _state(self) -> Any:
        services = self.services
        files = []
        show = services.settings.show
        names = (show.setup_log, show.clock_notes, show.measurements, show.expected_cards)
        paths = [(name, services.settings.beside(name)) for name in names]
        paths.append((PAGE_FILE, services.settings.beside(show.setup_log).with_name(PAGE_FILE)))
        for name, path in paths:
            try:
                seen = path.stat()
                files.append((name, seen.st_mtime_ns, seen.st_size))
            except OSError:
                files.append((name, 0, -1))
        return self.arriving, services.store.foreign_changes(), tuple(files), tuple(
            d.id for d in services.cards.destinations() if probes.is_here(services, d)
        )

    def work(self, present: Sequence[PresentCard]) -> None:
        """One pass.  Stops early, leaving the rest owed, when ``services.stop`` is set.

        An error nobody expected is told and ends the pass, not the daemon: copying goes on, and the work is
        tried again as soon as anything changes.
        """
        state = self._state()
        try:
            self._pass(present, state)
        except LedgerUnusable:
            raise
        except Exception as error:
            self._mark = state
            self._failed(error)
        else:
            if self._told:
                self.failed = self._told = False
                self.services.work.set_findings("desk", (), self.services.clock.utc())

    def refile(self) -> None:
        """What a person just said, and no more: places, the records of what moves, what is due, the running log.

        No picture is opened or made, for whoever calls this keeps the ledger from a daemon that starts meanwhile;
        a probe that is not merged yet, crops, merges and the cards' papers wait for the next whole pass.
        """
        services = self.services
        try:
            with Outbox(services) as outbox:
                originals = Originals(services, outbox.here)
                views = services.work.views()
                standing = merging.Merging(
                    services, outbox, originals, sights.chart_colours(services, originals, measure=False)
                ).standing(views)
                versions = {i: s.version for i, s in standing.items()}
                filed = filing.decide(services, views, versions)
                made = [v for v in views if standing[v.id].owed is None]
                moved = self._file(outbox, made, filed, versions, aside=True)
                self._records(outbox, originals, [v for v in made if v.id in moved], filed)
                self._cover(originals, views, filed, filed_clips.file_stills(services, filed.together))
                paperwork.running_log(services, outbox)
                if outbox.findings:  # else what a whole pass met stands
                    services.work.set_findings("outbox", outbox.findings, services.clock.utc())
        except LedgerUnusable:
            raise
        except Exception as error:
            self._failed(error)

    def remerge(self, *, for_s: float = 60.0) -> int:
        """Merge again what a person asked for, for about so long; answers how many have their picture or refusal.

        What follows from a new picture (its place, its panorama, its papers) is the next pass's work, and so is a
        card that came meanwhile: a season that is merged again must not hold up the day.
        """
        services, done = self.services, 0
        until = services.clock.steady_s() + for_s
        try:
            with Outbox(services) as outbox:
                originals = Originals(services, outbox.here)
                views = services.work.views()
                merge = self._merging(outbox, originals)
                standing = merge.standing(views)
                owed = {i: s.redo for i, s in standing.items() if s.redo is not None}
                versions = {i: owed[i].version if i in owed else s.version for i, s in standing.items()}
                done = merge.merge_all(
                    list(owed.values()), filing.decide(services, views, versions).places, meanwhile=self.meanwhile,
                    enough=lambda: services.clock.steady_s() >= until, elsewhere=self.elsewhere,
                )
                services.work.set_findings("outbox", outbox.findings, services.clock.utc())
        except LedgerUnusable:
            raise
        except Exception as error:
            self._failed(error)
        if done:
            self.look_again()
        return done

    def look_again(self) -> None:
        """The next pass is due: this process itself changed what the pass goes by."""
        self._mark = None

    def _merging(self, outbox: Outbox, originals: Originals) -> merging.Merging:
        colours = sights.chart_colours(self.services, originals)
        return merging.Merging(self.services, outbox, originals, colours)

    def standing(self) -> tuple[tuple[View, Placement, merging.Standing], ...]:
        """Every probe of the last grouping with where it belongs and which version of it counts."""
        with Outbox(self.services) as outbox:
            views = self.services.work.views()
            standing = self._merging(outbox, Originals(self.services, outbox.here)).standing(views)
            filed = filing.decide(self.services, views, {i: s.version for i, s in standing.items()})
        return tuple((v, filed.placements[v.id], standing[v.id]) for v in views)

    def _failed(self, error: Exception) -> None:
        self.failed = self._told = True
        where = traceback.extract_tb(error.__traceback__)[-1]
        self.services.log.error("the work after copying failed", error=repr(error), trace=traceback.format_exc())
        self._new_findings("desk", [Finding(
            kind="not worked out", item="the work after copying", severity=Severity.PERSON,
            what=f"Sets, merges or papers stopped at an error of the program's own ({type(error).__name__} in "
            f"{where.filename.replace(chr(92), '/').rpartition('/')[2]}, line {where.lineno}). Copying goes on.",
            next="The log has the details; report them. It is tried again with every change and every start.",
        )])

    def _pass(self, present: Sequence[PresentCard], state: Any) -> None:
        services = self.services
        self.waited_s = 0.0
        self._closes_s = math.inf  # a pass that ends early, or badly, must not be asked for by the hour at once
        with Outbox(services) as outbox:
            # Asked before the copies are looked up: what lands from here on is read, and counts, in the next pass.
            settled = not self.arriving and all_stills_settled(services.cards, [p.card.id for p in present])
            originals = Originals(services, outbox.here)
            stills.read_new(services, originals)
            clips.read_new(services, originals)
            codes.read_new(services, originals)
            if services.stop.is_set():
                return
            if settled:
                self._group(originals)
            views = services.work.views()
            done = self._merge_and_file(outbox, originals, views)
            if services.stop.is_set():
                return
            self._write_papers(outbox)
            outbox.spread()
            services.work.set_findings("outbox", outbox.findings, services.clock.utc())
        if done:
            self._mark = state

    def _group(self, originals: Originals) -> None:
        made = probes.regroup(
            self.services, originals, before=self._grouped, notes=clocks.notes_bytes(self.services),
            clock=clocks.correct_frames, means=clocks.means, apart=clocks.set_apart, remembered=self._days,
        )
        if made is None:
            return
        self._grouped = made.mark
        self._new_findings("grouping", made.findings)

    def _merge_and_file(self, outbox: Outbox, originals: Originals, views: Sequence[View]) -> bool:
        services = self.services
        colours = sights.chart_colours(services, originals)
        merge = merging.Merging(services, outbox, originals, colours)
        standing = merge.standing(views)
        versions = {i: s.version for i, s in standing.items()}
        filing.keep_logs(services)
        filed = filing.decide(services, views, versions)
        owed = [s.owed for s in standing.values() if s.owed is not None]
        began_s = services.clock.steady_s()
        merge.merge_all(owed, filed.places, meanwhile=self.meanwhile)
        self.waited_s = services.clock.steady_s() - began_s
        if services.stop.is_set():
            return False
        self._file(outbox, views, filed, versions)
        current = {p.id: p for p in services.work.probes()}
        stitched = panorama.stitch(services, outbox, views, filed.places, current, clocks.means, self.elsewhere)
        stills_filed = filed_clips.file_stills(services, filed.together)
        lit = light.summarise(
            services, outbox, originals, views, filed.places, current, around(services, views, filed, stills_filed),
            lambda position: panorama.newest(services, position), self.elsewhere,
        )
        if services.stop.is_set():
            return False
        of_merges = self._records(outbox, originals, views, filed)
        self._new_findings("probes", [*stitched, *lit, *of_merges, *light.unequal_views(views),
                                      *merging.not_again(standing)])
        if sights.read_new(services, originals, views):
            stills_filed = filed_clips.file_stills(services, filed.together)
        self._new_findings("sights", sights.findings(services, colours))
        self._references(outbox, originals, views, filed, stills_filed)
        self._cover(originals, views, filed, stills_filed)
        after = merge.standing(views).values()
        self.redo_owed = sum(s.redo is not None for s in after)
        return all(s.owed is None for s in after)

    def _file(
        self, outbox: Outbox, views: Sequence[View], filed: filing.Filing, versions: Mapping[str, int], *,
        aside: bool = False,
    ) -> set[str]:
        """Views and their outputs to their places; answers those that are filed anew.  ``aside``: with what later
        steps made of them, which a whole pass leaves to these."""
        services = self.services
        paths = {v.id: merging.paths_of(filed.places[v.id], services.show) for v in views}
        if aside:
            filing.bring_along(services, outbox, views, filed, versions)
        moved = filing.settle(services, outbox, views, filed, versions, paths)
        everything = services.work.views()
        looked_at = filing.reviewed(services, everything)
        filing.remember(services, everything, filed, looked_at)
        self._new_findings("filing", filing.findings(everything, filed, looked_at))
        return moved

    def _records(
        self, outbox: Outbox, originals: Originals, views: Sequence[View], filed: filing.Filing
    ) -> list[Finding]:
        """The record beside each probe; answers what the merges found."""
        services = self.services
        current = {p.id: p for p in services.work.probes()}
        of_merges = merging.findings(views, list(current.values()))
        by_probe: dict[str, list[Finding]] = {}
        for finding in of_merges:
            by_probe.setdefault(finding.item.split(":", 1)[0], []).append(finding)
        lies = services.work.filings()
        for view in views:
            fact = current.get(view.id)
            if fact is not None:
                place = filed.places[view.id]
                paperwork.probe_papers(
                    services, outbox, originals, view, fact, filed.placements[view.id], place,
                    merging.paths_of(place, services.show), by_probe.get(view.id, []),
                    str(lies.get(view.id, {}).get("utc") or ""),
                )
        return of_merges

    def _cover(
        self, originals: Originals, views: Sequence[View], filed: filing.Filing,
        stills_filed: Sequence[filed_clips.FiledStill],
    ) -> None:
        services = self.services
        files = [(o.digest, o.card_id, o.path) for o in originals.of_kind(FileKind.CLIP)]
        made = filed_clips.file_clips(services, files, filed.together)
        found = coverage.cover(
            services, filed.log, views, filed.placements, captured_of(made), taken_of(stills_filed),
            lambda: [(o.digest, o.card_id) for o in originals.of_kind(FileKind.STILL)],
        )
        now_s = self.services.clock.now().timestamp()
        moments = [m for s in found.setups for m in (s.until_s, *(i.due_until_s for i in s.items)) if m is not None]
        self._closes_s = min((m for m in moments if m > now_s), default=math.inf)
        questions = (*filed.log.questions, *found.questions)
        rows = {(r.file, r.line): r.key for r in filed.log.rows}
        entries = [to_json(s, [q for q in questions if rows.get((q.file, q.line)) == s.key]) for s in found.setups]
        for entry in entries:
            for item in entry["items"]:
                item["asked"] = item["item"] in found.asked
        services.work.put("coverage", json.dumps(entries))
        services.work.put("clips filed", json.dumps([clip_json(c) for c in made]))
        services.work.put("references filed", json.dumps([
            {"id": s.id, "role": s.role, "start_utc": utc_of_seconds(s.start_s), "day": s.placement.day,
             "setup": s.placement.setup}
            for s in stills_filed if not s.proposed and s.start_s is not None and s.placement.setup
        ]))
        self._new_findings("coverage", found.findings)
        self._new_findings("clips", filed_clips.findings(made))

    def _references(
        self, outbox: Outbox, originals: Originals, views: Sequence[View], filed: filing.Filing,
        stills_filed: Sequence[filed_clips.FiledStill],
    ) -> None:
        """Confirmed balls, small, beside the nearest probe of their setup."""
        balls = []
        for still in stills_filed:
            near = [
                (abs(still.start_s - v.taken_s[0]), v.id) for v in views
                if v.taken_s and still.start_s is not None and filed.placements[v.id].key == still.placement.key
            ]
            if near and still.placement.setup and not still.proposed and still.role in ("grey_ball", "mirror_ball"):
                balls.append((still.digest, still.role, still.id, min(near)[1]))
        sights.cut_out(self.services, outbox, originals, balls, filed.places)

    def _write_papers(self, outbox: Outbox) -> None:
        services = self.services
        found: list[Finding] = []
        for id in [c.id for c in services.cards.cards()]:
            # The stamp first: what changes from here on makes another one, and so the papers anew.
            stamp = (services.cards.stamp(id), tuple(d.id for d in outbox.here))
            card = services.cards.card(id)
            if card is None:
                continue
            if self._papers.get(id, (None, ()))[0] != stamp:
                paperwork.card_history(services, outbox, card)
                self._papers[id] = (stamp, paperwork.card_papers(services, outbox, card))
            found += self._papers[id][1]
        paperwork.running_log(services, outbox)
        paperwork.show_paper(services, outbox)
        self._new_findings("paperwork", found)

    def _new_findings(self, source: str, found: Sequence[Finding]) -> None:
        services = self.services
        for finding in services.work.set_findings(source, found, services.clock.utc()):
            services.log.warning("finding", kind=finding.kind, item=finding.item, what=finding.what)
            services.tell("finding", finding.to_json())


def around(
    services: Services, views: Sequence[View], filed: filing.Filing, stills_filed: Sequence[filed_clips.FiledStill]
) -> light.Around:
    """What the log and the references say about the light of each probe."""
    sunny = {r.key for r in filed.log.rows if in_sun(r)}
    seen = services.work.sights()
    groups, balls, shone = {}, {}, set()
    for view in views:
        placement = filed.placements[view.id]
        if not placement.setup:
            continue
        groups[view.id] = "|".join((placement.day, placement.unit, placement.shot or placement.setup))
        if placement.key in sunny:
            shone.add(view.id)
        own = [s for s in stills_filed if s.role == "grey_ball" and not s.proposed and s.placement.setup
               and s.placement.key == placement.key]
        taken = view.taken_s[0] if view.taken_s else 0.0
        own.sort(key=lambda s, taken=taken: (abs((s.start_s or 0.0) - taken), s.id))  # type: ignore[misc]
        balls[view.id] = [
            light.Ball(digest=s.digest, id=s.id, corners=next(
                (thing.corners for thing in seen.get(s.digest, ()) if thing.what == "grey_ball"), None)) for s in own
        ]
    return light.Around(groups=groups, balls=balls, in_sun=shone)


def taken_of(stills: Sequence[filed_clips.FiledStill]) -> list[Taken]:
    """Stills with a role as evidence that an item is there, or as a proposal."""
    return [
        Taken(
            id=s.id, item=SERVES.get(s.role, s.role), day=s.placement.day, unit=s.placement.unit,
            setup=s.placement.setup, start_s=s.start_s, end_s=s.start_s, review=s.placement.review,
            proposed=s.proposed, lens_serial=s.lens_serial,
        )
        for s in stills if s.placement.setup or s.role == LENS_GRID
    ]


def captured_of(made: Sequence[filed_clips.FiledClip]) -> list[Captured]:
    """Clips as the reconciling sees them."""
    out = []
    for clip in made:
        name = name_of(clip.files[0])
        out.append(Captured(
            id=clip.id, kind="clip", name=clip.files[0].rsplit("/", 1)[-1], role=clip.role,
            body="|".join(v or "" for v in (clip.facts.make, clip.facts.model, clip.facts.body_serial)).strip("|"),
            start_s=clip.start_s, day=clip.placement.day, unit=clip.placement.unit, setup=clip.placement.setup,
            frame_rate=clip.facts.frame_rate, lens=clip.facts.lens or "", focal_mm=clip.facts.focal_mm,
            lens_serial=clip.facts.lens_serial or "", body_serial=clip.facts.body_serial or "",
            series=name.prefix, number=name.number, duration_s=clip.facts.duration_s, proposed=clip.proposed,
            card=clip.card_id, trashed=clip.trashed,
        ))
    return out


def clip_json(clip: filed_clips.FiledClip) -> dict[str, Any]:
    """One entry of ``clips --json``."""
    rate = clip.facts.frame_rate
    return {
        "id": clip.id, "files": [shown(f) for f in clip.files], "shot": clip.placement.shot or None,
        "setup": clip.placement.setup or None, "day": clip.placement.day or None, "role": clip.role or None,
        "proposed_role": (clip.proposed or None) if not clip.role else None,
        "start_utc": utc_of_seconds(clip.start_s) if clip.start_s is not None else None,
        "duration_s": clip.facts.duration_s, "frame_rate": f"{rate.numerator}/{rate.denominator}" if rate else None,
        "timecode": clip.facts.timecode, "kind": clip.facts.kind, "codec": clip.facts.codec,
        "width": clip.facts.width, "height": clip.facts.height, "review": clip.placement.review,
        "trashed": clip.trashed,
        "reasons": [*clip.placement.reasons, *([clip.trouble] if clip.trouble else []),
                    *(["from the card's trash: somebody deleted it, so it is no take"] if clip.trashed else [])],
    }
