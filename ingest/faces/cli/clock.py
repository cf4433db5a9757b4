"""``clock`` and ``slate``: what is held before a lens."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING, Any

from ingest.errors import EXIT_WELL, UsageError
from ingest.steps.setups.slates import ROLES, Slate

if TYPE_CHECKING:  # the table of settings is heavy, and most commands start without it
    from ingest.settings.model import Settings


def add(commands: Any) -> None:
    words = "serve the cart's clock as a page to photograph, with a code that changes every second"
    parser = commands.add_parser("clock", help=words, description=words[0].upper() + words[1:] + ".")
    _listen(parser)
    parser.set_defaults(run=_clock)

    words = "make a slate with a code, to print or to show; photographed, it files what follows"
    parser = commands.add_parser("slate", help=words, description=words[0].upper() + words[1:] + ".")
    parser.add_argument("--setup", default="", metavar="N", help="the setup, as the log writes it")
    parser.add_argument("--shot", default="", metavar="S", help="the shot")
    parser.add_argument("--role", default="", choices=ROLES, metavar="ROLE",
                        help=f"what it announces: {', '.join(ROLES)}")
    parser.add_argument("--take", default="", metavar="T", help="the take")
    parser.add_argument("--unit", default="", help="the unit, where the show has several")
    parser.add_argument("--day", default="", metavar="YYYY-MM-DD", help="the shoot day, if not the day it is shot")
    parser.add_argument("--camera", default="", metavar="LETTER", help="the taking camera's letter")
    where = parser.add_mutually_exclusive_group(required=True)
    where.add_argument("--out", metavar="FILE", help="write it as .pdf, .svg or .png")
    where.add_argument("--serve", action="store_true", help="show it as a page, with the log's setups to choose from")
    parser.add_argument("--replace", action="store_true", help="write over a file that is there")
    _listen(parser)
    parser.set_defaults(run=_slate)


def _listen(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--listen", metavar="ADDRESS:PORT", help="where to serve the page, for a phone on the cart's"
                        " network (default 127.0.0.1:7437, this machine alone)")


def _settings(args: argparse.Namespace) -> Settings | None:
    """The show's settings if there is a show: both commands also serve without one."""
    from ingest.faces.cli.show import settings_of

    try:
        return settings_of(args)
    except UsageError:
        if args.config:
            raise
        return None


def _clock(args: argparse.Namespace) -> int:
    from zoneinfo import ZoneInfo

    from ingest.faces.web.clock_page import KEPT, pages
    from ingest.machinery.clock import Clock
    from ingest.machinery.disk.volumes import clock_is_set

    settings = _settings(args)
    zone = ZoneInfo(settings.show.timezone) if settings else None
    print(f"This machine's clock: {KEPT[clock_is_set()]}.", flush=True)
    return _serve(pages(zone, Clock().now, clock_is_set), args.listen)


def _serve(pages: Any, listen: str | None) -> int:
    from ingest.faces.web.small_server import SmallServer, address

    server = SmallServer(pages, address(listen))
    print(f"{server.url}  (Ctrl-C ends it)", flush=True)
    server.serve()
    return EXIT_WELL


def _slate(args: argparse.Namespace) -> int:
    settings = _settings(args)
    slate = Slate(setup=args.setup, show=settings.show.code if settings else "", shot=args.shot, role=args.role,
                  take=args.take, unit=args.unit, day=args.day, camera=args.camera)
    if args.serve:
        from ingest.faces.web.slate_page import pages

        return _serve(pages(slate, _setups(settings)), args.listen)
    from ingest.faces.given import Outputs
    from ingest.faces.slates import lay_out, written

    if not slate.setup:
        raise UsageError("a slate needs a setup.", next="Give it with --setup.")
    path = Path(args.out)
    data = written(lay_out(slate), path.suffix)
    with Outputs((path,), replace=args.replace) as out:
        with open(out.descriptors[0], "wb", closefd=False) as file:
            file.write(data)
        out.keep()
    print(f"Made {path}")
    return EXIT_WELL


def _setups(settings: Settings | None) -> list[tuple[str, str]]:
    """(setup, shot) of the log, the newest first."""
    if settings is None:
        return []
    from ingest.steps.setups.log import read_log

    show = settings.show
    try:
        data = settings.beside(show.setup_log).read_bytes()
    except OSError:
        return []  # no log yet: the fields are typed
    log = read_log(data, zone=show.timezone, day_starts=show.day_starts, zones=show.zones)
    pairs = [(r.setup, r.shots[0] if r.shots else "") for r in reversed(log.rows)]
    return list(dict.fromkeys(pairs))[:60]
