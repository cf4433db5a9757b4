"""``light``: what the light of a lat-long is, without a show."""

from __future__ import annotations

import argparse
import json
import sys
from pathlib import Path
from typing import Any

from ingest.errors import EXIT_WELL, UsageError

_PICTURES = (
    ("convolved", "write the diffuse-convolved map (irradiance by normal over pi)"),
    ("grey_ball", "write a render of a matte grey ball"),
    ("mirror_ball", "write a render of a mirror ball"),
)


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
    parser.add_argument("--replace", action="store_true", help="write over files that are there")
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    from ingest.faces.given import Outputs, opened, worker_answer

    outputs = {name: Path(value) for name, _ in _PICTURES if (value := getattr(args, name))}
    given = [Path(args.probe), *([Path(args.previous)] if args.previous else [])]
    for path in outputs.values():
        if path.suffix.lower() != ".exr":
            raise UsageError("the picture is an OpenEXR.", item=str(path), next="Give a name that ends in .exr.")
    with opened(given) as sources, Outputs(tuple(outputs.values()), replace=args.replace) as made:
        ask = {"previous": bool(args.previous), "outputs": list(outputs), "layout": args.raster}
        answer = worker_answer("light", ask, [*sources, *made.descriptors], item=args.probe)
        made.keep()
    if args.json:
        json.dump(answer, sys.stdout, indent=2)
        print()
    else:
        print("\n".join(lines(answer)))
    return EXIT_WELL


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
    if "difference" in answer:
        out.append(answer["difference"]["sentence"])
    return out + list(answer["notes"])
