"""A shot as one folder that stands alone: pictures, records, sheets, tables and checksums, as an RFC 8493 bag.

Reads the ledger and the destinations and writes only below the folder it was given, so it needs no lock.  The
bag's tag files come last: a folder that was stopped half way has no ``bagit.txt`` and passes for no bag.
"""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from ingest import __version__
from ingest.errors import UsageError, sentences
from ingest.faces import answers
from ingest.faces.packages import remember
from ingest.machinery.disk.files import read_plain
from ingest.machinery.disk.hashing import Digests
from ingest.records.coverage import DueItem, Status
from ingest.records.findings import Finding, Severity
from ingest.records.handover import ClipLine, Picture, SetupSheet, StageFacts
from ingest.records.measurements import Measurement
from ingest.records.names import after_show, shown, token
from ingest.records.roles import meanings, words
from ingest.records.setups import SetupLog, SetupRow, Sheet
from ingest.services import Services
from ingest.steps.audit.words import number_word
from ingest.steps.filing.days import clock as local_clock
from ingest.steps.filing.rows import letters
from ingest.steps.filing.stage import read_setup_log
from ingest.steps.handover import bag, sheet, tables
from ingest.steps.handover.figures import camera_distance, facts, stop_words
from ingest.steps.setups.measurements import read_measurements, suspicious
from ingest.steps.setups.sheet import believable, read_sheet, unusual

PIECE = 4 << 20
BALLS = {"grey_ball": "grey ball", "mirror_ball": "mirror ball"}  # small pictures beside their probe
Key = tuple[str, str, str]  # day, unit, setup


@dataclass(slots=True)
class HandOver:
    """What went out: the folder, its files and bytes, and what a person should know first."""

    folder: str
    files: int = 0
    size_bytes: int = 0
    setups: int = 0
    probes: int = 0
    name: str = ""  # of the package, for `sent`
    findings: list[Finding] = field(default_factory=list)

    def words(self) -> str:
        """For a person."""
        counts = ((self.setups, "setup"), (self.probes, "probe"), (self.files, "file"), (self.size_bytes, "byte"))
        words = ", ".join(number_word(n, one) for n, one in counts)
        lines = [f"{self.name}", f"{self.folder}: {words}, each read again and equal."]
        return "\n".join([*lines, *(f"! {shown(f.item)}: {sentences(f.what, f.next)}" for f in self.findings)])


def hand_over(
    services: Services, shot: str, to: Path, progress: Callable[[str], None] = lambda _: None, *, receiver: str = ""
) -> HandOver:
    """Make ``to`` (missing or empty) the hand-over of one shot, and keep in the ledger that it was made.

    Raises UsageError for a shot that nothing is filed under, a folder in use or one in a destination, a watched place
    or the show's own folder; OSError where it cannot be written.
    """
    _refuse(services, to)
    made = _Folder(services, shot, to, progress)
    if not made.keys:
        raise UsageError("neither the log nor any probe or clip knows this shot.", item=shot,
                         next="See `nightloader setups` and `nightloader probes`.")
    to.mkdir(parents=True, exist_ok=True)
    done = made.write()
    done.name = remember(services, shot, to, receiver=receiver, files=done.files, size_bytes=done.size_bytes)
    return done


def _refuse(services: Services, to: Path) -> None:
    real = os.path.realpath(to)
    if os.path.lexists(to) and (not to.is_dir() or any(to.iterdir())):
        raise UsageError("is there already and not empty.", item=str(to), next="Name a new folder with --to.")
    taken = {d.path: "a destination, which holds only what is proven there" for d in services.cards.destinations()}
    taken |= dict.fromkeys((*services.settings.watch.places, *services.settings.watch.network_places),
                           "watched for cards, so it would be copied as one")
    taken[str(services.settings.home)] = "the show's own folder"
    for place, why in taken.items():
        root = os.path.realpath(place)
        if os.path.normcase(real) == os.path.normcase(root) or _inside(real, root):
            raise UsageError(f"it lies in {place}: {why}.", item=str(to),
                             next="Name a folder elsewhere, best on the disk that goes to the receiver.")


def _inside(one: str, other: str) -> bool:
    return os.path.normcase(one).startswith(os.path.join(os.path.normcase(other), ""))


class _Folder:
    """One shot on its way into its folder."""

    def __init__(self, services: Services, shot: str, to: Path, progress: Callable[[str], None]) -> None:
        self.services, self.shot, self.to, self.progress = services, shot, to, progress
        self.made = HandOver(folder=str(to))
        self.payload: list[bag.Payload] = []
        self.log: SetupLog = read_setup_log(services)
        show = services.settings.show
        self.rows: dict[Key, list[SetupRow]] = {}
        for row in self.log.rows:
            if shot in row.shots or shot == row.shot:
                self.rows.setdefault(row.key, []).append(row)
        named = {(k[0], k[2]): k for k in self.rows}

        def key(entry: Mapping[str, Any]) -> Key | None:
            own = (entry["day"] or "", entry["setup"] or "")
            return named.get(own) or ((own[0], "", own[1]) if entry["shot"] == shot else None)

        self.probes = [(k, p) for p in answers.probes(services) if (k := key(p)) is not None]
        self.clips = [(k, c) for c in answers.clips(services) if (k := key(c)) is not None]
        self.coverage = {(s["day"], s["unit"], s["setup"]): s for s in answers.setups(services)}
        self.keys = list(dict.fromkeys([*self.rows, *(k for k, _ in self.probes), *(k for k, _ in self.clips)]))
        try:
            data = read_plain(services.settings.beside(show.measurements))
        except OSError:
            data = b""
        read, _ = read_measurements(data, units=show.units, date_order=show.date_order, file=show.measurements)
        alias = services.settings.security.alias
        self.measured = [replace(m, by=alias(m.by)) for m in read if any(self.belongs(m, k) for k in self.keys)]

    def belongs(self, m: Measurement, key: Key) -> bool:
        """It names the setup, or the shot, or is of that day's set as a whole."""
        if m.shot and m.shot != self.shot:
            return False
        if m.setup:
            return m.day in ("", key[0]) and m.setup.casefold() == key[2].casefold() and m.unit in ("", key[1])
        return m.day == key[0] or (not m.day and bool(m.shot))

    def say(self, kind: str, item: str, what: str, todo: str, severity: Severity = Severity.PERSON) -> None:
        self.made.findings.append(Finding(kind=kind, item=item, severity=severity, what=what, next=todo))

    # -- writing

    def write(self) -> HandOver:
        names = self.names()
        for key in self.keys:
            self.setup(key, names[key])
        self.put("measurements.csv", tables.measurements_csv(self.measured).encode())
        self.put("measurements.json", _json(tables.measurements_json(self.measured)))
        lines = [self.clip(c) for _, c in self.clips]
        self.put("clips.csv", tables.clips_csv(lines).encode())
        self.put("clips.json", _json([c for _, c in self.clips]))
        self.put("originals.csv", self.originals().encode())
        self.put("findings.json", _json([f.to_json() for f in self.made.findings]))
        self.tags()
        self.made.setups, self.made.probes = len(self.keys), len(self.probes)
        self.made.files, self.made.size_bytes = len(self.payload), sum(p.size_bytes for p in self.payload)
        return self.made

    def names(self) -> dict[Key, str]:
        """A folder for each setup, told apart by day (and a count) where the setup's name does not do it."""
        out: dict[Key, str] = {}
        for key in self.keys:
            name = token(key[2]) or "setup"
            if sum(k[2].casefold() == key[2].casefold() for k in self.keys) > 1:
                name = token(f"{name}_{key[0]}_{key[1]}".rstrip("_"))
            n, base = 1, name
            while name.casefold() in {v.casefold() for v in out.values()}:
                n += 1
                name = f"{base}-{n}"
            out[key] = name
        return out

    def setup(self, key: Key, folder: str) -> None:
        self.progress(f"setup {shown(key[2])}")
        own = [p for k, p in self.probes if k == key]
        pictures: list[Picture] = []
        texture, white = "", None
        for probe in own:
            placed = self.probe(probe, folder)
            if "preview" in placed:
                pictures.append(Picture(caption=f"probe {probe['id']}, view {probe['view']}", path=placed["preview"]))
            pictures += [Picture(caption=f"{BALLS[k.split()[0]]}, still {k.split()[1]}", path=p)
                         for k, p in sorted(placed.items()) if k.split()[0] in BALLS]
            best = placed.get("panorama") or (placed.get("probe") if probe["kind"] == "lat-long" else None)
            if best and not texture:
                texture, white = best, _white(self.services, probe)
        rows = self.rows.get(key, [])
        entry = self.coverage.get(key)
        page = self.sheet_of(key, rows, entry, pictures)
        self.put(f"{folder}/setup_sheet.html", sheet.page(page).encode())
        self.stage(key, folder, rows, texture, white)

    @property
    def estimates(self) -> dict[str, str]:
        """Owner of a picture -> owner of the newest estimate made of it."""
        found: dict[str, int] = {}
        for output in self.services.work.outputs(kind="estimated light"):
            of, _, number = output.owner.rpartition("/")
            found[of] = max(found.get(of, 0), int(number))
        return {of: f"{of}/{number}" for of, number in found.items()}

    def probe(self, probe: Mapping[str, Any], folder: str) -> dict[str, str]:
        """Its files below ``probes/``; answers kind -> path relative to the setup's folder."""
        if not probe["exr"]:
            self.say("not merged", probe["id"], f"There is no merged picture of it here: "
                     f"{'; '.join(probe['reasons']) or 'no disk that holds it is here'}.",
                     "Plug the disk in or look at its frames, then hand over anew.")
        owner = f"{probe['id']}/{probe['version']}"
        placed = {}
        for kind, path, digest in self.outputs(probe, owner):
            name = f"{folder}/probes/{os.path.basename(path)}"
            if self.copy(Path(path), name, digest):
                placed[kind] = f"probes/{os.path.basename(path)}"
        return placed

    def outputs(self, probe: Mapping[str, Any], owner: str) -> Iterable[tuple[str, str, str]]:
        """(kind, path on this machine, digest) of each of its files, from the first disk here that has it."""
        roots = {d.id: d.path for d in answers.destinations(self.services) if d.present}
        done, estimates = set[str](), self.estimates
        beside = os.path.dirname(probe["exr"] or "")
        for output in self.services.work.outputs():
            if output.kind in BALLS and output.destination_id in roots:
                path = os.path.join(roots[output.destination_id], *output.path.split("/"))
                if os.path.dirname(path) == beside:
                    yield f"{output.kind} {output.owner}", path, output.digest.rpartition(":")[2]
                continue
            mine = output.owner == owner and output.kind in ("probe", "preview", "record", "light", "estimate")
            # what a clipped source lacks, put back: beside the measured picture and never for it; the newest of them
            mine = mine or (output.kind == "estimated light" and output.owner == estimates.get(owner))
            whole = output.kind == "panorama" and output.owner.rpartition("/")[0] == probe["position"]
            if output.destination_id in roots and (mine or whole) and output.kind not in done:
                path = os.path.join(roots[output.destination_id], *output.path.split("/"))
                if whole and path != probe["panorama"]:
                    continue
                done.add(output.kind)
                yield output.kind, path, output.digest.rpartition(":")[2]

    @property
    def identifier(self) -> str:
        """Show and shot as one name."""
        return f"{self.services.show}_{after_show(self.services.show, self.shot)}"

    def sheet_of(
        self, key: Key, rows: Sequence[SetupRow], entry: Mapping[str, Any] | None, pictures: Sequence[Picture]
    ) -> SetupSheet:
        show = self.services.settings.show
        zone = ZoneInfo(show.zone_of(key[0]))
        last = rows[-1] if rows else None
        start = next((r.start_s for r in rows if r.start_s is not None), None)
        items = tuple(
            DueItem(item=i["item"], status=Status(i["status"]), why=i["why"], because=i["because"],
                    evidence=tuple(i["evidence"]), proposed=tuple(i.get("proposed", ())), words=i["words"])
            for i in (entry or {}).get("items", ())
        )
        asks = [
            f"line {q['line']}, {q['column']}: {q['written']!r} {q['asks']}" for q in (entry or {}).get("questions", ())
        ]
        odd = [f"line {r.line}: {f.what.removeprefix(f'{r.setup}: ')}" for r in rows for f in unusual(r, self.read(r))]
        own = tuple(m for m in self.measured if self.belongs(m, key))
        wrong = self.doubted(own)
        odd += [f"measurements, line {line}: {why}" for line, why in wrong.items()]
        doubts = [f"probe {p['id']}: {'; '.join(p['reasons'])}" for k, p in self.probes if k == key and p["reasons"]]
        return SetupSheet(
            show=self.services.show, shot=self.shot, setup=key[2], day=key[0], unit=key[1],
            also_for=tuple(dict.fromkeys(s for r in rows for s in r.shots if s.casefold() != self.shot.casefold())),
            camera=", ".join(dict.fromkeys(r.camera for r in rows if r.camera)),
            start=local_clock(start, zone) if start is not None else "",
            end=local_clock(last.end_s, zone) if last is not None and last.end_s is not None else "",
            zone=show.zone_of(key[0]), facts=facts(last, believable(last, self.read(last))[0]) if last else (),
            measurements=own, doubted=frozenset(wrong), items=items, pictures=tuple(pictures),
            clips=tuple(
                replace(self.clip(c), start=_local(c["start_utc"], zone)) for k, c in self.clips if k == key
            ), roles=self.roles_in(key), findings=(*asks, *odd, *doubts),
            notes=tuple(r.notes for r in rows if r.notes),
        )

    @staticmethod
    def doubted(own: Sequence[Measurement]) -> dict[int, str]:
        """Line -> why, of measurements that no set is likely to have."""
        return {int(f.more["line"]): f.what for f in suspicious(own) if f.kind == "unusual_value"}

    def roles_in(self, key: Key) -> tuple[tuple[str, str], ...]:
        """The roles of its clips with what they mean: shops differ."""
        there = {c["role"] or c.get("proposed_role") for k, c in self.clips if k == key}
        return tuple((words(r), m) for r, m in meanings(self.services.settings.filing.roles).items() if r in there)

    def read(self, row: SetupRow) -> Sheet:
        """The numbers of a row, with the settings' sensor where the row names none."""
        read = read_sheet(row, self.log, units=self.services.settings.show.units)
        return replace(read, sensor_mm=read.sensor_mm or self.sensor_of(row.camera))

    def sensor_of(self, camera: str) -> tuple[float, float] | None:
        """The settings' sensor of the one camera that a row names; two with different sensors give none."""
        named = letters(camera)
        sensors = {c.sensor_mm for c in self.services.settings.cameras if c.letter.casefold() in named}
        return sensors.pop() if len(sensors) == 1 else None

    def stage(self, key: Key, folder: str, rows: Sequence[SetupRow], texture: str, white: float | None) -> None:
        """The USD stage, if the extra is here; without it a finding names it."""
        from ingest.steps.handover.usd import stage_text

        read, left_out = believable(rows[-1], self.read(rows[-1])) if rows else (None, dict[str, str]())
        left_out = {column.replace("_", " "): why for column, why in left_out.items()}
        known = {} if read is None else {
            "probe_height_m": read.probe_height_m, "camera_height_m": read.camera_height_m, "tilt_deg": read.tilt_deg,
            "focal_mm": read.focal_mm, "focus_m": read.focus_m, "f_number": read.stop, "stop_words": stop_words(read),
            "sensor_mm": read.sensor_mm,
        }
        own = tuple(m for m in self.measured if self.belongs(m, key))
        wrong = self.doubted(own)
        left_out |= {f"{m.name}, measured": wrong[m.line] for m in own if m.line in wrong}
        own = tuple(m for m in own if m.line not in wrong)
        distance = camera_distance(own)
        if distance is not None:
            known |= {"camera_distance_m": distance[0], "distance_words": distance[1]}
        try:
            text = stage_text(StageFacts(
                name=f"{self.identifier}_{key[2]}", texture=f"./{texture}" if texture else "",
                white_luminance=white, camera=rows[-1].camera if rows else "",
                measurements=own, left_out=left_out, **known,  # type: ignore[arg-type]
            ))
        except ImportError:
            if not any(f.kind == "no stage" for f in self.made.findings):
                self.say("no stage", self.shot, "No USD stage was made: the extra 'usd' is not installed.",
                         "pip install 'nightloader[usd]', then hand over anew.", Severity.NOTE)
            return
        self.put(f"{folder}/stage.usda", text.encode())

    def clip(self, entry: Mapping[str, Any]) -> ClipLine:
        length = entry["duration_s"]
        return ClipLine(
            name=entry["files"][0].rsplit("/", 1)[-1], role=_role(entry), start=entry["start_utc"] or "",
            duration="" if length is None else f"{length:.2f} s", frame_rate=entry["frame_rate"] or "",
            timecode=str(entry["timecode"] or ""), files=tuple(entry["files"]), note="; ".join(entry["reasons"]),
        )

    def originals(self) -> str:
        """Every original behind the probes and clips: what it is, where on the card's copy it lies, its digest."""
        frames = {f["digest"]: p["id"] for _, p in self.probes for frame in p["frames"] for f in frame["files"]}
        clips = {c["id"] for _, c in self.clips}
        from ingest.steps.filing.stage_items import clip_id_of

        rows = []
        for card in self.services.cards.cards():
            for file in self.services.cards.files(card.id):
                of = frames.get(file.digest) or (clip_id_of(file.digest) if file.digest else "")
                if file.digest and (file.digest in frames or of in clips):
                    rows.append((of, card.roll or card.label, f"{self.services.show}/{card.folder}", file.path,
                                 str(file.size_bytes), file.digest))
        return tables.as_csv(("of", "card", "folder", "file", "bytes", "digest"), rows)

    # -- files below data/

    def copy(self, source: Path, name: str, digest: str) -> bool:
        """A proven file of ours, held to its digest while it is copied."""
        target = self.to / "data" / name
        target.parent.mkdir(parents=True, exist_ok=True)
        try:
            read = source.open("rb")
        except OSError as error:
            self.say("not handed over", name, f"It cannot be read: {error.strerror}.", "Check the disk.")
            return False
        sums, found = Digests(), hashlib.sha256()
        with read, target.open("xb") as out:
            while piece := read.read(PIECE):
                sums.update(piece)
                found.update(piece)
                out.write(piece)
            out.flush()
            os.fsync(out.fileno())
        if sums.digest != digest:
            target.unlink()
            self.say("not handed over", name, "Its bytes are not those that were proven when it was made.",
                     "Run the audit; another destination may hold a good one.")
            return False
        self.listed(name, target, found.hexdigest())
        return True

    def put(self, name: str, data: bytes) -> None:
        target = self.to / "data" / name
        target.parent.mkdir(parents=True, exist_ok=True)
        with target.open("xb") as out:
            out.write(data)
            out.flush()
            os.fsync(out.fileno())
        self.listed(name, target, hashlib.sha256(data).hexdigest())

    def listed(self, name: str, target: Path, digest: str) -> None:
        """Into the bag's manifest, once it was read again and is equal; OSError if it is not."""
        with target.open("rb") as back:
            if hasattr(os, "posix_fadvise"):
                os.posix_fadvise(back.fileno(), 0, 0, os.POSIX_FADV_DONTNEED)
            found = hashlib.file_digest(back, "sha256").hexdigest()
        if found != digest:
            raise OSError(5, "what the disk gave back is not what was written", str(target))
        self.payload.append(bag.Payload(path=name, size_bytes=target.stat().st_size, digest=digest))

    def tags(self) -> None:
        info = {
            "Bagging-Date": self.services.clock.utc()[:10],
            "External-Identifier": self.identifier,
            "External-Description": f"Hand-over of shot {self.shot} of show {self.services.show}",
            "Bag-Software-Agent": f"nightloader {__version__}",
        }
        for name, data in bag.tag_files(self.payload, info).items():
            with (self.to / name).open("xb") as out:
                out.write(data)
                out.flush()
                os.fsync(out.fileno())


def _role(entry: Mapping[str, Any]) -> str:
    """Its role; what only looking suggests is shown as a question."""
    proposed = words(str(entry.get("proposed_role") or ""))
    return words(str(entry["role"] or "")) or (f"{proposed}? (not confirmed)" if proposed else "")


def _local(utc: str | None, zone: ZoneInfo) -> str:
    return datetime.fromisoformat(utc.replace("Z", "+00:00")).astimezone(zone).strftime("%H:%M:%S") if utc else ""


def _white(services: Services, probe: Mapping[str, Any]) -> float | None:
    record = next((p.record for p in services.work.probes() if p.id == probe["id"]), None)
    value = (record or {}).get("white_luminance")
    return float(value) if isinstance(value, (int, float)) else None


def _json(value: object) -> bytes:
    return (json.dumps(value, indent=1, ensure_ascii=False) + "\n").encode("utf-8", "backslashreplace")
