"""Looking for cards: what is there, has it been quiet, which card is it.

A look leaves facts (card, sighting, files) and nothing else; a stop at any point means that the next
look makes the same ones.  Cards are opened for reading only.
"""

from __future__ import annotations

import os
import threading
from collections.abc import Callable, Collection, Iterable, Mapping
from dataclasses import dataclass, field, replace

from ingest.errors import CardGone, LedgerUnusable, UsageError
from ingest.machinery.clock import Clock
from ingest.machinery.disk.fanout import Beat
from ingest.machinery.disk.files import Disk, Folder
from ingest.machinery.disk.folders import Folders, list_tree
from ingest.machinery.disk.patience import Ask, Hung
from ingest.machinery.disk.sampling import head_and_tail
from ingest.machinery.disk.volumes import Volume, boot_id, mount_points, volume_of
from ingest.machinery.ledger.cards import CardLedger, Sighting, Trouble
from ingest.records.cards import CardFile, CardRecord, EntryKind, Inventory, PresentCard
from ingest.records.findings import Severity
from ingest.records.names import shown
from ingest.steps.cards.arrival import Glimpse, is_quiet, remember, signature
from ingest.steps.cards.identity import (
    Known,
    Meeting,
    Recognised,
    card_id,
    folder_for,
    label_of,
    recognise,
    to_sample,
)
from ingest.steps.cards.inventory import NEVER_OPENED, is_litter, kind_of, odd_names, take


@dataclass(frozen=True, kw_only=True, slots=True)
class Sight:
    """What one look saw: cards that are quiet, places still being filled, places that did not answer."""

    ready: tuple[PresentCard, ...] = ()
    settling: tuple[str, ...] = ()
    silent: tuple[str, ...] = ()


@dataclass(frozen=True, kw_only=True, slots=True)
class _Seen:
    """One place as a listing saw it."""

    root: str
    device: int
    inode: int
    inventory: Inventory
    volume: Volume
    is_mount: bool

    @property
    def presence(self) -> str:
        return shown(f"{boot_id()}:{self.volume.mount}:{self.device}:{self.inode}")

    def as_folder(self) -> Folder:
        return Folder(None, self.root, self.device, self.inode)

    @property
    def volume_id(self) -> str:
        """A folder on the cart's own disk is no volume of its own; it is known by content."""
        return self.volume.id if self.is_mount else ""


@dataclass(slots=True)
class _Memory:
    glimpses: dict[str, Glimpse] = field(default_factory=dict)
    known: dict[str, tuple[str, str, PresentCard]] = field(default_factory=dict)  # root -> presence, signature, card
    stuck: dict[str, Ask[_Seen]] = field(default_factory=dict)
    odd: set[str] = field(default_factory=set)  # roots that could not be understood
    taken: dict[str, _Seen] = field(default_factory=dict)  # roots outside the watched places, taken by their paths


class Lookout:
    """Looks at watched places.  ``day`` answers the running production day (YYYY-MM-DD); ``avoid`` are the
    destinations and ``home`` the show's own folder, which are never taken for cards."""

    def __init__(
        self, disk: Disk, ledger: CardLedger, clock: Clock, *, day: Callable[[], str], settle_s: float = 10.0,
        hang_s: float = 60.0, avoid: Collection[str] = (), home: str = "", stop: threading.Event | None = None,
    ) -> None:
        self._stop = stop or threading.Event()
        self._disk, self._ledger, self._clock, self._day = disk, ledger, clock, day
        self._settle_s, self._hang_s = settle_s, hang_s
        self._avoid = {os.path.realpath(p) for p in avoid}
        self._home = os.path.realpath(home) if home else ""
        self._memory = _Memory()

    def look(self, places: Iterable[str]) -> Sight:
        """Compare what is there with the ledger.  A place is a mount point, or a folder whose subfolders
        are cards (mount points or dumps).  Cards no longer there are noted as gone."""
        seen: dict[str, _Seen] = {}
        silent = []
        for root in self._roots(places):
            try:
                one = self._see(root)
            except CardGone:
                silent.append(root)
                continue
            if one is not None:
                seen[root] = one
        marks = {root: f"{s.presence} {signature(s.inventory)}" for root, s in seen.items()}
        self._memory.glimpses = remember(self._memory.glimpses, marks, self._clock.steady_s())
        ready, settling = [], []
        for root, one in seen.items():
            read_only = one.is_mount and bool(one.volume.read_only)
            if is_quiet(self._memory.glimpses[root], self._clock.steady_s(), self._settle_s, read_only=read_only):
                ready += self._met(one)
            else:
                settling.append(root)
        self._note_gone(seen)
        return Sight(ready=tuple(ready), settling=tuple(settling), silent=tuple(silent))

    def take(self, path: str) -> PresentCard:
        """One card now, by its path (for a command).  Raises UsageError for a place that is none of a card's, CardGone
        if it cannot be read at all."""
        real = os.path.realpath(path)
        if not os.path.isdir(real):
            raise UsageError("there is no folder there.", item=path,
                             next="Check the path and that the card is mounted.")
        if self._is_ours(real):
            raise UsageError(
                "it is a destination or the show's own folder, or lies in or around one: no copy is made of copies.",
                item=path, next="Name the card itself, where it is mounted or was copied to.",
            )
        one = self._see(real)
        if one is None:
            raise CardGone("there is no card here: the folder is empty or missing.", item=path,
                           next="Check the path and that the card is mounted.", retry=True)
        try:
            present = self._meet(one)
        except OSError as error:
            raise CardGone(f"it left while it was looked at ({error.strerror}).", item=path, retry=True,
                           next="Plug it in again and ask once more.") from error
        self._memory.taken[one.root] = one
        return present

    # -- seeing

    def _roots(self, places: Iterable[str]) -> list[str]:
        mounts = mount_points()
        found: dict[str, None] = {}
        for place in places:
            real = os.path.realpath(place)
            inner = self._subfolders(real)
            is_card = real in mounts and not any(i in mounts for i in inner) and self._looks_like_card(real)
            for root in [real] if is_card else sorted(inner):
                if not self._is_ours(root):
                    found[root] = None
        return list(found)

    def _is_ours(self, root: str) -> bool:
        """Whether a place is one of ours, or lies in or around one."""
        inside = root.rstrip(os.sep) + os.sep
        holds_home = bool(self._home) and (root == self._home or self._home.startswith(inside))
        return holds_home or any(
            root == a or root.startswith(a + os.sep) or a.startswith(inside) for a in self._avoid
        )

    def _subfolders(self, place: str) -> list[str]:
        try:
            folder = self._disk.open_root(place)
        except OSError:
            return []  # a watched place that is not there now: nothing to see yet
        try:
            return [os.path.join(place, e.name) for e in self._disk.entries(folder)
                    if e.kind is EntryKind.FOLDER and not is_litter(e.name)]
        except OSError:
            return []
        finally:
            self._disk.close_folder(folder)

    def _looks_like_card(self, place: str) -> bool:
        """A volume watched by its own mount point: it has files, or the camera folder of DCF (JEITA CP-3461)."""
        folder = self._disk.open_root(place)
        try:
            return any(
                (e.kind is EntryKind.FILE and not is_litter(e.name) and not e.name.startswith(".")) or e.name == "DCIM"
                for e in self._disk.entries(folder)
            )
        finally:
            self._disk.close_folder(folder)

    def _see(self, root: str) -> _Seen | None:
        """One listing, waited for as long as it gets on.  None: nothing there, or an empty plain folder."""
        ask = self._memory.stuck.get(root) or Ask(lambda beat: self._list(root, beat))
        try:
            seen = ask.answer(1.0 if root in self._memory.stuck else self._hang_s, self._stop)
        except Hung:
            self._memory.stuck[root] = ask
            if self._stop.is_set():  # everything ends: that nobody waited says nothing about the card
                raise CardGone("it was not waited for.", item=root, retry=True) from None
            self._ledger.trouble([Trouble(
                kind="card does not answer", path=root, what="it has not answered for a while.",
                next="Pull the card and plug it in again; try another reader.")], self._clock.utc())
            raise CardGone("it does not answer.", item=root, retry=True) from None
        except (FileNotFoundError, NotADirectoryError):
            return None
        except OSError as error:
            raise CardGone(f"it cannot be read ({error.strerror}).", item=root, retry=True) from error
        finally:
            if not ask.thread.is_alive() and self._memory.stuck.pop(root, None) is not None:
                self._ledger.no_trouble([Trouble(kind="card does not answer", path=root)])
        bare = not seen.inventory.files and not seen.inventory.problems
        return None if bare and not seen.is_mount else seen

    def _list(self, root: str, beat: Beat) -> _Seen:
        """Listing and volume of one and the same folder: a card may be mounted over it between the two."""
        for _ in range(3):
            folder = self._disk.open_root(root)
            try:
                inventory = take(list_tree(self._disk, folder, beat.on))
                volume = volume_of(root)
                if self._disk.same_place(folder):
                    return _Seen(root=root, device=folder.device, inode=folder.inode, inventory=inventory,
                                 volume=volume, is_mount=volume.path == root)
            finally:
                self._disk.close_folder(folder)
        raise CardGone("other volumes come and go there while it is looked at.", item=root, retry=True)

    def _note_gone(self, seen: Mapping[str, _Seen]) -> None:
        taken = self._memory.taken
        for root in [r for r, s in taken.items() if r in seen or not self._disk.same_place(s.as_folder())]:
            del taken[root]
        here = {s.presence for s in (*seen.values(), *taken.values())}
        open_now = [c.id for c in self._ledger.cards() if c.mount is not None]
        last = {c: self._ledger.last_sighting(c) for c in open_now}
        gone = [c for c, s in last.items() if s is not None and s.presence not in here]
        if gone:
            self._ledger.gone(gone, self._clock.utc())
        for root in [r for r in self._memory.known if r not in seen and r not in taken]:
            del self._memory.known[root]

    # -- meeting

    def _met(self, seen: _Seen) -> list[PresentCard]:
        """The card, or none: whatever is wrong with one card, the others are served and a person is told."""
        doubt = Trouble(kind="card not understood", path=seen.root)
        try:
            met = self._meet(seen)
        except LedgerUnusable:
            raise
        except (CardGone, OSError):
            return []  # it left meanwhile: the next look knows
        except Exception as error:  # a card is untrusted input: it costs itself, never the daemon
            self._memory.odd.add(seen.root)
            self._ledger.trouble([replace(
                doubt, what=f"it was not copied: {type(error).__name__}: {shown(str(error))}.",
                next="Copy it by hand for now, keep it, and report this.", severity=Severity.LOSS)], self._clock.utc())
            return []
        if seen.root in self._memory.odd:
            self._memory.odd.discard(seen.root)
            self._ledger.no_trouble([doubt])
        return [met]

    def _meet(self, seen: _Seen) -> PresentCard:
        mark = f"{seen.volume_id} {seen.inventory.changed_ns} {signature(seen.inventory)}"
        before = self._memory.known.get(seen.root)
        if before is not None and before[:2] == (seen.presence, mark):
            return before[2]
        folder = self._disk.open_root(seen.root)
        folders = Folders(self._disk, folder)
        try:
            present = self._recognise(seen, folders)
        finally:
            folders.close()
        self._memory.known[seen.root] = (seen.presence, mark, present)
        return present

    def _recognise(self, seen: _Seen, folders: Folders) -> PresentCard:
        files = seen.inventory.files
        wanted = to_sample(files)
        probe = [f for f in files if f.path in set(wanted)]
        known = [k for k in (self._known(c) for c in self._ledger.cards_holding(seen.volume_id, probe)) if k]
        samples = self._sample(folders, {*wanted, *(p for k in known for p in k.samples)} & {f.path for f in files})
        match = recognise(seen.volume_id, files, samples, known)
        utc = self._clock.utc()
        own = {p: samples[p] for p in wanted if p in samples}
        if match.meeting is Meeting.OTHER:
            id = card_id(seen.volume_id, files, own)
            self._add(id, seen, utc)
            match = Recognised(meeting=Meeting.FURTHER, id=id, fresh=tuple(f.path for f in files))
        return self._record(seen, match, own, utc)

    def _add(self, id: str, seen: _Seen, utc: str) -> None:
        label = shown(label_of(seen.volume.label if seen.is_mount else "", os.path.basename(seen.root)))
        taken = [c.folder for c in self._ledger.cards() if c.id != id]
        day = self._day()
        self._ledger.add_card(id=id, label=label, day=day, folder=folder_for(day, "", label, taken),
                              volume_id=seen.volume_id, utc=utc)

    def _record(self, seen: _Seen, match: Recognised, samples: Mapping[str, str], utc: str) -> PresentCard:
        last = self._ledger.last_sighting(match.id)
        held = {} if last is None else self._next_generation(match.id)
        generation = 1 if last is None else last.generation + bool(match.fresh)
        fresh = set(match.fresh)
        new = [(f, kind_of(f.path), held.get(f.path, generation)) for f in seen.inventory.files if f.path in fresh]
        merged = {**(last.samples if last else {}), **{p: d for p, d in samples.items() if not last or p in fresh}}
        n = self._ledger.record_sighting(
            card_id=match.id, presence=seen.presence, mount=shown(seen.root), filesystem=seen.volume.filesystem,
            read_only=seen.volume.read_only if seen.is_mount else None, generation=generation,
            whole=not seen.inventory.problems, samples=merged,
            files=new, left_out=seen.inventory.left_out, empty_folders=seen.inventory.empty_folders, utc=utc,
        )
        self._tell(match.id, seen, utc)
        card = self._ledger.card(match.id)
        assert isinstance(card, CardRecord)
        return PresentCard(
            card=card, root=seen.root, device=seen.device, inode=seen.inode, filesystem=seen.volume.filesystem,
            sighting=n, inventory=seen.inventory, again=_is_again(self._ledger.sightings(match.id), n),
        )

    def _next_generation(self, id: str) -> dict[str, int]:
        """Under which generation a known path is written down when it changed: what was never read
        whole is only corrected (a file still growing), what was read stays and gets a successor."""
        return {f.path: f.generation + bool(f.digests) for f in self._ledger.files(id)}

    def _known(self, id: str) -> Known | None:
        card, last = self._ledger.card(id), self._ledger.last_sighting(id)
        if card is None or last is None:
            return None
        files: dict[str, CardFile] = {}
        for f in self._ledger.files(id):  # in the order of listing: the newest generation comes last
            files[f.path] = CardFile(path=f.path, size_bytes=f.size_bytes, mtime_ns=f.mtime_ns)
        return Known(id=id, volume_id=card.volume_id, files=files, samples=last.samples)

    def _sample(self, folders: Folders, paths: Collection[str]) -> dict[str, str]:
        """Digest of head and tail of each; one that cannot be read has none."""
        out = {}
        for path in sorted(paths):
            try:
                out[path] = head_and_tail(self._disk, folders, path)
            except OSError:
                continue  # the copier meets it again and says so
        return out

    def _tell(self, id: str, seen: _Seen, utc: str) -> None:
        """Standing words about the card itself."""
        troubles: list[Trouble] = []
        over: list[Trouble] = []
        odd = [o.path for o in seen.inventory.left_out if o.reason in NEVER_OPENED]
        checks = (
            (
                "listing not whole",
                bool(seen.inventory.problems),
                Severity.PERSON,
                f"{len(seen.inventory.problems)} folders or entries could not be read: "
                + "; ".join(f"{p or '/'} ({w})" for p, w in seen.inventory.problems[:3])
                + ".",
                "Plug the card in again or try another reader; without a whole listing it never meets the policy.",
            ),
            (
                "nothing to keep",
                not seen.inventory.files,
                Severity.PERSON,
                "the card holds no file to be kept.",
                "Check that it is the right card; an empty card never meets the policy.",
            ),
            (
                "not followed",
                bool(odd),
                Severity.NOTE,
                f"{len(odd)} links, pipes, devices or other volumes on it were neither followed nor copied: "
                + ", ".join(shown(p) for p in odd[:3]) + (", ..." if len(odd) > 3 else "") + ".",
                "They stand in the manifest; a link's target is no part of the card.",
            ),
            (
                "card writable",
                seen.is_mount and seen.volume.read_only is False,
                Severity.NOTE,
                "the system mounted the card writable; nothing was written to it.",
                "See config/ for a rule that mounts cards read-only.",
            ),
        )
        for kind, holds, severity, what, next in checks:
            trouble = Trouble(kind=kind, card_id=id, severity=severity, what=what, next=next)
            (troubles if holds else over).append(trouble)
        troubles += [
            Trouble(kind="odd name", card_id=id, path=path, severity=Severity.NOTE, what=f"{why}; it is kept as it is.",
                    next="Nothing to do.") for path, why in odd_names(seen.inventory.files)
        ]
        if troubles:
            self._ledger.trouble(troubles, utc)
        self._ledger.no_trouble(over)


def _is_again(sightings: tuple[Sighting, ...], n: int) -> bool:
    return bool(sightings) and sightings[0].n != n
