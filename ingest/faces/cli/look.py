"""Commands that only read: status, probes, setups, clips, bodies."""

from __future__ import annotations

import argparse
import json
import shutil
from typing import Any

from ingest.errors import EXIT_NEEDS_A_PERSON, EXIT_WELL, UsageError


def add(commands: Any) -> None:
    for name, words, run in (
        ("status", "which card is where, and how many copies remain once it is reused", _status),
        ("probes", "the probe sets found, their merged pictures and what is doubtful", _probes),
    ):
        parser = commands.add_parser(name, help=words, description=words[0].upper() + words[1:] + ".")
        parser.add_argument("--json", action="store_true", help="the same for machines")
        parser.set_defaults(run=run)
        if name == "probes":
            parser.add_argument("--all", action="store_true", help="superseded versions too")
            parser.add_argument("--why", metavar="ID", help="why this set, or this file, was grouped so")


def _status(args: argparse.Namespace) -> int:
    from ingest.faces import answers
    from ingest.faces.cli.show import opened

    with opened(args) as services:
        answer = answers.status(services)
    if args.json:
        print(json.dumps(answer, indent=1))
    else:
        print(answers.status_words(answer, min(80, shutil.get_terminal_size((80, 24)).columns)))
    short = any(not card["policy_met"] for card in answer["cards"])
    asks = any(f["severity"] != "note" for f in answer["findings"])
    return EXIT_NEEDS_A_PERSON if short or asks else EXIT_WELL


def _probes(args: argparse.Namespace) -> int:
    from ingest.faces import answers
    from ingest.faces.cli.show import opened

    with opened(args) as services:
        if args.why:
            return _why(services, args.why)
        found = answers.probes(services, superseded=args.all)
    if args.json:
        print(json.dumps(found, indent=1))
    else:
        for probe in found:
            print(_line(probe))
        print(f"{len(found)} probe sets")
    return EXIT_NEEDS_A_PERSON if any(p.get("review") for p in found) else EXIT_WELL


def _line(probe: dict[str, Any]) -> str:
    if "frames" not in probe:
        return f"{probe['id']} v{probe['version']:03d}  superseded"
    where = "/".join(filter(None, (probe["shot"], probe["setup"]))) or "unfiled"
    whole = {True: "all frames", False: "frames missing", None: "nobody could say"}[probe["complete"]]
    words = f"{probe['id']}  {where:<20} {len(probe['frames'])} frames ({whole})"
    if probe["review"]:
        words += "\n    review: " + "; ".join(probe["reasons"])
    return words


def _why(services: Any, item: str) -> int:
    from ingest.records.names import shown

    for view in services.work.views():
        names = {f.path for frame in view.frames for f in frame.files} | set(view.digests)
        if item == view.id or any(item == n or n.endswith(f"/{item}") for n in names):
            print(f"{view.id}: {len(view.frames)} frames of {view.body or 'an unnamed body'}")
            for line in (*view.why, *view.reasons):
                print(f"  {line}")
            for frame in view.frames:
                print("    " + ", ".join(shown(f.path) for f in frame.files))
            return EXIT_WELL
    for digest, (what, why) in services.work.loose().items():
        names = {f.path for c in services.cards.cards() for f in services.cards.files(c.id) if f.digest == digest}
        if item == digest or any(item == n or n.endswith(f"/{item}") for n in names):
            print(f"{', '.join(sorted(shown(n) for n in names))}: {what}\n  {why}")
            return EXIT_WELL
    raise UsageError("no probe, frame or still of that name.", item=item, next="List them with `nightloader probes`.")
