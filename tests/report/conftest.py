"""Results made by hand, as fixtures."""

from __future__ import annotations

import functools
import importlib.util
import os
import sys
from collections.abc import Callable
from pathlib import Path
from types import ModuleType

import pytest

from diffbench.report import result_page
from diffbench.results import Characterisation, LockingMap, make_map


def _load() -> ModuleType:
    # tests are no package: the helper beside this file is loaded by its path
    spec = importlib.util.spec_from_file_location(
        "report_synthetic", Path(__file__).with_name("synthetic.py")
    )
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="session")
def synthetic() -> ModuleType:
    """The module with results made by hand."""
    return _load()


@pytest.fixture(scope="session")
def complete(synthetic: ModuleType) -> Characterisation:
    """A result without a blemish."""
    return synthetic.complete()


@pytest.fixture(scope="session")
def complete_map(complete: Characterisation) -> LockingMap:
    """Its map."""
    return make_map(complete)


@pytest.fixture(scope="session")
def made_under(synthetic: ModuleType) -> Callable[..., tuple[Characterisation, LockingMap]]:
    """A result without a blemish and its map, by preload law and joint fraction; each made once."""

    @functools.cache
    def made(law: str, fraction: float) -> tuple[Characterisation, LockingMap]:
        result: Characterisation = synthetic.complete(law, fraction)
        return result, make_map(result)

    return made


@pytest.fixture(scope="session")
def pages(synthetic: ModuleType, tmp_path_factory: pytest.TempPathFactory) -> Callable[[str], str]:
    """Page of a synthetic result by its name, drawn once: drawing takes seconds. Of several processes that
    share the tests, one draws for all. The map is that of the last build; it has several temperatures for the
    complete result, one for the others."""
    folder = tmp_path_factory.getbasetemp()
    folder = folder.parent if "PYTEST_XDIST_WORKER" in os.environ else folder

    @functools.cache
    def made(name: str) -> str:
        file = folder / f"page-{name}.html"
        if not file.exists():
            result = getattr(synthetic, name)()
            if name != "complete":
                result = synthetic.at_one_temperature(result)
            beside = folder / f"page-{name}-{os.getpid()}.part"
            build = result.builds[-1].build if len(result.builds) > 1 else None
            text = result_page(result, make_map(result, build=build))
            beside.write_bytes(text.encode("utf-8", "surrogateescape"))
            beside.replace(file)
        return file.read_bytes().decode("utf-8", "surrogateescape")

    return made


@pytest.fixture(scope="session")
def doubtful(synthetic: ModuleType) -> Characterisation:
    """A result with everything that can be wrong."""
    return synthetic.doubtful()
