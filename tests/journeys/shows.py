"""A scratch show for each journey, and the command run as a person or the system would run it."""

from __future__ import annotations

import hashlib
import json
import os
import re
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from ingest.faces.cli import lay

ROOT = Path(__file__).parents[2]
ENVIRONMENT = {**os.environ, "PYTHONPATH": str(ROOT), "OMP_NUM_THREADS": "1", "PYTHONDONTWRITEBYTECODE": "1"}


@dataclass(frozen=True, kw_only=True, slots=True)
class Show:
    """A scratch show: settings, slots for cards, two destinations."""

    root: Path
    settings: Path

    @property
    def disks(self) -> tuple[Path, Path]:
        return self.root / "disk-one", self.root / "disk-two"

    def command(self, *words: str) -> list[str]:
        return [sys.executable, "-m", "ingest", "--config", str(self.settings), *words]

    def run(self, *words: str, timeout_s: float = 240) -> subprocess.CompletedProcess[str]:
        return subprocess.run(self.command(*words), capture_output=True, text=True, timeout=timeout_s, env=ENVIRONMENT,
                              cwd=self.root, check=False)

    def start(self, *words: str) -> subprocess.Popen[str]:
        return subprocess.Popen(self.command(*words), stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True,
                                env=ENVIRONMENT, cwd=self.root)

    def put_in(self, card: str) -> Path:
        """The card appears whole, as a mounted one does."""
        return lay.lay(card, self.root / f"on-its-way-{card}").rename(self.root / "slots" / card)

    def answer(self, *words: str) -> Any:
        done = self.run(*words, "--json")
        assert done.returncode in (0, 1), done.stderr
        return json.loads(done.stdout)

    def card(self, name: str) -> dict[str, Any]:
        return next(c for c in self.answer("status")["cards"] if c["folder"].endswith(f"/{name}"))

    def findings(self) -> list[dict[str, Any]]:
        return list(self.answer("status")["findings"])


def same_as_on_card(show: Show, card: str) -> None:
    """Every file of the sample card lies at both disks, byte for byte."""
    truth = lay.truth()
    folder = show.card(card)["folder"]
    for row in next(c for c in truth["cards"] if c["name"] == card)["files"]:
        for disk in show.disks:
            data = (disk / folder / row["path"]).read_bytes()
            assert hashlib.sha256(data).hexdigest() == row["sha256"], row["path"]


def tree(disk: Path) -> dict[str, str]:
    """Every path of a destination with what must be equal: bytes, pixels, or a paper's words but for its times.

    Left out: the identity file, which is each disk's own.
    """
    out = {}
    for path in sorted(p for p in disk.rglob("*") if p.is_file()):
        name = _TIMES.sub("<time>", path.relative_to(disk).as_posix())
        if "/" not in name:
            continue
        out[name] = _content(path)
    return out


# An instant as papers write it, an id or digest that comes from one, a duration.
_TIMES = re.compile(r"\d{4}-\d\d-\d\d[T_ ]\d\d:?\d\d:?\d\d(\.\d+)?(Z|[+-]\d\d:?\d\d)?")


def _content(path: Path) -> str:
    data = path.read_bytes()
    if path.suffix == ".exr":
        import OpenEXR

        with OpenEXR.File(str(path)) as file:
            channels = file.channels()
            pixels = b"".join(name.encode() + channels[name].pixels.tobytes() for name in sorted(channels))
        return hashlib.sha256(pixels).hexdigest()
    if path.suffix in {".json", ".jsonl", ".log", ".txt", ".md", ".html", ".csv", ".mhl", ".xml", ".xxh128"} and \
            "/DCIM/" not in str(path) and "/A7/" not in str(path):
        return "\n".join(sorted(_TIMES.sub("<time>", data.decode("utf-8", "replace")).splitlines()))
    return hashlib.sha256(data).hexdigest()
