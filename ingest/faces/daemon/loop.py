"""The daemon: look, copy, work at the desk, wait to be woken.

One thread looks and works at the desk, one copies; an audit, an adoption and the page have threads of their own.
Everything any of them knows is in the ledger, so a kill at any moment costs at most the file that was under way.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Collection, Sequence
from typing import TYPE_CHECKING, Any

from ingest.errors import EXIT_FAULT, EXIT_INTERRUPTED, EXIT_NEEDS_A_PERSON, EXIT_WELL, LedgerUnusable, UsageError
from ingest.faces import answers, deciding
from ingest.faces.daemon.notify import Notices, ServiceManager
from ingest.faces.daemon.requests import Requests
from ingest.faces.daemon.wakeups import Wakeups
from ingest.faces.outlook import Paces
from ingest.faces.shows import LAST_CLAIMS_OWED, open_known
from ingest.machinery import journal, memory
from ingest.machinery.disk.volumes import clock_is_set
from ingest.pipeline import Desk
from ingest.records.cards import PresentCard
from ingest.records.findings import Finding
from ingest.records.names import shown
from ingest.services import Services, close_services
from ingest.settings.model import Settings
from ingest.steps.audit.stage_last_claims import after_a_stop, read_found, tell_copies
from ingest.steps.audit.verdict import CardVerdict
from ingest.steps.cards.stage import Lookout, Sight
from ingest.steps.copying.plan import CopySettings, Twice
from ingest.steps.copying.stage import Copier
from ingest.steps.copying.stage_state import Progress

PROGRESS_S = 0.5  # how often a card's figures are asked of the ledger
PASSING_S = 10.0  # how long a start waits for a decision that another command carries out
HOLDS_UP_S = 600.0  # a place that grows for longer no longer keeps others from being merged

if TYPE_CHECKING:  # the server's libraries are loaded only where a page is served
    from ingest.faces.web.serving import PageServer

Event = Callable[[str, dict[str, Any]], None]


class Loader:
    """The parts of the daemon that a single card needs too."""

    def __init__(self, services: Services) -> None:
        self.services = services
        settings = services.settings
        self.lookout = Lookout(
            services.disk, services.cards, services.clock, settle_s=settings.watch.settle_s,
            day=lambda: answers.production_day(settings, services.clock.now()),
            avoid=[d.path for d in settings.destinations], home=str(settings.home), stop=services.stop,
        )
        self.copier = Copier(
            services.disk, services.cards, services.clock,
            CopySettings(
                digests=tuple(d for d in settings.copying.digests if d != "xxh3_128"),
                read_twice=Twice(settings.copying.read_twice),
            ),
            show=services.show, progress=self._progress, rank=deciding.rank(services), claiming=self._claiming,
        )
        self.desk = Desk(services)
        self.wake: Callable[[], None] = lambda: None
        self._reading: set[str] = set()
        self._paces = Paces(services)
        self._copying: threading.Thread | None = None
        self.copying = False
        self._failure: Exception | None = None
        self._shown: dict[str, tuple[str, float]] = {}

    def _claiming(self, destination: str, files: int) -> None:
        """A log that cannot be written stops claims: both lie on the cart's own disk."""
        self.services.log.info("verified", destination=destination, files=files)
        journal.must_be_kept()

    def _progress(self, progress: Progress) -> None:
        now = self.services.clock.steady_s()
        if progress.state != self._shown.get(progress.card_id, ("", 0.0))[0] or \
                now - self._shown[progress.card_id][1] >= PROGRESS_S:
            self._shown[progress.card_id] = (progress.state, now)
            files, size, done, done_bytes = self.services.cards.done(progress.card_id)
            self.services.tell("copying", {
                "card": progress.card_id, "state": progress.state, "doing": progress.doing, "path": progress.path,
                "files_done": done, "files_total": files, "bytes_done": done_bytes, "bytes_total": size,
            })
            if progress.doing == "copying":
                self._paces.note(progress.card_id, done_bytes)
        before = set(self._reading)
        if progress.state == "being read":
            self._reading.add(progress.card_id)
        else:
            self._reading.discard(progress.card_id)
            self._paces.over(progress.card_id)
        if before != self._reading:
            self.services.work.put("reading", " ".join(sorted(self._reading)))
            self.wake()

    def join_copying(self, present: Sequence[PresentCard]) -> bool:
        """Cards that came meanwhile are read beside those at work; False if one was not taken, which is offered again.
        It is no promise: the copying may be ending, and it knows only the disks that were here when it began, so one
        that begins with all of this has to follow."""
        left = [card for card in present if not self.copier.add(card)]
        return not left

    def copy(self, present: Sequence[PresentCard]) -> None:
        """Start copying what is owed, in a thread of its own; called while none is at work."""
        self.join()
        records = self.services.cards.destinations()

        def work() -> None:
            try:
                self.copier.run(present, records, self.services.stop)
            except LedgerUnusable as error:
                self._failure = error
            finally:
                self._reading.clear()
                try:
                    self._paces.end()
                    self.services.work.put("reading", "")
                finally:
                    self.copying = False
                    self.wake()

        self.copying = True
        self._copying = threading.Thread(target=work, name="copier")
        self._copying.start()

    def check(self) -> None:
        """Raises what stopped the copying for good: the ledger or the log cannot be written."""
        if self._failure is not None:
            raise self._failure

    def join(self) -> None:
        if self._copying is not None:
            self._copying.join()
            self._copying = None
        self.check()


def run(
    settings: Settings, *, drain: bool, stop: threading.Event, log: Any = None, on_event: Event | None = None
) -> int:
    """The daemon until ``stop`` is set; with ``drain`` until everything present is handled and quiet.

    Answers the exit code.  Raises LedgerBusy if another Nightloader works on the ledger.  Without ``log``
    only the log's file is written.
    """
    log = log or journal.set_up(settings.home / "logs", terminal=False)
    watchers: list[Event] = [on_event] if on_event is not None else []

    def tell(name: str, fields: dict[str, Any]) -> None:
        for watcher in watchers:
            watcher(name, fields)

    services = open_known(settings, log, stop=stop, tell=tell)
    try:
        services.store.lock(wait_s=PASSING_S)
        return _loop(services, drain=drain, watchers=watchers)
    finally:
        close_services(services)


def _page(services: Services, wake: Callable[[], None], watchers: list[Event]) -> PageServer | None:
    """The cart page, if it is wanted.  Cards come first: a page that cannot be served is told, no more."""
    if not services.settings.page.on:
        return None
    from ingest.faces.web.serving import PageServer

    try:
        page = PageServer(
            services, wake=wake, on_code=lambda code: services.log.info("page pairing code", code=code)
        )
    except UsageError as error:
        services.log.warning("no page", error=str(error))
        return None
    watchers.append(page.event)
    page.start()
    services.log.info("page", address=page.address)
    return page


def _loop(services: Services, *, drain: bool, watchers: list[Event]) -> int:
    settings, stop = services.settings, services.stop
    loader = Loader(services)
    places = [*settings.watch.places, *settings.watch.network_places]
    wakeups = Wakeups(settings.watch.places, services.log)
    manager = ServiceManager()
    notices = Notices(services, wakeups.wake)
    requests = Requests(services, wakeups.wake, loader.desk)
    loader.wake = wakeups.wake
    services.work.put("reading", "")
    Paces(services).end()
    services.work.put("clock synchronised", str(clock_is_set()))
    services.log.info("watching", places=len(places), show=services.show)
    page = None if drain else _page(services, wakeups.wake, watchers)
    manager.say("READY=1")
    try:
        tried: object = None  # what the last copying began with
        joined: object = None  # what that copying was told of meanwhile
        arriving, unfinished = Arriving(), Unfinished(drain=drain)
        claims = LastClaims(services)
        found = FoundAgain(services, wakeups.wake)
        looked_s, untaken, rereading = 0.0, False, False

        def look() -> tuple[Sight, tuple[PresentCard, ...]]:
            """What is in the slots, and copying of it begun."""
            nonlocal tried, joined, looked_s, untaken, rereading
            loader.check()
            copying = loader.copying  # where it ends meanwhile the next look follows, which reads the claims first
            here = answers.destinations(services)
            tell_copies(services, here)
            found.look()
            rereading = found.at_work
            if not copying and claims.read(services):
                tried = None  # what was withdrawn is owed
            sight = loader.lookout.look(places)
            present = (*sight.ready, *requests.cards(loader.lookout, {p.card.id for p in sight.ready}))
            state = (
                tuple((p.card.id, p.sighting, p.card.generation) for p in present),
                tuple((d.id, d.unread_since) for d in here if d.present), requests.adoptions,
            )
            if state != tried:
                unfinished.begin()
            elif not copying and unfinished.again(services, present, {d.id for d in here if d.present}):
                tried = None
            if state != tried and not requests.adopting:
                if not copying:
                    tried = joined = state
                    loader.copy(present)
                elif state != joined:
                    tried = None  # also if all is as before soon: a disk that left is not served when it is back
                    joined = state if loader.join_copying(present) else None
            untaken = state != tried
            looked_s = services.clock.steady_s()
            return sight, present

        def meanwhile() -> None:
            """Called while pictures are made, which may take long: a card is copied as soon as it is there."""
            manager.say("WATCHDOG=1")
            if wakeups.woken() or services.clock.steady_s() - looked_s >= settings.watch.rescan_s:
                look()

        loader.desk.meanwhile = meanwhile
        while not stop.is_set():
            manager.say("WATCHDOG=1")
            sight, present = look()
            started = services.clock.steady_s()
            worked = False
            loader.desk.arriving = arriving.any(sight.settling, started)
            if loader.desk.is_due() and not requests.adopting:
                loader.desk.work(present)
                requests.worked()
                memory.give_back()
                worked = True
                started += loader.desk.waited_s
            elif not requests.adopting:
                requests.remerge()
            took = services.clock.steady_s() - started
            quiet = not (loader.copying or worked or sight.settling or loader.desk.is_due() or untaken)
            requests.serve(quiet=not (loader.copying or untaken or loader.desk.is_due()))
            if worked or not loader.copying:
                notices.look()
            if drain and quiet and not requests.at_work and not rereading:
                break
            # A heavy pass is not repeated at once while copies keep coming: it would starve the copier.
            pause = settings.watch.rescan_s if not drain else min(settings.watch.rescan_s, 0.2)
            if took > 0.5 and loader.copying:
                stop.wait(min(30.0, 2 * took))
            if manager.beat_s is not None:
                pause = min(pause, manager.beat_s)
            wakeups.wait(pause, stop)
    finally:
        manager.say("STOPPING=1")
        if page is not None:
            page.close()
        if stop.is_set():
            services.worker.close()
        requests.close()
        found.close()
        loader.join()
        wakeups.close()
        notices.close()
    claims.end()
    if stop.is_set() and drain:
        return EXIT_INTERRUPTED
    if loader.desk.failed and drain:
        return EXIT_FAULT
    short = any(not v.policy_met for v in answers.verdicts(services))
    asks = any(f.severity != "note" for f in answers.all_findings(services))
    return EXIT_NEEDS_A_PERSON if drain and (short or asks) else EXIT_WELL


class LastClaims:
    """What was claimed last before a stop without an end is read again, disk by disk as they are here."""

    RUNNING, OWED = "running since", LAST_CLAIMS_OWED

    def __init__(self, services: Services) -> None:
        self._work = services.work
        owed = set((self._work.recall(self.OWED) or "").split())
        if self._work.recall(self.RUNNING):
            owed |= {d.id for d in services.cards.destinations()}
        self._keep(owed)
        self._work.put(self.RUNNING, services.clock.utc())

    def _keep(self, owed: set[str]) -> None:
        self._owed = owed
        self._work.put(self.OWED, " ".join(sorted(owed)))

    def read(self, services: Services) -> bool:
        """Read what is owed and here, and whether anything was; called before anything is copied."""
        done = after_a_stop(services, self._owed) if self._owed else set()
        if done:
            self._keep(self._owed - done)
        return bool(done)

    def end(self) -> None:
        """The stop that follows has an end."""
        self._work.put(self.RUNNING, "")


class Unfinished:
    """Copying that stopped for a reason which may pass while the card stays in: it is tried again, ever more seldom.

    A card or disk that was pulled and put back between two looks, one whose listing changed, a disk on which somebody
    made room: nothing else would tell the daemon.  What fails for good (a bad sector) is not tried for ever.
    """

    PASSING = ("card gone", "listing changed", "no room", "disk full", "cart short of means",
               "second reading not finished")
    BACK = ("destination absent", "destination in trouble")  # at a disk that is here now
    BACK_TRIES = 5  # a disk that fails for good is left to a person after 5 + 10 + 20 + 40 + 80 s
    FIRST_S, LAST_S = 5.0, 300.0
    DRAIN_TRIES = 2  # before everything counts as handled

    def __init__(self, *, drain: bool = False) -> None:
        self._drain = drain
        self._tries = 0
        self._since: float | None = None

    def begin(self) -> None:
        """Cards or disks changed: all is tried anyway, and what follows is a new story."""
        self._tries, self._since = 0, None

    def again(self, services: Services, present: Sequence[PresentCard], disks: Collection[str] = ()) -> bool:
        """Whether it is time to try once more: for a card that is here, or a disk that other copies can serve, or one
        of ``disks`` (ids of those here) that failed the last time, as one that was unplugged for a moment does."""
        if self._drain and self._tries >= self.DRAIN_TRIES:
            return False
        here = {p.card.id for p in present}
        passing = any(card in here or disk or not card for card, disk in services.cards.in_trouble(self.PASSING))
        if not passing and not (self._tries < self.BACK_TRIES and any(
            disk in disks for _, disk in services.cards.in_trouble(self.BACK)
        )):
            return False
        now = services.clock.steady_s()
        if self._since is None:
            self._since = now
        if not self._drain and now - self._since < min(self.LAST_S, self.FIRST_S * 2.0**self._tries):
            return False
        self._tries, self._since = self._tries + 1, None
        return True


class FoundAgain:
    """A disk declared lost that was added again, or another under a destination's identity: all its copies are read, in
    a thread, before it counts."""

    def __init__(self, services: Services, wake: Callable[[], None]) -> None:
        self._services, self._wake = services, wake
        self._thread: threading.Thread | None = None

    @property
    def at_work(self) -> bool:
        return self._thread is not None and self._thread.is_alive()

    def look(self) -> None:
        if not self.at_work and (owed := self._services.cards.found_again()):
            self._thread = threading.Thread(target=self._read, args=(owed,), name="found again", daemon=True)
            self._thread.start()

    def _read(self, owed: dict[str, str]) -> None:
        try:
            for id, since in owed.items():
                if read_found(self._services, id, since):
                    self._wake()
        except LedgerUnusable as error:  # whoever copies meets it too, and stops
            self._services.log.error("found disk not read", error=str(error))

    def close(self) -> None:
        if self._thread is not None:
            self._thread.join(timeout=5.0)


class Arriving:
    """Cards whose listing still changes, which hold up the finding of sets: a restart in the middle of a card
    must not merge the half of a bracket.  One that grows for very long (a dump over a slow network) no longer
    does; its late frames then make a new version."""

    def __init__(self) -> None:
        self._since: dict[str, float] = {}

    def any(self, settling: Sequence[str], now_s: float) -> bool:
        """Whether sets must wait, given the places that are not quiet yet at a steady time."""
        self._since = {place: self._since.get(place, now_s) for place in settling}
        return any(now_s - since < HOLDS_UP_S for since in self._since.values())


def offload(services: Services, path: str) -> tuple[int, str]:
    """One card now; returns when its probes are merged and filed: the exit code, and how its copies stand."""
    loader = Loader(services)
    present = loader.lookout.take(path)  # first: a wrong path is no stop without an end
    tell_copies(services, answers.destinations(services))
    claims = LastClaims(services)
    claims.read(services)
    loader.copy([present])
    while loader.copying and not services.stop.is_set():
        if loader.desk.is_due():
            loader.desk.work([present])
        services.stop.wait(0.2)
    loader.join()
    while loader.desk.is_due() and not services.stop.is_set():
        loader.desk.work([present])
    claims.end()
    if services.stop.is_set():
        return EXIT_INTERRUPTED, ""
    verdict = next(v for v in answers.verdicts(services) if v.card_id == present.card.id)
    probes = {
        v.id for v in services.work.views() if any(f.card_id == verdict.card_id for fr in v.frames for f in fr.files)
    }
    own = [f for f in answers.all_findings(services) if f.severity != "note" and _is_of(f, verdict, probes)]
    words = f"{shown(verdict.label or verdict.folder)}: copies once reused {verdict.figure}"
    if own:
        words += f"; {len(own)} finding{'' if len(own) == 1 else 's'} for a person (`nightloader status`)"
    if loader.desk.failed:
        return EXIT_FAULT, words
    return EXIT_WELL if verdict.policy_met and not own else EXIT_NEEDS_A_PERSON, words


def _is_of(finding: Finding, verdict: CardVerdict, probes: Collection[str]) -> bool:
    """Whether a finding is about this card, a file on it, or a probe with frames on it."""
    about = finding.item.partition(":")[0]
    return (
        finding.more.get("card") == verdict.card_id or verdict.card_id in finding.item
        or finding.item.startswith(f"{verdict.folder}/") or about in probes
    )
