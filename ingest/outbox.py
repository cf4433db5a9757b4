"""Our own files at the destinations: written to all that are here, owed to those that are not.

Merged pictures are made once and never overwritten; papers are replaced whole.  What each destination
holds is a fact in the ledger (``outputs``) that comes last, so a stop leaves at most a temporary file
that the plan lists, or a finished file without its fact, which the next run reads again and keeps if it
is equal.  A file that must move (its setup became known) is renamed on its own volume; the ledger follows.
"""

from __future__ import annotations

import contextlib
import os
from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace

from ingest.errors import DestinationUnavailable, NameTaken, NightloaderError, ReadBackDiffers
from ingest.machinery.disk.appending import append_lines
from ingest.machinery.disk.destinations import OpenDestination, find_destination
from ingest.machinery.disk.durable import OpenTemp, Written, abandon, commit, make_durable_file, open_temp
from ingest.machinery.disk.files import read_small, write_all
from ingest.machinery.disk.hashing import digest_of
from ingest.machinery.disk.temporary import remove_temps
from ingest.machinery.ledger.cards import Planned
from ingest.machinery.ledger.work import Output
from ingest.records.cards import Proof
from ingest.records.findings import Finding, Severity
from ingest.services import Services

_PIECE = 4 << 20


class Outbox:
    """The destinations that are here, opened for one pass.  Use as a context manager.

    ``findings`` collects what went wrong at which destination; a bad destination costs that destination.
    """

    def __init__(self, services: Services) -> None:
        self._services = services
        self.here: list[OpenDestination] = []
        self.findings: list[Finding] = []
        records = sorted(services.cards.destinations(), key=lambda d: not d.required)
        for record in records:
            # an absent destination is no finding here: the copier says so
            with contextlib.suppress(DestinationUnavailable):
                found = find_destination(services.disk, record.path, record.id)
                if self._holds_unknown_papers(found):
                    found.close()
                else:
                    self.here.append(found)
        self._sweep()

    def shows(self, destination: OpenDestination) -> bool:
        """Whether pictures to look at may lie there (content security: the settings say where)."""
        security = self._services.settings.security
        path = os.path.abspath(destination.root.path)
        named = {os.path.abspath(p) for p in security.previews_at}
        return security.previews and (not named or path in named)

    def _may(self, destination: OpenDestination, kind: str) -> bool:
        return kind not in PICTURES or self.shows(destination)

    def __enter__(self) -> Outbox:
        return self

    def __exit__(self, *_: object) -> None:
        for destination in self.here:
            destination.close()
        self.here = []

    def _holds_unknown_papers(self, destination: OpenDestination) -> bool:
        """Papers of this show from another ledger: replacing them would lose what only they know."""
        if any(o.destination_id == destination.id for o in self._services.work.outputs(kind="show manifest")):
            return False
        folder, name = f"{self._services.show}/paperwork", "show.manifest.json"
        try:
            with destination.folders.hold(folder) as held:
                if self._services.disk.look_at(held, name) is None:
                    return False
        except OSError:
            return False
        self.findings.append(Finding(
            kind="papers not adopted", item=destination.path, severity=Severity.PERSON,
            what="It holds papers of this show that this ledger has never seen; no paper is written there until then.",
            next=f"Run `nightloader adopt {destination.path}`.", more={"destination": destination.path},
        ))
        return True

    def _sweep(self) -> None:
        """Temporary files of our own that a stop left behind: only those the plan lists."""
        for destination in self.here:
            for planned in self._services.cards.planned(destination.id):
                if not planned.folder.startswith(f"{self._services.show}/cards"):
                    self._unplan(destination, planned)

    def _unplan(self, destination: OpenDestination, planned: Planned) -> None:
        try:
            remove_temps(self._services.disk, destination.folders, planned.folder, [planned.temp])
        except OSError:
            return  # the plan still lists it; the next pass tries again
        self._services.cards.forget_plans([planned])

    def _hooks(self, destination: OpenDestination) -> tuple[Callable[[str, str], None], Callable[[str, str], None]]:
        ledger, clock = self._services.cards, self._services.clock

        def plan(folder: str, temp: str) -> None:
            ledger.plan([Planned(destination_id=destination.id, temp=temp, folder=folder)], clock.utc())

        def done(folder: str, temp: str) -> None:
            ledger.forget_plans([Planned(destination_id=destination.id, temp=temp, folder=folder)])

        return plan, done

    def known(self, *, owner: str, kind: str) -> dict[str, Output]:
        """What the ledger says lies where: destination id -> output."""
        return {o.destination_id: o for o in self._services.work.outputs(owner=owner, kind=kind)}

    def put(self, path: str, data: Callable[[str], bytes], *, kind: str, owner: str) -> None:
        """A paper to every destination that is here: ``data`` answers its bytes for a destination id.

        One that lies there with the same bytes is left alone; a changed one replaces the one before.
        """
        for destination in self.here[:]:
            if not self._may(destination, kind):
                continue
            made = data(destination.id)
            before = self.known(owner=owner, kind=kind).get(destination.id)
            if before is not None and before.path == path and before.digest == f"xxh3_128:{digest_of(made)}":
                continue
            with self._costs(destination, path):
                plan, done = self._hooks(destination)
                written = make_durable_file(
                    self._services.disk, destination, path, made, replace=True, planned=plan, ended=done
                )
                self._fact(destination, path, written, kind=kind, owner=owner)

    def put_at(self, destination: OpenDestination, path: str, data: bytes, *, kind: str, owner: str) -> bool:
        """A paper at one destination; a chain or manifest replaces the one before, lists are never replaced."""
        if not self._may(destination, kind):
            return False
        with self._costs(destination, path):
            plan, done = self._hooks(destination)
            written = make_durable_file(
                self._services.disk, destination, path, data, replace=kind in PAPERS, planned=plan, ended=done
            )
            self._fact(destination, path, written, kind=kind, owner=owner)
            return True
        return False

    def read(self, destination: OpenDestination, path: str, *, most: int = 256 << 20) -> bytes | None:
        """A file of ours, whole; None where there is none or it cannot be read."""
        folder, _, name = path.rpartition("/")
        try:
            with destination.folders.hold(folder) as held:
                return read_small(self._services.disk, held, name, most=most)
        except OSError:
            return None

    def open(self, *, owner: str, kind: str) -> int | None:
        """A descriptor for reading one of our files where it lies now; None if it lies nowhere here."""
        at = self.known(owner=owner, kind=kind)
        for destination in self.here:
            if destination.id in at:
                folder, _, name = at[destination.id].path.rpartition("/")
                with contextlib.suppress(OSError), destination.folders.hold(folder) as held:
                    return self._services.disk.open_source(held, name)
        return None

    def append(self, path: str, lines: Callable[[str], Sequence[bytes]], written: Callable[[str], None]) -> None:
        """Lines to the end of a log at every destination that is here.

        ``lines`` answers what is owed to a destination id, ``written`` is told when they are durable.  A line
        that already stands last (a stop came between the two) is not written twice.
        """
        for destination in self.here[:]:
            owed = lines(destination.id)
            if not owed:
                continue
            with self._costs(destination, path):
                append_lines(self._services.disk, destination, path, owed)
                written(destination.id)

    def make(
        self, paths: Sequence[tuple[str, str]], owner: str, work: Callable[[Sequence[int]], None]
    ) -> bool:
        """Files that ``work`` writes into open descriptors, made at the first destination that takes them.

        ``paths`` are (kind, path relative to the destination's root).  Answers whether they lie anywhere;
        :meth:`spread` brings them to the others.  Refusals of the work itself pass through.  Pictures to look at,
        which come last, are left out where none may lie.
        """
        for destination in sorted(self.here, key=lambda d: not self.shows(d)):
            wanted = [(kind, path) for kind, path in paths if self._may(destination, kind)]
            plan, done = self._hooks(destination)
            temps: list[OpenTemp] = []
            with self._costs(destination, paths[0][1]):
                try:
                    for _, path in wanted:
                        temps.append(open_temp(self._services.disk, destination, path, planned=plan))
                    work([t.fd for t in temps])
                    for (kind, path), temp in zip(wanted, list(temps), strict=True):
                        temps.remove(temp)
                        written = commit(self._services.disk, destination, temp, ended=done)
                        self._fact(destination, path, written, kind=kind, owner=owner)
                    return True
                finally:
                    for temp in temps:
                        abandon(self._services.disk, destination, temp, ended=done)
        return False

    def spread(self) -> None:
        """Bring every output of ours to every destination that is here and lacks it."""
        have: dict[tuple[str, str], dict[str, Output]] = {}
        for output in self._services.work.outputs():
            have.setdefault((output.owner, output.kind), {})[output.destination_id] = output
        for (_, kind), at in have.items():
            if kind in OF_ONE_DESTINATION or kind.startswith("history"):
                continue
            for destination in self.here[:]:
                if destination.id in at or not self._may(destination, kind):
                    continue
                for source in self.here:
                    if kind in SHOWING and self.shows(source) != self.shows(destination):
                        continue  # the next audit writes it anew
                    if source.id in at and self._copy(source, at[source.id], destination):
                        break

    def _copy(self, source: OpenDestination, output: Output, destination: OpenDestination) -> bool:
        """From a copy of ours that must still read as it was proven."""
        disk = self._services.disk
        with self._costs(destination, output.path):
            plan, ended = self._hooks(destination)
            folder, _, name = output.path.rpartition("/")
            with source.folders.hold(folder) as held:
                fd = disk.open_source(held, name)
            temp = open_temp(disk, destination, output.path, planned=plan)
            try:
                buffer = memoryview(bytearray(_PIECE))
                while (n := disk.read_into(fd, buffer)) > 0:
                    write_all(disk, temp.fd, buffer[:n])
            except BaseException:
                abandon(disk, destination, temp, ended=ended)
                raise
            finally:
                disk.close(fd)
            written = commit(disk, destination, temp, digest=output.digest.rpartition(":")[2], ended=ended,
                             replace=output.kind in PAPERS)
            self._fact(destination, output.path, written, kind=output.kind, owner=output.owner)
            return True
        return False

    def settle(self, owner: str, kind: str, path: str) -> bool:
        """See that this output lies under ``path`` wherever it lies; answers whether anything moved."""
        moved = False
        for destination in self.here[:]:
            output = self.known(owner=owner, kind=kind).get(destination.id)
            if output is None or output.path == path:
                continue
            with self._costs(destination, path):
                self._move(destination, output, path)
                moved = True
        return moved

    def _move(self, destination: OpenDestination, output: Output, path: str) -> None:
        disk = self._services.disk
        folder, _, name = output.path.rpartition("/")
        new_folder, _, new_name = path.rpartition("/")
        with destination.folders.hold(new_folder, make=True) as to:
            try:
                with destination.folders.hold(folder) as held:
                    if disk.look_at(held, name) is not None:
                        disk.move_new(held, name, to, new_name)
                        disk.sync_folder(to)
                        disk.sync_folder(held)
                    elif disk.look_at(to, new_name) is None:
                        raise FileNotFoundError(2, "neither under its old nor its new name", output.path)
            except FileNotFoundError:
                # A stop after the rename and before the fact: the file lies under its new name already.
                if disk.look_at(to, new_name) is None:
                    raise
        self._services.work.set_output(replace(output, path=path), instead_of=output.path)
        self._prune(destination, folder)

    def _prune(self, destination: OpenDestination, folder: str) -> None:
        """Folders of our tree that a move left empty; anything in them, ours or not, keeps them."""
        destination.folders.forget(folder)
        while folder and folder != self._services.show:
            parent, _, name = folder.rpartition("/")
            try:
                with destination.folders.hold(parent) as held:
                    self._services.disk.remove_folder(held, name)
            except OSError:
                return  # not empty: it has its use
            folder = parent

    def _fact(self, destination: OpenDestination, path: str, written: Written, *, kind: str, owner: str) -> None:
        self._services.work.set_output(
            Output(
                destination_id=destination.id, path=path, kind=kind, owner=owner, size_bytes=written.size_bytes,
                digest=f"xxh3_128:{written.digest}", proof=str(written.proof), written_utc=self._services.clock.utc(),
            )
        )

    @contextlib.contextmanager
    def _costs(self, destination: OpenDestination, path: str) -> Iterator[None]:
        """A destination's failure is a finding, and the pass goes on without it where it is full or gone."""
        try:
            yield
        except (OSError, DestinationUnavailable, ReadBackDiffers, NameTaken) as error:
            words = error.what if isinstance(error, NightloaderError) else (error.strerror or str(error))
            taken = isinstance(error, NameTaken)
            self.findings.append(
                Finding(
                    kind="name taken" if taken else "not written", item=f"{destination.path}: {path}",
                    severity=Severity.PERSON, what=f"Our own file could not be written: {words}",
                    next=(error.next if taken and isinstance(error, NameTaken) and error.next else
                          "Check the disk; it is written as soon as the disk takes it."),
                    more={"destination": destination.path, "path": path},
                )
            )
            self._services.log.warning("output failed", destination=destination.path, path=path, error=words)


# Papers that say what is true of one destination; each destination gets its own.
OF_ONE_DESTINATION = frozenset({"manifest", "chain", "show manifest"})
# Pictures of what was shot, for looking only.
PICTURES = frozenset({"preview", "findings", "grey_ball", "mirror_ball"})
# Papers that hold such pictures where these may lie.
SHOWING = frozenset({"report", "report print"})
PAPERS = frozenset({"manifest", "checksums", "history", "chain", "show manifest", "record", "report", "report data",
                    "report print", "list", "estimate"})


def weakest(proofs: Sequence[str]) -> str:
    """The proof that may be claimed for several files together."""
    order = [str(Proof.NOT_PROVABLE), str(Proof.CACHE_DROPPED), str(Proof.DEVICE)]
    return min(proofs, key=order.index) if proofs else order[0]


def under(root: str, path: str) -> str:
    """An absolute path on this machine for a path relative to a destination's root."""
    return os.path.join(root, *path.split("/"))
