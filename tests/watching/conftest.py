"""What a fit of a watched folder gives in these tests."""

from __future__ import annotations

import importlib.util
from pathlib import Path

import pytest

from diffbench import Characterisation


@pytest.fixture(scope="session")
def synthetic_result() -> Characterisation:
    """A result made by hand, as in the tests of the report."""
    path = Path(__file__).parents[1] / "report" / "synthetic.py"
    spec = importlib.util.spec_from_file_location("watching_synthetic", path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    result: Characterisation = module.complete()
    return result
