"""``panorama``: frames of one standpoint to one upright lat-long, without a show."""

from __future__ import annotations

import argparse
import base64
import json
import os
import sys
import tempfile
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import Any

from ingest.errors import EXIT_NEEDS_A_PERSON, EXIT_WELL, Unreadable, UsageError, sentences
from ingest.records.checks import unchecked


def add(commands: Any) -> None:
    words = "frames of one standpoint to one upright lat-long OpenEXR, by the lens numbers of the body"
    parser = commands.add_parser(
        "panorama", help=words,
        description=words[0].upper() + words[1:]
        + ". Several frames of a view are merged first; an EXR is taken as it is.",
    )  # fmt: skip
    parser.add_argument("frames", nargs="+", metavar="FRAME", help="frames of the first view, or its merged EXR")
    parser.add_argument("--view", nargs="+", action="append", default=[], metavar="FRAME",
                        help="frames of a further view; may be repeated")
    parser.add_argument("--lens", required=True, metavar="FILE", help="lens numbers, JSON or TOML")
    parser.add_argument("--out", required=True, metavar="FILE.exr")
    parser.add_argument("--record", metavar="FILE.json", help="write the record: findings, seam, coverage")
    parser.add_argument("--picture", metavar="FILE.jpg", help="write a picture of every finding, if there are any")
    parser.add_argument("--width", type=int, metavar="N", help="pixels across; else as fine as the frames")
    parser.add_argument("--calibrate", action="store_true", help="refine the lens numbers from these frames first")
    parser.add_argument("--lens-out", metavar="FILE", help="write the refined lens numbers with their sigmas (JSON)")
    parser.add_argument("--heading", type=float, default=0.0, metavar="DEG", help="turn everything about +Y")
    parser.add_argument("--pitch", type=float, default=0.0, metavar="DEG", help="level: turn about +X")
    parser.add_argument("--roll", type=float, default=0.0, metavar="DEG", help="level: turn about +Z")
    parser.add_argument("--exposure", action="append", default=[], metavar="S",
                        help="exposure time in seconds, once per frame, where the headers are silent")
    parser.add_argument("--float", action="store_true", help="store 32-bit floats even where half fits")
    parser.add_argument("--replace", action="store_true", help="write over files that are there")
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    from ingest.faces.given import Outputs, opened, worker_answer
    from ingest.records.lenses import LensFile, LensFileWrong, doubts

    views = [[Path(f) for f in view] for view in [args.frames, *args.view]]
    for path in (path for view in views for path in view):
        if path.is_dir():
            raise UsageError("is a folder.", item=str(path),
                             next="Give the frames in it by name, or a view's merged OpenEXR.")
    out = _exr(args.out)
    if args.lens_out and not args.calibrate:
        raise UsageError("--lens-out without --calibrate has nothing to write.", next="Add --calibrate.")
    lens = read_table(Path(args.lens))
    try:
        numbers = LensFile.from_json(lens)
    except LensFileWrong as error:
        raise UsageError(error.what, item=args.lens, next=error.next) from error
    for doubt in doubts(lens, len(views)):
        print(f"{args.lens}: {doubt}", file=sys.stderr)
    picture = _jpeg(args.picture)
    texts = [Path(p) for p in (args.record, args.lens_out) if p]
    with ExitStack() as stack:
        made = stack.enter_context(Outputs((out, *texts), replace=args.replace))
        pictures = stack.enter_context(merged(views, numbers.kind, out.parent, args.exposure))
        sources = stack.enter_context(opened([path for path, _ in pictures]))
        ask = {
            "lens": lens, "views": len(views), "width": args.width, "calibrate": args.calibrate, "half": not args.float,
            "picture": picture is not None,
            "level": {"heading_deg": args.heading, "pitch_deg": args.pitch, "roll_deg": args.roll},
            "layouts": [layout for _, layout in pictures], "names": [str(view[0]) for view in views],
        }  # fmt: skip
        answer = worker_answer("panorama", ask, [*sources, made.descriptors[0]], item=args.frames[0],
                               on_progress=_bar if sys.stderr.isatty() else None)  # fmt: skip
        answer["frames"] = [[path.name for path in view] for view in views]
        shown = base64.b64decode(answer.pop("findings_picture", ""))
        if picture is not None and shown:
            kept = stack.enter_context(Outputs((picture,), replace=args.replace))
            os.write(kept.descriptors[0], shown)
            kept.keep()
        for path, fd in zip(texts, made.descriptors[1:], strict=True):
            content = answer if args.record and path == Path(args.record) else answer["lens"]
            os.write(fd, (json.dumps(content, indent=1) + "\n").encode())
        made.keep()
    return _said(answer, out)


def _jpeg(name: str | None) -> Path | None:
    if name is None:
        return None
    path = Path(name)
    if path.suffix.lower() not in (".jpg", ".jpeg"):
        raise UsageError("the picture of the findings is a JPEG.", item=name, next="Give a name that ends in .jpg.")
    return path


def read_table(path: Path) -> dict[str, Any]:
    """A lens file, JSON or TOML; UsageError with the place where it is neither."""
    import tomllib

    try:
        text = path.read_text(encoding="utf-8")
        found = tomllib.loads(text) if path.suffix.lower() == ".toml" else json.loads(text)
    except OSError as error:
        raise UsageError(f"cannot be opened ({error.strerror}).", item=str(path), next="Check the name.") from error
    except (ValueError, RecursionError) as error:
        kind = path.suffix or "JSON"
        raise UsageError(f"is no {kind}: {error}.", item=str(path), next="Correct the file.") from error
    if not isinstance(found, dict):
        raise UsageError("holds no table of lens numbers.", item=str(path), next="Correct the file.")
    return found


@contextmanager
def merged(
    views: list[list[Path]], kind: str, beside: Path, exposures: list[str]
) -> Iterator[list[tuple[Path, str]]]:
    """One EXR a view with its raster's word; brackets are merged into a temporary folder first.

    A camera's own lat-long has its pixel centres half a pixel inside; an EXR says itself.
    """
    from ingest.faces.cli.merge import seconds
    from ingest.faces.merging import merge_files

    times = [seconds(e) for e in exposures]
    if times and len(times) != sum(len(v) for v in views):
        raise UsageError(f"exposures given: {len(times)}, frames: {sum(len(v) for v in views)}.",
                         next="Give one per frame.")
    with tempfile.TemporaryDirectory(prefix=".nl-", dir=beside) as folder:
        found: list[tuple[Path, str]] = []
        for i, frames in enumerate(views):
            if any(f.suffix.lower() == ".exr" for f in frames):
                if len(frames) > 1:
                    raise UsageError("a view is one EXR or several camera frames.", item=str(frames[0]),
                                     next="Give each merged view after a --view of its own.")  # fmt: skip
                found.append((frames[0], "auto"))
                continue
            target = Path(folder) / f"view{i}.exr"
            try:
                merge_files(frames, target, kind=kind, exposures=times[: len(frames)] or None)
            except Unreadable as error:
                raise UsageError(
                    f"this view cannot be used: {error.what}", item=error.item or str(frames[0]),
                    next=f"{error.next} A view is a merged OpenEXR, or camera frames whose exposures are told.".strip(),
                ) from error
            times = times[len(frames) :]
            found.append((target, "centres"))
        yield found


def _exr(name: str) -> Path:
    path = Path(name)
    if path.suffix.lower() != ".exr":
        raise UsageError("the picture is an OpenEXR.", item=name, next="Give a name that ends in .exr.")
    return path


def _said(answer: dict[str, Any], out: Path) -> int:
    asks = False
    for finding in answer["findings"]:
        asks = asks or finding["severity"] != "note"
        print(sentences(f"{finding['kind']}: {finding['what']}", finding["next"]))
    for line in unchecked(answer["checks"]):
        print(line)
    for note in answer["notes"]:
        print(note)
    seam = answer["seam"]
    level = "" if not seam or seam["level_stops"] is None else f", seam {seam['level_stops']:.3f} stops"
    print(f"{out}: {answer['width']}x{answer['height']} from {answer['views']} view{'s' * (answer['views'] != 1)}, "
          f"{100 * answer['coverage']['share']:.1f} % of the sphere{level}, {answer['pixel_type']}")  # fmt: skip
    return EXIT_NEEDS_A_PERSON if asks else EXIT_WELL


def _bar(share: float) -> None:
    print(f"\rprojecting {share:4.0%}", end="\n" if share >= 1 else "", file=sys.stderr, flush=True)
