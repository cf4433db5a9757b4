"""``names``: which names today's items get, before anything is renamed or a convention is agreed."""

from __future__ import annotations

import argparse
import json
from typing import Any

from ingest.errors import EXIT_WELL
from ingest.steps.filing.naming import TREES


def add(commands: Any) -> None:
    words = "show the folder and name that each item gets; nothing is written"
    parser = commands.add_parser("names", help=words, description=words[0].upper() + words[1:] + ".")
    parser.add_argument("--convention", choices=tuple(TREES), default="", help="try this tree, not the settings' own")
    parser.add_argument("--pattern", default="", metavar="TOKENS", help="try this pattern of a probe's name")
    parser.add_argument("--day", default="", metavar="YYYY-MM-DD")
    parser.add_argument("--tokens", action="store_true", help="list what a pattern may hold")
    parser.add_argument("--json", action="store_true", help="the same for machines")
    parser.set_defaults(run=_names)


def _names(args: argparse.Namespace) -> int:
    from ingest.faces import naming
    from ingest.faces.cli.show import opened

    if args.tokens:
        print("\n".join(naming.tokens()))
        return EXIT_WELL
    with opened(args) as services:
        found = naming.preview(services, tree=args.convention, pattern=args.pattern, day=args.day)
    if args.json:
        print(json.dumps(found, indent=1))
        return EXIT_WELL
    folder = ""
    for entry in found:
        if entry["folder"] != folder:
            folder = entry["folder"]
            print(folder + "/")
        moved = f"   (lies in {entry['now']})" if entry["now"] and entry["now"] != entry["folder"] else ""
        name = entry["name"] if entry["what"] == "probe" else f"{entry['what']} {entry['id']}, named as on its card"
        print(f"    {name}{moved}")
    print("1 item" if len(found) == 1 else f"{len(found):,} items")
    return EXIT_WELL
