"""``light``: what the light of a lat-long is, without a show."""

from __future__ import annotations

import argparse
import json
import math
import sys
import tempfile
from contextlib import ExitStack
from pathlib import Path
from typing import Any

from ingest.errors import EXIT_WELL, Unreadable, UsageError

EXR_MAGIC = b"\x76\x2f\x31\x01"  # OpenEXR file layout: 20000630

_PICTURES = (
    ("convolved", "write the diffuse-convolved map (irradiance by normal over pi)"),
    ("grey_ball", "write a render of a matte grey ball"),
    ("mirror_ball", "write a render of a mirror ball"),
)
_ESTIMATED = "estimated"


def add(commands: Any) -> None:
    words = "what the light of a lat-long EXR is: sources, colours, key to fill, harmonics"
    parser = commands.add_parser("light", help=words, description=words[0].upper() + words[1:] + ".")
    parser.add_argument("probe", metavar="PROBE.exr", help="a lat-long of the whole sphere, scene-linear")
    parser.add_argument("--previous", metavar="OTHER.exr", help="the probe before: say what changed since")
    parser.add_argument("--json", action="store_true", help="answer in JSON")
    parser.add_argument("--raster", choices=("auto", "corners", "centres"), default="auto",
                        help="where pixel centres lie: on pole and seam (OpenEXR) or half a pixel inside; "
                             "auto asks the header and the seam")
    for name, help_ in _PICTURES:
        parser.add_argument(f"--{name.replace('_', '-')}", metavar="FILE.exr", help=help_)
    lost = parser.add_argument_group(
        "a source that clips in every frame", "What it lacks is estimated beside what was measured, never in its place."
    )
    lost.add_argument("--ball", nargs="+", metavar="FRAME", default=[],
                      help="a grey ball photographed in the same light with a known exposure: one frame, a bracket of"
                           " it, or its merged EXR")
    lost.add_argument("--ball-outline", metavar="CX,CY,R", help="the ball's centre and radius in pixels of the upright"
                                                                " picture; else it is looked for")
    lost.add_argument("--ball-heading", type=float, metavar="DEG",
                      help="where the ball's camera looked, as headings of `panorama` count; else its shading tells")
    lost.add_argument("--ball-reflectance", default="0.18", metavar="R[,G,B]", help="of the ball's paint; 0.18 if not"
                                                                                    " given")
    lost.add_argument("--exposure", action="append", default=[], metavar="S",
                      help="exposure time in seconds, once per frame of the ball, where the headers are silent")
    lost.add_argument("--sun", action="store_true", help="without a ball: it is the sun in a clear sky, and no ND"
                                                         " filter was on")
    lost.add_argument("--estimated", metavar="FILE.exr", help="write the probe with the estimated light put back")
    parser.add_argument("--replace", action="store_true", help="write over files that are there")
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    from ingest.faces.given import Outputs, opened, worker_answer

    names = [*(name for name, _ in _PICTURES), _ESTIMATED]
    outputs = {name: Path(value) for name in names if (value := getattr(args, name))}
    given = [_exr(args.probe), *([_exr(args.previous)] if args.previous else [])]
    for path in outputs.values():
        if path.suffix.lower() != ".exr":
            raise UsageError("the picture is an OpenEXR.", item=str(path), next="Give a name that ends in .exr.")
    if args.estimated and not (args.ball or args.sun):
        raise UsageError("nothing to estimate by.", item="--estimated", next="Give the ball (--ball), or say --sun.")
    with ExitStack() as stack:
        ball, doubts = _ball(args, stack)
        sources = stack.enter_context(opened([*given, *([ball] if ball else [])]))
        made = stack.enter_context(Outputs(tuple(outputs.values()), replace=args.replace))
        ask = {"previous": bool(args.previous), "outputs": list(outputs), "layout": args.raster, "sun": args.sun,
               "ball": {**_said_of_ball(args), "notes": doubts} if ball else None,
               "names": {"probe": args.probe, "previous": args.previous or "", "ball": args.ball[0] if ball else ""}}
        answer = worker_answer("light", ask, [*sources, *made.descriptors], item=args.probe)
        if args.estimated and not answer.get("estimates"):
            why = "; ".join(f"{n['method']}: {n['why']}" for n in answer.get("not_estimated", ()))
            raise Unreadable(f"nothing was estimated ({why}).", item=args.probe, next="Leave --estimated out.")
        made.keep()
    if args.json:
        json.dump(answer, sys.stdout, indent=2)
        print()
    else:
        print("\n".join(lines(answer)))
    return EXIT_WELL


def _exr(name: str) -> Path:
    """A probe by its beginning, since that decides what it is; what cannot be opened is said by whoever opens it."""
    path = Path(name)
    if path.is_dir():
        raise UsageError("is a folder.", item=name, next="Give a lat-long OpenEXR, as `merge` and `panorama` write it.")
    try:
        with path.open("rb") as file:
            magic = file.read(4)
    except OSError:
        return path
    if not magic:
        raise UsageError("is empty.", item=name, next="Copy it again or make it again.")
    if magic != EXR_MAGIC:
        raise UsageError(
            "is no OpenEXR; the light of a scene is in no single photograph.", item=name,
            next="Merge its bracket (`nightloader merge`) or stitch its views (`nightloader panorama`), and give the"
                 " EXR that they write.",
        )
    return path


def _ball(args: argparse.Namespace, stack: ExitStack) -> tuple[Path | None, list[str]]:
    """The ball's picture as an EXR on an absolute scale, and what is doubtful about that; camera frames are merged into
    a temporary folder first."""
    from ingest.faces.cli.merge import seconds
    from ingest.faces.merging import merge_files

    frames = [Path(f) for f in args.ball]
    if not frames:
        return None, []
    if any(f.suffix.lower() == ".exr" for f in frames):
        if len(frames) > 1:
            raise UsageError("the ball is one EXR or several camera frames.", item=args.ball[0],
                             next="Give one of them.")
        return _exr(args.ball[0]), []
    folder = Path(stack.enter_context(tempfile.TemporaryDirectory(prefix="nl-")))
    times = [seconds(e) for e in args.exposure] or None
    if times and len(times) != len(frames):
        raise UsageError(f"{len(times)} exposures for {len(frames)} frames.", next="Give one per frame.")
    record = merge_files(frames, folder / "ball.exr", kind="flat", exposures=times)
    doubts = []
    if any(f["f_number"] is None or f["iso"] is None for f in record["frames"]):
        doubts.append("The ball's headers tell no aperture or ISO: those of the probe's reference were taken.")
    if record["source"] == "jpeg" and len(frames) == 1:
        doubts.append("The ball is a single JPEG: its tone curve was taken to be the standard one; a raw or a bracket"
                      " would not need that.")
    return folder / "ball.exr", doubts


def _said_of_ball(args: argparse.Namespace) -> dict[str, Any]:
    outline = _numbers(args.ball_outline, (3,), "--ball-outline", "CX,CY,R") if args.ball_outline else None
    reflectance = _numbers(args.ball_reflectance, (1, 3), "--ball-reflectance", "R or R,G,B")
    if not all(0 < r <= 1 for r in reflectance):
        raise UsageError("a reflectance lies between 0 and 1.", item="--ball-reflectance", next="Give R or R,G,B.")
    return {"outline": outline, "heading_deg": args.ball_heading,
            "reflectance": reflectance if len(reflectance) == 3 else reflectance[0]}


def _numbers(text: str, counts: tuple[int, ...], item: str, form: str) -> list[float]:
    try:
        found = [float(part) for part in text.split(",")]
    except ValueError:
        found = []
    if len(found) not in counts or not all(math.isfinite(v) for v in found):
        raise UsageError(f"{text!r} is not understood.", item=item, next=f"Give {form} as numbers.")
    return found


def lines(answer: dict[str, Any]) -> list[str]:
    """The summary for a person."""
    out = [f"{answer['width']}x{answer['height']}, {answer['layout']}"]
    for light in answer["lights"]:
        x, y, z = light["direction"]
        kelvin = f"{light['cct_K']:.0f} K" if light["cct_K"] else "no colour temperature"
        most = "at most " if light["solid_angle_at_most"] else ""
        least = "at least " if light["at_least"] else ""
        out.append(
            f"light at ({x:+.3f}, {y:+.3f}, {z:+.3f}): {least}{100 * light['share']:.2g} % of the light, {kelvin}, "
            f"{most}{light['solid_angle_sr']:.2g} sr"
        )
    if not answer["lights"]:
        out.append("no light of its own: the surround is even")
    if answer["key_to_fill"]:
        out.append(f"key to fill {answer['key_to_fill']:.2f} : 1")
    for one in answer.get("estimates", ()):
        out += _estimated(one)
    out += [f"no estimate ({n['method']}): {n['why']}" for n in answer.get("not_estimated", ())]
    if "difference" in answer:
        out.append(answer["difference"]["sentence"])
    return out + list(answer["notes"])


def _estimated(one: dict[str, Any]) -> list[str]:
    x, y, z = one["direction"]
    sure = one["relative_sigma"]
    stops = one["with_it"]["stops_over_measured"]
    rgb = ", ".join(f"{v:.4g}" for v in one["missing_irradiance_rgb"])
    known = f"+-{max(100 * sure, 0.1):.2g} % (one standard deviation)" if sure is not None else "nothing is missing"
    fill = one["with_it"]["key_to_fill"]
    return [
        f"{one['label']}:",
        f"  the light at ({x:+.3f}, {y:+.3f}, {z:+.3f}) lacks an irradiance of ({rgb}) on a plane facing it, {known}",
        f"  with it that light is {stops:.1f} stops stronger than measured" if stops is not None else
        "  nothing of that light was measured",
        *([f"  and key to fill {fill:.2f} : 1"] if fill else []),
        *(f"  {note}" for note in one["notes"]),
    ]
