"""The papers' schemas: up to date, and every paper we write validates with an independent validator."""

from __future__ import annotations

import importlib.util
import json
from pathlib import Path
from typing import Any

import jsonschema
import pytest
from hypothesis import given

from tests.card_strategies import Evidence, evidence
from tests.paper_examples import examples
from tests.steps.paperwork.test_manifest import made

ROOT = Path(__file__).parents[2]


def schema_of(name: str) -> dict[str, Any]:
    return json.loads((ROOT / "shared" / "schemas" / f"{name}.schema.json").read_text(encoding="utf-8"))


def test_schemas_are_up_to_date() -> None:
    spec = importlib.util.spec_from_file_location("make_schemas", ROOT / "shared" / "make_schemas.py")
    assert spec and spec.loader
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    written = {p.name: p.read_text(encoding="utf-8") for p in (ROOT / "shared" / "schemas").glob("*.json")}
    made_now = module.schemas()
    assert {n: written.get(n) for n in made_now} == made_now, "run: python shared/make_schemas.py"


@pytest.mark.parametrize("name", sorted(examples()))
def test_every_example_validates(name: str) -> None:
    schema = schema_of(name)
    jsonschema.Draft202012Validator.check_schema(schema)
    for paper in examples()[name]:
        jsonschema.validate(json.loads(paper), schema, cls=jsonschema.Draft202012Validator)


@pytest.mark.parametrize("name", sorted(examples()))
def test_the_schemas_refuse_what_is_no_paper(name: str) -> None:
    validator = jsonschema.Draft202012Validator(schema_of(name))
    for paper in examples()[name]:
        whole = json.loads(paper)
        assert not validator.is_valid({**whole, "version": 99})
        assert not validator.is_valid({**whole, "another": 1})
        assert not validator.is_valid({k: v for k, v in whole.items() if k != "software" and k != "item"})


@given(evidence())
def test_any_card_manifest_validates(given: Evidence) -> None:
    jsonschema.Draft202012Validator(schema_of("card_manifest")).validate(json.loads(made(given)))
