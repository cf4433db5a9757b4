"""Making a show and its destinations: the one place where destinations come into being."""

from __future__ import annotations

import os
import threading
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

from ingest.errors import DestinationUnavailable, LedgerBusy, SettingsError, UsageError
from ingest.machinery.clock import Clock
from ingest.machinery.disk.destinations import create_destination, present_ids, read_identity
from ingest.machinery.disk.files import Disk
from ingest.machinery.disk.volumes import volume_of
from ingest.machinery.ledger.cards import CardLedger
from ingest.machinery.ledger.store import Store
from ingest.records.cards import DestinationRecord
from ingest.services import Services, close_services, open_services
from ingest.settings.model import Settings
from ingest.settings.reading import FILE_NAME, parse
from ingest.settings.template import render
from ingest.steps.audit.stage_last_claims import read_first

LAST_CLAIMS_OWED = "last claims to read again"  # where the ledger keeps the ids of such disks

LOG_HEAD = "day,shot,setup,start,end,camera,lens,notes\n"
NOTES_HEAD = "camera,serial,camera_shows,true_time,offset_s,note\n"


def make_show(
    folder: Path, *, code: str, timezone: str, destinations: Sequence[str], watch: Sequence[str], one_disk: bool
) -> Path:
    """Make ``folder`` with settings, empty log and clock notes, a ledger, and the destinations' identity.

    Answers the settings file.  UsageError (nothing is made) for wrong words, destinations that are the
    same, nested, in or around a watched place, fewer than two, or on one disk without ``one_disk``.
    """
    where = [os.path.abspath(d) for d in destinations]
    places = [os.path.abspath(w) for w in watch]
    text = render(code=code, timezone=timezone, destinations=where, watch=places, one_disk=one_disk)
    problems = _apart(where, places)
    try:
        parse(text.encode("utf-8", "surrogateescape"), home=folder)
    except SettingsError as error:
        problems += [p for p in error.problems if "named twice" not in p]
    for path in where:
        if not os.path.isdir(path) and not os.path.isdir(os.path.dirname(path)):
            problems.append(f"{path}: neither it nor its parent folder exists. Mount the disk or make the folder.")
    if (folder / FILE_NAME).exists():
        problems.append(f"{folder / FILE_NAME}: a show is here already; nothing was changed.")
    if not problems and not one_disk:
        problems += _on_one_disk(where)
    if problems:
        raise SettingsError(tuple(problems))
    disk, clock = Disk(), Clock()
    folder.mkdir(parents=True, exist_ok=True)
    _write_new(folder / "setup_log.csv", LOG_HEAD)
    _write_new(folder / "clock_notes.csv", NOTES_HEAD)
    identities = [create_destination(disk, path, show=code, utc=clock.utc()) for path in where]
    if len({i.id for i in identities}) < len(identities):
        raise UsageError(
            "two destinations carry the same identity file: one was copied from the other.",
            next="Remove the identity file from the copy, if it holds nothing yet, and run this again.",
        )
    store = Store(folder / "ledger.sqlite")
    try:
        ledger = CardLedger(store)
        for identity, path in zip(identities, where, strict=True):
            record = DestinationRecord(id=identity.id, path=path, required=True, present=True, one_disk=one_disk)
            ledger.add_destination(record, clock.utc())
    finally:
        store.close()
    # The settings come last: a stop before this line leaves no show, and running it again makes one.
    _write_new(folder / FILE_NAME, text)
    return folder / FILE_NAME


def check(settings: Settings) -> Settings:
    """The settings, once the convention and the due rules in them hold too; SettingsError with every mistake."""
    from ingest.steps.coverage.rules import parse_rules
    from ingest.steps.filing.naming import Convention

    problems: list[str] = []
    places = [*settings.watch.places, *settings.watch.network_places]
    problems += _apart([d.path for d in settings.destinations], places)
    for look in (
        lambda: Convention.parse(show=settings.show.code, tree=settings.filing.convention,
                                 pattern=settings.filing.probe_name),
        lambda: parse_rules(settings.due.rules),
    ):
        try:
            look()
        except SettingsError as error:
            problems += error.problems
    if problems:
        raise SettingsError(tuple(problems))
    return settings


def open_known(
    settings: Settings, log: Any, *, stop: threading.Event | None = None,
    tell: Callable[[str, dict[str, Any]], None] | None = None,
) -> Services:
    """The services of a show whose ledger knows its destinations.  UsageError where the ledger is missing or blank: it
    would know of no copy and owe none."""
    lost = UsageError(
        "there is no ledger beside the settings, or it is a blank one: it knows none of the destinations.",
        item=str(settings.ledger_path),
        next="Bring it back with `nightloader adopt PATH`, PATH being a destination; a new show is made with "
        "`nightloader init` in another folder.",
    )
    if not settings.ledger_path.exists():
        raise lost
    services = open_services(settings, log, stop=stop, tell=tell)
    try:
        if settings.destinations and not services.cards.destinations(lost=True):
            raise lost
        _follow(settings, services)
    except BaseException:
        close_services(services)
        raise
    return services


def _follow(settings: Settings, services: Services) -> None:
    """A disk that is mounted elsewhere now, as the settings say and its identity file shows, is looked for there; also
    two that changed places.

    What was claimed last on it is read again first: the mount changed in a time that nobody watched.  Where it cannot
    be told from a copy of that disk, all of it is.  UsageError where two places carry one identity; one of them is a
    copy of the other, and no copy of a disk was read back.
    """
    wanted = [os.path.abspath(d.path) for d in settings.destinations]
    known = {d.id: d for d in services.cards.destinations()}
    ids = {where: _readable_identity(where) for where in wanted}
    placed = {d.path: d for d in known.values()}
    moved: dict[str, DestinationRecord] = {}
    for where in sorted(ids):
        record = known.get(ids[where] or "")
        if record is None or record.path == where:
            continue
        if where in placed and placed[where].id not in ids.values():
            continue  # whose place it is is absent: it keeps its place, or two would be called the same
        instead = ids.get(record.path) or _readable_identity(record.path)
        there = instead == record.id or (instead is None and record.path in wanted)
        other = moved[record.id].path if record.id in moved else record.path if there else ""
        if other and not _same_folder(other, where):
            raise UsageError(
                f"it holds the identity of the destination at {other}, which is there or named as well: one is a copy "
                "of the other.", item=where,
                next=f"Name {other} alone in the settings, or take away the one that is the copy. A copy becomes a "
                "destination of its own by `destination add` once its identity file is removed.",
            )
        moved[record.id] = replace(record, path=where)
    if not moved:
        return
    try:
        services.store.lock()
    except LedgerBusy:
        return  # a daemon with older settings is at work; its next start sees to it
    try:
        owed = set((services.work.recall(LAST_CLAIMS_OWED) or "").split())
        marks = services.cards.marks()
        for record in present_ids(services.disk, tuple(moved.values())):
            if record.mark and record.mark == marks.get(record.id):
                services.work.put(LAST_CLAIMS_OWED, " ".join(sorted(owed := owed | {record.id})))
            else:
                read_first(services, record)
            services.cards.add_destination(record, services.clock.utc())
            services.log.info("destination elsewhere", destination=record.id, path=record.path)
    finally:
        services.store.unlock()


def _readable_identity(path: str) -> str | None:
    try:
        return identity_of(path)
    except DestinationUnavailable:  # whoever uses it says so
        return None


def make_known(settings: Settings, ledger: CardLedger) -> None:
    """The settings' destinations that a new ledger does not know yet, as far as their identity files can be read."""
    disk, clock = Disk(), Clock()
    known = {d.id for d in ledger.destinations(lost=True)}
    for named in settings.destinations:
        identity = read_identity(disk, named.path)
        if identity is not None and identity.id not in known:
            ledger.add_destination(DestinationRecord(
                id=identity.id, path=os.path.abspath(named.path), required=named.required, present=True,
                one_disk=settings.copying.one_disk,
            ), clock.utc())


def add_destination(
    settings_file: Path, ledger: CardLedger, path: str, *, show: str, replaces: str | None, required: bool,
    one_disk: bool, others: Sequence[str], watch: Sequence[str],
) -> DestinationRecord:
    """A further destination, or one that takes over ``replaces``; settings and ledger both learn of it."""
    where = os.path.abspath(path)
    known = ledger.destinations(lost=True)
    old = next((d for d in known if replaces and (os.path.abspath(replaces) == d.path or replaces == d.id)), None)
    if replaces and old is None:
        raise UsageError("no destination of that name.", item=replaces, next="See `nightloader status`.")
    others = [o for o in others if old is None or o != old.path]
    again = next((d for d in known if d.lost_utc and d.id == identity_of(where)), None)
    if again is not None:
        others = [o for o in others if os.path.abspath(o) not in (where, again.path)]
    problems = _apart([*others, where], watch)
    if not os.path.isdir(where) and not os.path.isdir(os.path.dirname(where)):
        problems.append(f"{where}: neither it nor its parent folder exists. Mount the disk or make the folder.")
    if not problems and not one_disk:
        problems += _on_one_disk([*(o for o in others if os.path.isdir(o)), where])
    if problems:
        raise SettingsError(tuple(problems))
    disk, clock = Disk(), Clock()
    identity = create_destination(disk, where, show=show, utc=clock.utc())
    record = DestinationRecord(
        id=identity.id, path=where, required=required or bool(old and old.required), present=True, one_disk=one_disk
    )
    ledger.add_destination(record, clock.utc(), replaces=old.id if old else "")
    if again is not None:
        ledger.find_again(again.id, clock.utc())
    text = settings_file.read_text(encoding="utf-8-sig")
    taken_over = f'path = "{_escaped(old.path)}"' if old is not None else ""
    if again is not None and f'path = "{_escaped(where)}"' in text:
        return record
    if taken_over and taken_over in text:
        text = text.replace(taken_over, f'path = "{_escaped(where)}"', 1)
    else:
        block = f'[[destinations]]\npath = "{_escaped(where)}"\nrequired = {"true" if record.required else "false"}\n'
        text = text.rstrip("\n") + "\n\n" + block
    temporary = settings_file.with_name(f".{settings_file.name}.new")
    temporary.write_text(text, encoding="utf-8")
    temporary.replace(settings_file)
    return record


def _escaped(path: str) -> str:
    """A path inside a basic string of TOML."""
    return path.replace("\\", "\\\\").replace('"', '\\"')


def _write_new(path: Path, text: str) -> None:
    """A new file; one that is there belongs to a person and stays."""
    try:
        with path.open("x", encoding="utf-8", errors="surrogateescape", newline="\n") as file:
            file.write(text)
            file.flush()
            os.fsync(file.fileno())
    except FileExistsError:
        pass


def _apart(destinations: Sequence[str], watch: Sequence[str]) -> list[str]:
    """Same, nested, in or around a watched place: links followed, case as the disk has it."""
    found: list[str] = []
    real = [(p, os.path.normcase(os.path.realpath(p))) for p in destinations]
    for i, (path, one) in enumerate(real):
        for other_path, other in real[i + 1:]:
            if one == other or _same_folder(path, other_path):
                found.append(f"{other_path}: named twice as a destination. Two copies need two places.")
            elif _inside(one, other) or _inside(other, one):
                found.append(f"{other_path}: nested with {path}. Destinations must lie apart.")
        for place in watch:
            seen = os.path.normcase(os.path.realpath(place))
            if one == seen or _inside(one, seen) or _inside(seen, one):
                found.append(f"{path}: lies in or around the watched place {place}. Keep copies away from cards.")
    return found


def _same_folder(one: str, other: str) -> bool:
    try:
        return os.path.samefile(one, other)
    except OSError:  # one of them is not made yet
        return False


def _inside(one: str, other: str) -> bool:
    return one.startswith(other.rstrip(os.sep) + os.sep)


def _on_one_disk(paths: Sequence[str]) -> list[str]:
    found: list[str] = []
    there = [p if os.path.isdir(p) else os.path.dirname(p) for p in paths]
    # A volume without a name of its own (memory, a container's layers, a network share) is known by its device.
    volumes = [(p, volume_of(t), os.stat(t).st_dev) for p, t in zip(paths, there, strict=True)]
    for i, (path, one, device) in enumerate(volumes):
        for other_path, other, other_device in volumes[i + 1:]:
            volume = device == other_device or (bool(one.id) and one.id == other.id)
            if volume or (one.disks and one.disks & other.disks):
                what = "volume" if volume else "physical disk"
                found.append(
                    f"{other_path}: on the same {what} as {path}; one failure takes both copies."
                    " Use another disk, or say --one-disk for a rehearsal."
                )
    return found


def identity_of(path: str) -> str | None:
    """The id at a path, None where no destination is there."""
    found = read_identity(Disk(), path)
    return found.id if found else None
