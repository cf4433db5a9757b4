"""How the tests run everywhere: no test fails because the machine was busy."""

from __future__ import annotations

import compileall
from pathlib import Path

import pytest
from hypothesis import HealthCheck, settings

settings.register_profile("unhurried", deadline=None, suppress_health_check=[HealthCheck.too_slow])
settings.load_profile("unhurried")


def pytest_configure(config: pytest.Config) -> None:
    """Hundreds of child processes begin with the whole package: in a new checkout each would compile it for itself."""
    if not hasattr(config, "workerinput"):
        compileall.compile_dir(Path(__file__).parents[1] / "ingest", quiet=2)
