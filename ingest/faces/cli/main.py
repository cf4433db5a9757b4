"""The ``nightloader`` command: parsing plus one call; heavy libraries are imported by the command that needs them."""

from __future__ import annotations

import argparse
import importlib
import os
import sys
from collections.abc import Sequence
from typing import NoReturn

from ingest import __version__
from ingest.errors import EXIT_FAULT, EXIT_INTERRUPTED, EXIT_USAGE, EXIT_WELL, NightloaderError

# Modules in the order of the help: each has add(subparsers), and its commands set ``module``.
MODULES = (
    "init", "work", "look", "decide", "duties", "names", "audit", "adopt", "handover", "clock", "merge", "remerge",
    "panorama", "light", "page", "demo",
)

ABOUT = """\
Takes camera cards off, proves the copies, merges the light probes and files
everything.

A usual day: `init` once per show, then leave `nightloader watch` running on the
cart; `status` while cards come in, `audit` in the morning."""

EXITS = """\
exit codes: 0 all well, 1 something needs a person, 2 wrong usage or settings,
3 a fault, 130 after Ctrl-C"""


class Parser(argparse.ArgumentParser):
    """Wrong words end with exit code 2 and the way to the help."""

    def error(self, message: str) -> NoReturn:
        self.exit(EXIT_USAGE, f"{self.prog}: {message}\nSee `{self.prog} --help`.\n")


def build() -> argparse.ArgumentParser:
    parser = Parser(
        prog="nightloader", description=ABOUT, epilog=EXITS, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--config", metavar="FILE", help="settings file; else nightloader.toml here or above")
    parser.add_argument("--version", action="version", version=f"nightloader {__version__}")
    commands = parser.add_subparsers(dest="command", metavar="COMMAND", parser_class=Parser)
    for name in MODULES:
        importlib.import_module(f"ingest.faces.cli.{name}").add(commands)
    return parser


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command; every refusal is one clear line, never a traceback."""
    parser = build()
    args = parser.parse_args(argv)
    if args.command is None:
        parser.print_help()
        return EXIT_USAGE
    try:
        return int(args.run(args))
    except NightloaderError as error:
        print(f"nightloader: {error}", file=sys.stderr)
        return error.exit_code
    except KeyboardInterrupt:
        print("nightloader: stopped; start it again to go on.", file=sys.stderr)
        return EXIT_INTERRUPTED
    except BrokenPipeError:
        # The reader of our output went away (`| head`): nothing of the work is lost, so say nothing more.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return EXIT_WELL
    except OSError as error:
        print(f"nightloader: {error}. Nothing on a card was changed; put it right and run it again.", file=sys.stderr)
        return EXIT_FAULT


if __name__ == "__main__":
    sys.exit(main())
