"""A sample card laid out looks as a card would; what comes with the program is found wherever it is installed."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path

import pytest
import tomli

from ingest.errors import NightloaderError, UsageError
from ingest.faces.cli import lay
from ingest.machinery.disk import packed

ROOT = Path(__file__).parents[2]


@pytest.mark.parametrize("card", lay.names())
def test_a_card_has_its_files_its_litter_and_its_times(card: str, tmp_path: Path) -> None:
    root = lay.lay(card, tmp_path / card)
    truth = lay.truth()
    rows = next(c for c in truth["cards"] if c["name"] == card)["files"]
    litter = [row for row in truth["litter"] if row["card"] == card]
    files = {row["path"] for row in rows} | {row["path"] for row in litter if "kept" in row}
    assert {p.relative_to(root).as_posix() for p in root.rglob("*") if p.is_file()} == files
    for row in rows:
        assert (root / row["path"]).stat().st_size == row["size_bytes"]
        seconds = (root / row["path"]).stat().st_mtime_ns / 1e9
        assert seconds == datetime.fromisoformat(row["mtime_utc"]).timestamp() and seconds % 2 == 0  # FAT's steps
    for row in litter:
        if "kept" not in row:
            assert (root / row["path"]).is_dir() and not list((root / row["path"]).iterdir())


def test_nothing_is_laid_over_something(tmp_path: Path) -> None:
    (tmp_path / "old.txt").write_text("mine")
    with pytest.raises(UsageError):
        lay.lay("ORBE-02", tmp_path)
    assert (tmp_path / "old.txt").read_text() == "mine"


def test_an_unknown_card_is_refused(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="no such sample card"):
        lay.lay("NONE", tmp_path / "x")


def test_packed_comes_before_checkout_and_strangers_are_not_taken(tmp_path: Path) -> None:
    package = tmp_path / "ingest"
    (tmp_path / "sample_cards").mkdir()
    package.mkdir()
    with pytest.raises(NightloaderError, match="missing"):
        packed.sample_cards(package)  # beside, but nothing says that this is our checkout
    (tmp_path / "pyproject.toml").touch()
    assert packed.sample_cards(package) == tmp_path / "sample_cards"
    (package / "_packed" / "sample_cards").mkdir(parents=True)
    assert packed.sample_cards(package) == package / "_packed" / "sample_cards"


def test_the_wheel_lists_every_package() -> None:
    listed = tomli.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["tool"]["setuptools"]["packages"]
    there = {".".join(p.parent.relative_to(ROOT).parts) for p in (ROOT / "ingest").rglob("__init__.py")}
    wanted = [*sorted(there), "ingest._packed.sample_cards", "ingest._packed.shared"]
    assert listed == wanted, "paste into pyproject.toml:\n" + "\n".join(f'    "{name}",' for name in wanted)
