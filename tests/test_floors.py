"""Imports go down, and each foreign library has one home (the table in DEVELOPERS.md)."""

from __future__ import annotations

import ast
import graphlib
import re
import sys
import tomllib
from importlib import metadata
from pathlib import Path

ROOT = Path(__file__).parent.parent
PACKAGE = ROOT / "ingest"

# Where a foreign library may be imported: prefixes of module names.
HOMES = {
    "sqlite3": ("ingest.machinery.ledger",),
    "OpenEXR": ("ingest.machinery.worker",),
    "rawpy": ("ingest.machinery.worker",),
    "simplejpeg": ("ingest.machinery.worker",),
    "exifread": ("ingest.machinery.worker",),
    "av": ("ingest.machinery.worker",),
    "zxingcpp": ("ingest.machinery.worker",),
    "segno": ("ingest.faces.slates",),  # codes to be photographed
    "fpdf": ("ingest.faces.slates", "ingest.steps.reports.printing"),
    "pymupdf_fonts": ("ingest.steps.reports",),
    "PIL": ("ingest.faces.slates",),
    "watchdog": ("ingest.faces.daemon",),
    "structlog": ("ingest.machinery.journal", "ingest.services"),
    "xxhash": ("ingest.machinery.disk",),
    "psutil": ("ingest.machinery.disk", "ingest.machinery.worker.room"),
    "distributed": ("ingest.machinery.worker.cluster",),
    "dask": ("ingest.machinery.worker.cluster",),
    "tomli": ("ingest.settings",),
    "rich": ("ingest.faces",),
    "starlette": ("ingest.faces.web",),
    "uvicorn": ("ingest.faces.web",),
    "pint": ("ingest.steps.setups",),
    "jinja2": ("ingest.steps.reports", "ingest.steps.handover", "ingest.faces.web"),
    "markupsafe": ("ingest.steps.reports", "ingest.steps.handover", "ingest.faces.web"),
    "astral": ("ingest.steps.coverage",),
    "pxr": ("ingest.steps.handover",),
    "cv2": ("ingest.machinery.worker", "ingest.steps.merging", "ingest.steps.panorama", "ingest.steps.light",
            "ingest.steps.sights"),
}
# What a rule may not know: it gets values and gives values.
NOT_IN_RULES = {"os", "sys", "time", "random", "subprocess", "socket", "threading", "shutil", "tempfile", "sqlite3"}


def test_stages_of_one_step_know_each_other_and_no_other() -> None:
    """A long stage is split into ``stage_*.py``; to the other steps they are one."""
    copying, part, other = (f"ingest.steps.{m}" for m in ("copying.stage", "copying.stage_run", "cards.stage"))
    assert may(copying, part) and may(part, copying) and may(part, "ingest.steps.cards.inventory")
    assert not may(part, other) and not may(other, part) and not may("ingest.steps.copying.owed", part)


def modules() -> dict[str, Path]:
    found = {}
    for path in PACKAGE.rglob("*.py"):
        parts = path.relative_to(ROOT).with_suffix("").parts
        name = ".".join(parts[:-1] if parts[-1] == "__init__" else parts)
        found[name] = path
    return found


def imports(name: str, path: Path) -> set[str]:
    found: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            found.update(alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{name}: relative import"
            assert node.module
            found.add(node.module)
            found.update(f"{node.module}.{alias.name}" for alias in node.names)
    return found


def floor(name: str) -> tuple[int, str]:
    """Height and kind.  A module may import what stands lower; of its own floor only what ALLOWED says."""
    p = name.split(".")
    if name.startswith("ingest.machinery.worker.child") or name.startswith("ingest.machinery.worker.jobs"):
        return 60, "faces"
    if (len(p) > 1 and p[1] == "faces") or name == "ingest.__main__":
        return 60, "faces"
    if name == "ingest.pipeline":
        return 50, "pipeline"
    if len(p) == 4 and p[1] == "steps" and (p[3] == "stage" or p[3].startswith("stage_")):
        return 40, f"stage:{p[2]}"
    if name in ("ingest.outbox", "ingest.originals"):
        return 35, name
    if name == "ingest.services":
        return 30, "services"
    if len(p) > 3 and p[1] == "steps":
        return 20, f"rules:{p[2]}"
    if name in ("ingest.machinery.clock", "ingest.machinery.memory"):
        return 15, "clock"
    if len(p) > 2 and p[1] == "machinery":
        return 20, f"machinery:{p[2]}"
    return 10, "records"


STEP_ORDER = ["cards", "copying", "stills", "clips", "codes", "clocks", "probes", "merging", "sights", "panorama",
              "light", "setups", "filing", "coverage", "paperwork", "audit", "reports", "handover"]


def may(importer: str, imported: str) -> bool:
    (high, kind), (low, other) = floor(importer), floor(imported)
    if high > low:
        return True
    if high < low:
        return False
    if kind == other:
        return True
    if kind.startswith("rules:") and other.startswith("rules:"):
        return STEP_ORDER.index(other[6:]) < STEP_ORDER.index(kind[6:])
    return False


def test_imports_go_down_and_in_no_circle() -> None:
    known = modules()
    graph: dict[str, set[str]] = {}
    wrong = []
    for name, path in known.items():
        ours = {i for i in imports(name, path) if i in known and i != name}
        # `from package import module` also names the empty package itself
        ours = {i for i in ours if known[i].name != "__init__.py" or i == "ingest"}
        graph[name] = ours - {"ingest"}
        wrong += [f"{name} imports {i}" for i in sorted(ours) if i != "ingest" and not may(name, i)]
    assert not wrong, "\n".join(wrong)
    tuple(graphlib.TopologicalSorter(graph).static_order())


def test_each_foreign_library_has_one_home() -> None:
    wrong = []
    for name, path in modules().items():
        for imported in {i.split(".")[0] for i in imports(name, path)} & HOMES.keys():
            if not name.startswith(HOMES[imported]):
                wrong.append(f"{name} imports {imported}")
    assert not wrong, "\n".join(wrong)


def test_what_is_imported_is_declared() -> None:
    """A foreign library that is here for the tests only would be missing where the program is installed alone."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    extras = [line for name, lines in project["optional-dependencies"].items() if name != "test" for line in lines]
    declared = {re.split(r"[^A-Za-z0-9.-]", line)[0].lower() for line in (*project["dependencies"], *extras)}
    given_along = {"markupsafe": "jinja2", "pil": "pillow", "pydantic_core": "pydantic"}
    owners = metadata.packages_distributions()
    for name, path in modules().items():
        for foreign in {i.partition(".")[0] for i in imports(name, path)} - sys.stdlib_module_names - {"ingest"}:
            names = {d.lower() for d in (*owners.get(foreign, ()), foreign, given_along.get(foreign.lower(), ""))}
            assert names & declared, f"{name} imports {foreign}, which pyproject.toml does not declare"


def test_rules_know_no_world() -> None:
    wrong = []
    for name, path in modules().items():
        if floor(name)[1].startswith("rules:"):
            wrong += [f"{name} imports {i}" for i in sorted(imports(name, path) & NOT_IN_RULES)]
    assert not wrong, "\n".join(wrong)
