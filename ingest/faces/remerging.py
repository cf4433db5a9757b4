"""Merging a part of a show again: what is asked becomes decisions, the desk carries them out.

A decision clings to a probe's first frame, with the settings to use; it goes into the show's running log like every
other, so that an adopted ledger knows it.  The daemon reads its settings when it starts: the ones to use are those
of the settings file when the command was given, so they travel with the asking.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from ingest.errors import EXIT_INTERRUPTED, EXIT_NEEDS_A_PERSON, EXIT_WELL, UsageError
from ingest.pipeline import Desk
from ingest.records.filing import Placement
from ingest.records.merges import Again, PixelSettings
from ingest.records.views import View
from ingest.services import Services
from ingest.steps.clocks.bodies import names_of
from ingest.steps.clocks.stage import means
from ingest.steps.merging.redo import Choice, Selection, Subject, What, choose
from ingest.steps.merging.stage import ASKED, PROGRAM, Standing, made_with

KINDS = ("shots", "setups", "days", "probes", "bodies")


@dataclass(frozen=True, kw_only=True, slots=True)
class Asking:
    """What the command was given; travels to the daemon as JSON.  ``token`` names this asking for good."""

    token: str
    selection: Selection
    settings: PixelSettings
    force: bool = False
    scheduler: str = ""

    def to_json(self) -> dict[str, Any]:
        chosen = {kind: sorted(getattr(self.selection, kind)) for kind in KINDS}
        return {"token": self.token, "settings": self.settings.to_json(), "force": self.force,
                "scheduler": self.scheduler, "everything": self.selection.everything, **chosen}

    @classmethod
    def from_json(cls, value: Mapping[str, Any]) -> Asking:
        chosen = {kind: frozenset(str(v) for v in value.get(kind, ())) for kind in KINDS}
        return cls(
            token=str(value["token"]), settings=PixelSettings.from_json(value["settings"]),
            force=bool(value.get("force")), scheduler=str(value.get("scheduler", "")),
            selection=Selection(everything=bool(value.get("everything")), **chosen),
        )


@dataclass(slots=True)
class Job:
    """One asking under way: the probes it waits for, and how many stood as they were."""

    waits_for: Mapping[str, int]  # probe -> its version when it began
    stand: int = 0

    def left(self, desk: Desk) -> int:
        """How many are still to be made."""
        return sum(s.view.id in self.waits_for and (s.redo or s.owed) is not None for _, _, s in desk.standing())

    def words(self, desk: Desk, lost: str = "") -> tuple[str, int]:
        """For the person, and the exit code; ``lost`` says why a cluster was."""
        own = [s for _, _, s in desk.standing() if s.view.id in self.waits_for]
        refused = [s for s in own if s.refused or (s.made is not None and s.made.trouble)]
        left = sum((s.redo or s.owed) is not None for s in own)
        made = sum(s.version != self.waits_for[s.view.id] for s in own if s.owed is None)
        lines = []
        if self.waits_for or not self.stand:
            lines.append(f"{made} probes merged again as new versions; the versions before stay, marked superseded.")
        if self.stand:
            lines.append(f"{self.stand} were made with these settings by this program already and stand as they are.")
        lines += [f"! {s.view.id}: {s.refused or (s.made.trouble if s.made else '')}" for s in refused]
        if left:
            lines.append(f"{left} are still owed: no disk that holds their frames or takes them is here. They are"
                         " made when it is back.")
        if lost:
            lines.append(f"! The cluster was lost on the way ({lost}); the rest was merged on this machine.")
        return "\n".join(lines), EXIT_NEEDS_A_PERSON if refused or left else EXIT_WELL


def ask(services: Services, desk: Desk, asking: Asking) -> Job:
    """Store what was asked for, in one transaction; once only, also where a stop comes right after.

    Raises UsageError where the selection takes nothing, or names what no probe answers to.
    """
    known = desk.standing()
    versions = {v.id: s.version for v, _, s in known}
    if before := decided(services, asking):  # a stop came after this: go on with it
        return Job(waits_for={v.id: versions[v.id] for v, _, _ in known if before & set(v.digests)})
    subjects = [_subject(services, *one) for one in known]
    choices = _chosen(asking, subjects)
    again = Again(token=asking.token, settings=asking.settings).to_json()
    _decide(services, {v.id: v for v, _, _ in known}, choices, again)
    desk.look_again()
    return Job(waits_for={c.id: versions[c.id] for c in choices if c.what is not What.STANDS},
               stand=sum(c.what is What.STANDS for c in choices))


def decided(services: Services, asking: Asking) -> set[str]:
    """Frames that carry this asking already."""
    return {d for d, said in services.work.decisions(ASKED).items() if said.get("token") == asking.token}


def _chosen(asking: Asking, subjects: Sequence[Subject]) -> list[Choice]:
    if asking.selection.empty:  # only what was asked for before and is still owed
        owed = [Choice(id=s.id, what=What.GOES_ON) for s in subjects if s.owed is not None]
        if not owed:
            raise UsageError("nothing is owed.", next="Say what to merge again: --shot, --setup, --day, --probe,"
                             " --body or --all.")
        return owed
    if unknown := asking.selection.unknown(subjects):
        raise UsageError(f"no probe has {', '.join(unknown)}.", next="List them with `nightloader probes`.")
    choices = choose(subjects, asking.selection, asking.settings, PROGRAM, force=asking.force)
    if not choices:
        raise UsageError("no probe is all of that at once.", next="List them with `nightloader probes`.")
    return choices


def _decide(services: Services, views: Mapping[str, View], choices: Sequence[Choice], again: Mapping[str, Any]) -> None:
    utc = services.clock.utc()
    with services.store.transaction():
        for choice in choices:
            if choice.what is What.AGAIN and views[choice.id].digests:
                services.work.decide(ASKED, views[choice.id].digests[0], again, utc)


def _subject(services: Services, view: View, placement: Placement, standing: Standing) -> Subject:
    owed = standing.redo or (standing.owed if standing.owed is not None and standing.owed.again.token else None)
    made = standing.made
    return Subject(
        id=view.id, shots=frozenset(placement.shots or filter(None, (placement.shot,))), setup=placement.setup,
        day=placement.day, bodies=frozenset(_names(services, view.body)),
        made=made_with(made) if made is not None else None,
        program=str(((made.record if made is not None else None) or {}).get("made_with", {}).get("program", "")),
        owed=owed.again if owed is not None else None,
    )


def _names(services: Services, body: str) -> set[str]:
    nicknames = {b.nickname for b in services.settings.bodies if b.nickname and means(b, body)}
    return names_of(body) | nicknames


def take_back(services: Services, selection: Selection) -> int:
    """What was asked for and is not made yet is not wanted any more; answers of how many probes.

    The version that stands goes on to count.  A merge that runs just now is dropped when it ends.
    """
    known = Desk(services).standing()
    taken = 0
    utc = services.clock.utc()
    with services.store.transaction():
        for view, placement, standing in known:
            subject = _subject(services, view, placement, standing)
            wanted = subject.owed is not None or bool(standing.refused)
            if not wanted or not (selection.empty or selection.takes(subject)):
                continue
            how = ((standing.made.record if standing.made is not None else None) or {}).get("made_with") or {}
            before = Again(token=str(how.get("token", "")),
                           settings=made_with(standing.made) if standing.made and how.get("token") else None)
            services.work.decide(ASKED, view.digests[0], before.to_json(), utc)
            taken += 1
    return taken


def connect(services: Services, asking: Asking) -> Any:
    """The cluster that was asked for; None where this machine does it.  UsageError, ClusterUnusable."""
    if not asking.scheduler:
        return None
    from ingest.machinery.worker.cluster import Cluster

    return Cluster(asking.scheduler, memory_bytes=services.settings.merging.memory_mb << 20)


def carry_out(
    services: Services, asking: Asking, stop: threading.Event, progress: Callable[[str], None] = lambda _: None
) -> tuple[str, int]:
    """All of it here and now, holding the ledger's lock: the words for the person and the exit code."""
    from ingest.faces.deciding import desk_of

    desk = desk_of(services)
    job = Job(waits_for={})
    try:
        desk.elsewhere = connect(services, asking)
        while desk.is_due() and not stop.is_set() and not desk.failed:  # what is owed anyway comes first
            desk.work(())
        if not stop.is_set():
            job = ask(services, desk, asking)
        left, before = len(job.waits_for), -1
        while left and left != before and not stop.is_set():
            progress(f"{len(job.waits_for) - left} of {len(job.waits_for)} merged again")
            desk.remerge(for_s=30.0)
            if not stop.is_set():
                desk.work(())
            before, left = left, job.left(desk)
        lost = desk.elsewhere.lost if desk.elsewhere is not None else ""
    finally:
        if desk.elsewhere is not None:
            desk.elsewhere.close()
            desk.elsewhere = None
    if stop.is_set():
        return (f"Stopped with {job.left(desk)} of {len(job.waits_for)} still owed. `nightloader remerge` goes on with"
                " them, and so does `watch`; `nightloader remerge --take-back` drops them."), EXIT_INTERRUPTED
    return job.words(desk, lost)
