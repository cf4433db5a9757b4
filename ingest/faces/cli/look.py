"""Commands that only read: status, probes, setups, clips, sights, lenses, bodies."""

from __future__ import annotations

import argparse
import json
import shutil
from typing import Any

from ingest.errors import EXIT_NEEDS_A_PERSON, EXIT_WELL, UsageError
from ingest.records.names import shown
from ingest.steps.audit.words import folded, number_word


def add(commands: Any) -> None:
    for name, words, run in (
        ("status", "which card is where, and how many copies remain once it is reused", _status),
        ("probes", "the probe sets found, their merged pictures and what is doubtful", _probes),
        ("setups", "each setup of the log with what was due, what is there and what is missing", _kept),
        ("clips", "the clips on the cards, what their files say and where they belong", _kept),
        ("sights", "stills and clips in which a chart or a ball is seen, and who says what they are", _kept),
        ("lenses", "the lens serials used, in which setups, and the grids shot of them", _kept),
        ("bodies", "the cameras met, and what is known of their clocks", _kept),
    ):
        parser = commands.add_parser(name, help=words, description=words[0].upper() + words[1:] + ".")
        parser.add_argument("--json", action="store_true", help="the same for machines")
        parser.set_defaults(run=run)
        if name in ("setups", "clips", "sights", "lenses", "bodies"):
            parser.set_defaults(what=name)
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
            _say(_line(probe))
        print(number_word(len(found), "version" if args.all else "probe set"))
    return EXIT_NEEDS_A_PERSON if any(p.get("review") for p in found) else EXIT_WELL


def _kept(args: argparse.Namespace) -> int:
    from ingest.faces import answers
    from ingest.faces.cli.show import opened

    with opened(args) as services:
        found = {"setups": answers.setups, "clips": answers.clips, "sights": answers.sights,
                 "lenses": answers.lenses, "bodies": answers.bodies}[args.what](services)
    if args.json:
        print(json.dumps(found, indent=1))
    else:
        words = {"setups": _setup_line, "clips": _clip_line, "sights": _sight_line, "lenses": _lens_line,
                 "bodies": _body_line}[args.what]
        for entry in found:
            _say(words(entry))
        print(number_word(len(found), ONE[args.what], args.what))
    return EXIT_NEEDS_A_PERSON if any(e.get("review") or e.get("questions") for e in found) else EXIT_WELL


ONE = {"setups": "setup", "clips": "clip", "sights": "sight", "lenses": "lens", "bodies": "body"}


def _say(text: str) -> None:
    """Lines of ours, whatever was typed or read: escaped, and no wider than a terminal."""
    for line in text.split("\n"):
        print("\n".join(folded(shown(line), 80, indent="      ")))


def _standing(item: dict[str, Any]) -> str:
    until = f", until {item['due_until_utc'][:16].replace('T', ' ')} UTC" if item["due_until_utc"] else ""
    why = f" ({item['why']})" if item["why"] and item["status"] != "have" else ""
    return f"{item['status']}{until if item['status'] == 'due' else ''}{why}"


def _setup_line(entry: dict[str, Any]) -> str:
    head = f"{entry['day']}  {entry['shot'] or 'shot to come'} / {entry['setup']}"
    items = [f"    {i['item'].replace('_', ' ')}: {_standing(i)}" for i in entry["items"] if i["asked"]]
    asks = [
        f"    {q['file']} line {q['line']}, {q['column']}: {q['written']!r} {q['asks']}" for q in entry["questions"]
    ]
    return "\n".join([head, *items, *asks])


def _clip_line(entry: dict[str, Any]) -> str:
    where = "/".join(filter(None, (entry["shot"], entry["setup"]))) or "unfiled"
    length = f"{entry['duration_s']:.2f} s" if entry["duration_s"] is not None else entry["kind"]
    line = f"{entry['id']}  {where:<20} {entry['files'][0]}  {length} {entry['timecode'] or ''}".rstrip()
    if not (entry["review"] or entry.get("trashed")):
        return line
    return f"{line}\n    {'review: ' if entry['review'] else ''}{'; '.join(entry['reasons'])}"


def _sight_line(entry: dict[str, Any]) -> str:
    seen = ", ".join(f"{s['what'].replace('_', ' ')} ({s['score']:.2f})" for s in entry["seen"]) or "nothing seen"
    where = "/".join(filter(None, (entry["shot"], entry["setup"]))) or "unfiled"
    if entry["role"]:
        said = f"confirmed as {entry['role'].replace('_', ' ')}"
    else:
        role = entry["proposed_role"]
        command = f"`nightloader confirm {entry['id']} --role {role}`"
        said = f"proposed: {role.replace('_', ' ')}; say {command}, or --role none"
    return f"{entry['id']}  {where:<20} {entry['path'] or ''}\n    {seen}; {said}"


def _lens_line(entry: dict[str, Any]) -> str:
    grids = ", ".join(entry["grids"]) or "no grid yet"
    return f"{entry['serial']}  {entry['lens'] or 'unnamed'}: setups {', '.join(entry['setups'])}; {grids}"


def _body_line(entry: dict[str, Any]) -> str:
    name = entry["nickname"] or " ".join(filter(None, (entry["make"], entry["model"], entry["serial"]))) or "unnamed"
    return f"{name}: true time = shown {entry['offset_s']:+.1f} s, give or take {entry['uncertainty_s']:.1f} s" \
        f" ({entry['source']})"


def _line(probe: dict[str, Any]) -> str:
    if "frames" not in probe:
        return f"{probe['id']} v{probe['version']:03d}  superseded"
    where = "/".join(filter(None, (probe["shot"], probe["setup"]))) or "unfiled"
    whole = {True: "all frames", False: "frames missing", None: "nobody could say"}[probe["complete"]]
    words = f"{probe['id']}  {where:<20} {number_word(len(probe['frames']), 'frame')} ({whole})"
    if probe["review"]:
        words += "\n    review: " + "; ".join(probe["reasons"])
    return words


def _why(services: Any, item: str) -> int:
    from ingest.records.names import shown

    for view in services.work.views():
        names = {f.path for frame in view.frames for f in frame.files} | set(view.digests)
        if item == view.id or any(item == n or n.endswith(f"/{item}") for n in names):
            print(f"{view.id}: {number_word(len(view.frames), 'frame')} of {view.body or 'an unnamed body'}")
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
