"""Every example in a docstring says what the code says."""

from __future__ import annotations

import doctest
import importlib
import pkgutil

import ingest


def test_the_examples_of_all_modules_hold() -> None:
    tried = 0
    for module in pkgutil.walk_packages(ingest.__path__, "ingest."):
        if "._packed" in module.name or module.name.endswith("__main__"):
            continue
        done = doctest.testmod(importlib.import_module(module.name))
        assert done.failed == 0, module.name
        tried += done.attempted
    assert tried > 80
