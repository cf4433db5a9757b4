"""``demo``: the sample cards through the real daemon into a scratch show, audited and compared with their truth."""

from __future__ import annotations

import argparse
import json
import shutil
import sys
import tempfile
import textwrap
import threading
import time
from datetime import datetime
from pathlib import Path
from typing import Any

from ingest.errors import EXIT_INTERRUPTED, EXIT_NEEDS_A_PERSON, EXIT_WELL, UsageError, sentences
from ingest.records.names import shown

PATIENCE_S = 240.0  # the daemon has this long for three small cards, however busy the machine


def add(subparsers: Any) -> None:
    words = "rehearse with the sample cards in a scratch show, and compare with what is known of them"
    parser = subparsers.add_parser("demo", help=words, description=words[0].upper() + words[1:] + ".")
    parser.add_argument("--dir", metavar="DIR", help="a new or empty folder for it (default: a temporary one, kept)")
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """0 if exactly what the truth lists was found, else 1."""
    from ingest.faces.cli.work import stopping

    began = time.monotonic()
    root = _scratch(args.dir)
    settings_file = prepare(root)
    print(f"A scratch show for the sample cards: {root}")
    with stopping() as stop:
        take_cards(root, settings_file, stop)
        if not stop.is_set():
            print("Audit: everything at both destinations is read again.", flush=True)
            wrong, lines = judge(settings_file, stop)
        if stop.is_set():
            return EXIT_INTERRUPTED
    print("\n".join(lines))
    print(f"\n{time.monotonic() - began:.0f} s.")
    if not wrong:
        print("Everything found is what the sample cards' truth lists, and nothing else.")
        return EXIT_WELL
    print(f"{len(wrong)} differences from the sample cards' truth:", file=sys.stderr)
    print("\n".join(f"  {line}" for line in wrong), file=sys.stderr)
    return EXIT_NEEDS_A_PERSON


def _scratch(given: str | None) -> Path:
    if given is None:
        return Path(tempfile.mkdtemp(prefix="nightloader-demo-"))
    root = Path(given).resolve()
    if root.exists() and (not root.is_dir() or any(root.iterdir())):
        raise UsageError("is there already and not empty.", item=str(root), next="Name a new folder with --dir.")
    root.mkdir(parents=True, exist_ok=True)
    return root


def prepare(root: Path) -> Path:
    """A show below ``root`` with two destinations, a watched folder ``slots`` and the day's papers.

    Answers the settings file.
    """
    from ingest.faces.cli import lay
    from ingest.faces.shows import make_show
    from ingest.machinery.disk import packed

    show = lay.truth()["show"]
    (root / "slots").mkdir()
    file = make_show(
        root / "show", code=show["code"], timezone=show["timezone"],
        destinations=[str(root / "disk-one"), str(root / "disk-two")], watch=[str(root / "slots")], one_disk=True,
    )
    for paper in ("setup_log.csv", "clock_notes.csv", "measurements.csv"):
        shutil.copyfile(packed.sample_cards() / "show" / paper, root / "show" / paper)
    # The settings a person would change for this day: the cameras, the place, and how patient to be with a drop.
    text = file.read_text(encoding="utf-8").replace("#settle_s = 5.0", "settle_s = 1.0")
    for key in ("latitude_deg", "longitude_deg"):
        text = text.replace(f"#{key} =", f"{key} = {show[key]}")
    for body in show["bodies"]:
        rows = [f"{key} = {json.dumps(body[key])}" for key in ("nickname", "make", "model", "serial", "frames")]
        text += "\n".join(["", "[[bodies]]", *rows, ""])
    for camera in show["cameras"]:
        rows = [f"{key} = {json.dumps(camera[key])}" for key in ("letter", "sensor_mm")]
        text += "\n".join(["", "[[cameras]]", *rows, ""])
    file.write_text(text, encoding="utf-8")
    return file


def take_cards(root: Path, settings_file: Path, stop: threading.Event) -> None:
    """Run the daemon while the cards appear one after the other; then once more until it is quiet."""
    from ingest.faces.cli import lay
    from ingest.faces.daemon.loop import run as daemon
    from ingest.machinery import journal
    from ingest.settings.reading import load

    settings = load(settings_file)
    log = journal.set_up(settings.home / "logs", terminal=False)
    enough, failed = threading.Event(), list[BaseException]()

    def work() -> None:
        try:
            daemon(settings, drain=False, stop=enough, log=log)
        except BaseException as error:  # handed to the main thread below, which raises it
            failed.append(error)

    thread = threading.Thread(target=work, name="daemon")
    thread.start()
    try:
        for number, card in enumerate(lay.names()):
            print(f"Card {card} goes in.", flush=True)
            slot = root / "slots" / card
            if number:
                lay.lay(card, slot, pace_s=0.02)  # grows under the daemon's eyes, as a dump does
            else:
                lay.lay(card, root / "on-its-way").rename(slot)  # there at once, as a mounted card is
        limit, told = time.monotonic() + PATIENCE_S, dict[str, str]()
        while thread.is_alive() and not stop.wait(0.3) and time.monotonic() < limit:
            if _at_rest(settings, len(lay.names()), told):
                break
    finally:
        enough.set()
        thread.join()
    if failed:
        raise failed[0]
    if not stop.is_set():
        daemon(settings, drain=True, stop=stop, log=log)


def _at_rest(settings: Any, cards: int, told: dict[str, str]) -> bool:
    """Whether every card meets the policy and every set has its merged picture, so far as the ledger says.

    Prints how each card stands when that changed since the last call (``told``).
    """
    from ingest.faces import answers
    from ingest.services import close_services, open_services

    services = open_services(settings, None)
    try:
        standing = answers.status(services)["cards"]
        sets = answers.probes(services)
    finally:
        close_services(services)
    for card in standing:
        name, words = card["folder"].rsplit("/", 1)[-1], f"{card['slot']['word']}; {card['slot']['figure']}"
        if told.get(name) != words:
            told[name] = words
            print(f"  {name}: {words}", flush=True)
    merged = bool(sets) and all(p["exr"] for p in sets)
    return len(standing) == cards and all(card["policy_met"] for card in standing) and merged


def judge(settings_file: Path, stop: threading.Event | None = None) -> tuple[list[str], list[str]]:
    """Audit in full, then compare: (differences from the truth, lines for the person)."""
    from ingest.faces import answers, auditing
    from ingest.faces.cli import lay, rehearsal
    from ingest.machinery import journal
    from ingest.services import close_services, open_services
    from ingest.settings.reading import load

    settings = load(settings_file)
    services = open_services(settings, journal.set_up(None, terminal=False))
    try:
        services.store.lock()
        report = auditing.audit(services, full=True, stop=stop)
        truth = lay.truth()
        found = _found(services, report)
        wrong = rehearsal.differences(found, truth)
        return wrong, _words(services, found, rehearsal.names_of(found, truth), answers.probes(services))
    finally:
        close_services(services)


def _found(services: Any, report: Any) -> Any:
    from ingest.faces import answers
    from ingest.faces.cli.rehearsal import Found, FoundCard, FoundSet
    from ingest.records.findings import Finding, Severity

    cards: dict[str, FoundCard] = {}
    where: dict[str, tuple[str, str]] = {}
    for verdict in answers.verdicts(services):
        name = verdict.folder.rsplit("/", 1)[-1]
        files = services.cards.files(verdict.card_id)
        where.update({f.digest: (name, f.path) for f in files})
        cards[name] = FoundCard(
            files={f.path: f.size_bytes for f in files}, policy_met=verdict.policy_met,
            left_out=frozenset(row.path for row in services.cards.left_out(verdict.card_id)),
            empty_folders=frozenset(services.cards.empty_folders(verdict.card_id)),
        )
    sets = [
        FoundSet(
            id=p["id"], day=p["day"], shot=p["shot"], setup=p["setup"], complete=p["complete"], review=p["review"],
            exr=p["exr"] if p["exr"] and Path(p["exr"]).is_file() else None,
            frames=tuple(
                (
                    frozenset(where[f["digest"]] for f in frame["files"]), float(frame["exposure_s"] or 0),
                    datetime.fromisoformat(frame["taken_utc"]) if frame["taken_utc"] else None,
                )
                for frame in p["frames"]
            ),
        )
        for p in answers.probes(services)
    ]
    loose = {where[digest]: what for digest, (what, _) in services.work.loose().items()}
    findings = [
        Finding(kind=f.kind, item=f.item, severity=Severity(f.severity), what=f.what, next=f.next)
        for f in report.findings
    ]
    return Found(cards=cards, sets=sets, loose=loose, findings=findings)


def _folded(findings: list[Any], names: dict[str, str]) -> list[str]:
    """Findings as lines of 100 columns, each with the thing it is about by its last name."""
    lines = []
    for f in findings:
        item = f.item.rsplit("/", 1)[-1]
        for known, name in names.items():
            item = item.replace(known, name)
        text = shown(sentences(f"{item}: {f.what}", f.next))
        lines += textwrap.wrap(text, 100, initial_indent="  ", subsequent_indent="    ")
    return lines


def _below(path: str, services: Any) -> str:
    """The path from its destination on."""
    roots = [d.path for d in services.settings.destinations if Path(path).is_relative_to(d.path)]
    return str(Path(path).relative_to(roots[0])) if roots else path


def _words(services: Any, found: Any, names: dict[str, str], probes: list[dict[str, Any]]) -> list[str]:
    root = services.settings.destinations[0].path
    files = sum(len(card.files) for card in found.cards.values())
    lines = ["", f"{len(found.cards)} cards, {files} files, read back from two folders on one disk:"]
    lines += [f"  {Path(root) / services.show}", "", "What to look at there:"]
    for probe in sorted(probes, key=lambda p: names.get(p["id"], "")):
        if probe["exr"]:
            lines.append(f"  {names.get(probe['id'], probe['id']):<15} {_below(probe['exr'], services)}")
    lines += [
        "  beside each .exr: a preview (.jpg) and the record of how it was made (.json);",
        "  the .exr is scene-linear OpenEXR, 1.0 saturates at 1/64 s, f/5.657, ISO 100: lower the exposure of the",
        "  viewer to see lamps and windows. The folder shots/tbd waits for a shot number in setup_log.csv.",
        "  cards/: each card as it was, with its manifest and checksum log (`xxhsum -c` reads it).",
        "", "What needs a person, as a morning audit would say:",
    ]
    asks = [f for f in found.findings if f.severity != "note"]
    lines += _folded(asks, names) or ["  nothing"]
    notes = [f for f in found.findings if f.severity == "note"]
    lines += ["", "Notes, nothing to do:", *_folded(notes, names)] if notes else []
    lines += ["", f"Go on with `nightloader --config {services.settings.home / 'nightloader.toml'} status`, `probes`,"]
    return [*lines, "or `audit`. A card is not cleared for reuse by this tool: the production's policy and the",
            "responsible person decide that."]


