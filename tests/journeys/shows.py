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

import xxhash

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


# An instant as papers and names write it.
_TIMES = re.compile(r"\d{4}-\d\d-\d\d[T_ ]\d\d:?\d\d:?\d\d(\.\d+)?(Z|[+-]\d\d:?\d\d)?")
_DIGESTED = re.compile(r'"path": "([^"]+)", "size_bytes": \d+, "digest": "xxh3_128:([0-9a-f]{32})"')
_PAPERS = {".json", ".jsonl", ".log", ".txt", ".md", ".html", ".csv", ".mhl", ".xml", ".xxh128"}


def tree(show: Show, disk: Path) -> dict[str, str]:
    """Every path of a destination with what must be equal: bytes, pixels, or a paper's words.

    A paper's words are equal but for instants, the identities of the two disks, and digests of papers, which
    change with the instants in them: such a digest counts as equal where it is that of the paper as it lies there.
    """
    identities = {
        json.loads((d / ".nightloader-destination.json").read_text(encoding="utf-8"))["id"]: d.name for d in show.disks
    }
    out = {}
    for path in sorted(p for p in disk.rglob("*") if p.is_file()):
        name = path.relative_to(disk).as_posix()
        if "/" in name:
            ours = path.suffix in _PAPERS and not {"DCIM", "A7"} & set(path.parts)
            out[_TIMES.sub("<time>", name)] = _words(path, disk, identities) if ours else _content(path)
    return out


def _words(path: Path, disk: Path, identities: dict[str, str]) -> str:
    text = path.read_text(encoding="utf-8")
    for identity, name in identities.items():
        text = text.replace(identity, name)
    if path.name == "ascmhl_chain.xml":
        text = re.sub(r"<c4>\w+</c4>", "<c4>of a list with its instant</c4>", text)

    def right(match: re.Match[str]) -> str:
        places = (disk / match[1], disk / path.relative_to(disk).parts[0] / match[1])
        target = next((t for t in places if t.is_file()), None)
        equal = target is not None and xxhash.xxh3_128_hexdigest(target.read_bytes()) == match[2]
        return f'"path": "{match[1]}", right' if equal and target and target.suffix in _PAPERS else match[0]

    text = _TIMES.sub("<time>", _DIGESTED.sub(right, text))
    return "\n".join(sorted(line.rstrip(",") for line in text.splitlines()))


def _content(path: Path) -> str:
    data = path.read_bytes()
    if path.suffix == ".exr":
        import OpenEXR

        with OpenEXR.File(str(path)) as file:
            channels = file.channels()
            data = b"".join(name.encode() + channels[name].pixels.tobytes() for name in sorted(channels))
    return hashlib.sha256(data).hexdigest()
