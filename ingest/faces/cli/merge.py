"""``merge``: any frames to one scene-linear picture, without a show."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path
from typing import Any

from ingest.errors import EXIT_NEEDS_A_PERSON, EXIT_WELL, UsageError, sentences
from ingest.records.checks import unchecked


def add(commands: Any) -> None:
    words = "merge the given frames to one scene-linear OpenEXR, without any show"
    parser = commands.add_parser(
        "merge", help=words,
        description=words[0].upper() + words[1:] + ". X.json (the record) and X.jpg (a preview) are written beside it.",
    )
    parser.add_argument("frames", nargs="+", metavar="FRAME", help="JPEG, TIFF or raw stills of one bracket")
    parser.add_argument("--out", required=True, metavar="FILE.exr")
    parser.add_argument("--kind", default=None, choices=("lat-long", "dual-fisheye", "fisheye", "mirror-ball", "flat"),
                        metavar="KIND", help="what the frames are: lat-long, dual-fisheye, fisheye, mirror-ball, flat; "
                        "else lat-long where the picture is 2:1, flat where not")
    parser.add_argument("--space", default="rec709", choices=("rec709", "acescg", "aces2065-1"), help="primaries")
    parser.add_argument("--exposure", action="append", default=[], metavar="S",
                        help="exposure time in seconds, once per frame, where the header is silent")
    parser.add_argument("--no-align", action="store_true", help="the frames do not move against each other")
    parser.add_argument("--no-movement", action="store_true", help="nothing moves within the picture")
    parser.add_argument("--encoding", default="auto", choices=("auto", "linear", "srgb"), help="of TIFF codes")
    parser.add_argument("--quick", action="store_true",
                        help="a first look: frames are summed by the exposures their headers tell, and not judged")
    parser.add_argument("--compare", metavar="FILE.png",
                        help="also draw frames, their share in the result, the result, and how far they agree "
                             "(.png or .jpg)")
    parser.add_argument("--replace", action="store_true", help="write over files that are there")
    parser.set_defaults(run=_run)


def _run(args: argparse.Namespace) -> int:
    from ingest.faces.merging import merge_files

    out = Path(args.out)
    if out.suffix.lower() != ".exr":
        raise UsageError("the picture is an OpenEXR.", item=args.out, next="Give a name that ends in .exr.")
    if args.exposure and len(args.exposure) != len(args.frames):
        raise UsageError(f"exposures given: {len(args.exposure)}, frames: {len(args.frames)}.",
                         next="Give one per frame.")
    compare = Path(args.compare) if args.compare else None
    if compare is not None and compare.suffix.lower() not in (".png", ".jpg", ".jpeg"):
        raise UsageError("the comparison is a PNG or JPEG picture.", item=args.compare,
                         next="Give a name that ends in .png or .jpg.")
    record = merge_files(
        [Path(f) for f in args.frames], out, kind=args.kind, space=args.space,
        exposures=[seconds(e) for e in args.exposure] or None, align=not args.no_align,
        movement=not args.no_movement, encoding=args.encoding, quick=args.quick, compare=compare,
        replace=args.replace,
        progress=_Bar() if sys.stderr.isatty() else None,
    )
    for line in record["done"]:
        print(line)
    asks = False
    for finding in record["findings"]:
        asks = asks or finding.get("severity") not in ("note", None)
        print(sentences(f"{finding.get('kind')}: {finding.get('what', '')}", str(finding.get("next", ""))))
    for line in unchecked(record.get("checks", ())):
        print(line)
    frames = f"{len(record['frames'])} frame{'s' * (len(record['frames']) != 1)}"
    print(f"{out}: {record['width']}x{record['height']}, {frames}, "
          f"{record['stops_covered']:.1f} stops, {record['pixel_type']}")
    return EXIT_NEEDS_A_PERSON if asks else EXIT_WELL


def seconds(text: str) -> float:
    from fractions import Fraction

    try:
        value = float(Fraction(text))
    except (ValueError, ZeroDivisionError):
        value = 0.0
    if not value > 0:
        raise UsageError("no exposure time.", item=text, next="Write seconds, such as 1/60 or 0.5.")
    return value


class _Bar:
    def __call__(self, share: float) -> None:
        end = "\n" if share >= 1 else ""
        print(f"\rmerging {share:4.0%}", end=end, file=sys.stderr, flush=True)
