"""Writes the JSON Schemas of every paper into ``shared/schemas`` (run it after a change of a model).

``python shared/make_schemas.py`` where this checkout is installed; ``tests/records/test_papers.py`` fails
until it was run.
"""

from __future__ import annotations

import json
from pathlib import Path

from ingest.records import audit_paper, papers

SCHEMAS = Path(__file__).parent / "schemas"


def schemas() -> dict[str, str]:
    """File name -> text of each schema (JSON Schema draft 2020-12)."""
    out = {}
    for name, model in (papers.PAPERS | audit_paper.PAPERS).items():
        schema = {"$schema": "https://json-schema.org/draft/2020-12/schema", **model.model_json_schema()}
        out[f"{name}.schema.json"] = json.dumps(schema, indent=1, ensure_ascii=False) + "\n"
    return out


def main() -> None:
    SCHEMAS.mkdir(exist_ok=True)
    for name, text in schemas().items():
        (SCHEMAS / name).write_text(text, encoding="utf-8", newline="\n")


if __name__ == "__main__":
    main()
