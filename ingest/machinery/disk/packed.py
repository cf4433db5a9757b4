"""Where the files that come with the program lie: packed into the wheel, or beside the package in a checkout.

The wheel carries the repository's ``sample_cards/`` and ``shared/`` as ``ingest/_packed/...`` (the mapping in
pyproject.toml).  An editable install or a checkout has no packed copy and uses the folders themselves.
"""

from __future__ import annotations

from pathlib import Path

from ingest.errors import NightloaderError

_PACKAGE = Path(__file__).resolve().parents[2]


def sample_cards(package: Path = _PACKAGE) -> Path:
    """The folder of the sample cards (``truth.json``, ``cards/``, ``show/``, ``extras/``)."""
    return _find("sample_cards", package)


def shared(package: Path = _PACKAGE) -> Path:
    """The folder of what the program, its tests and other people's tools all read (schemas, tables)."""
    return _find("shared", package)


def _find(name: str, package: Path) -> Path:
    packed = package / "_packed" / name
    if packed.is_dir():
        return packed
    beside = package.parent / name
    # a stranger's folder of that name may lie beside an installed package: a checkout has its pyproject.toml
    if beside.is_dir() and (package.parent / "pyproject.toml").is_file():
        return beside
    raise NightloaderError(
        f"the folder {name} that comes with the program is missing.", item=str(packed),
        next="Install the program again from its wheel, or run it from a whole checkout.",
    )
