"""A name that a result does not have is refused in words, with those that it has; what is shown says what it
is."""

from __future__ import annotations

import pickle
from collections.abc import Callable

import pytest

from diffbench.errors import DiffbenchError, FitError
from diffbench.results import BRANCHES, Characterisation, LockingMap, MapDocument, Parameter, make_map

Results = Callable[..., Characterisation]


def quantity(value: float | None) -> Parameter:
    return Parameter(
        value=value, u=None, low=None, high=None, unit="1", status="measured", meaning="", needs="more torque"
    )


@pytest.fixture
def result(characterised: Results) -> Characterisation:
    """Two quantities, one of them not determined."""
    known = {"preload_torque": quantity(81.7), "gear_friction": quantity(None)}
    return characterised(parameters=known)


@pytest.fixture(scope="module")
def small(small_document: MapDocument) -> LockingMap:
    return LockingMap(small_document)


@pytest.mark.parametrize(
    "ask",
    [
        lambda result: result.parameters["preload_torqe"],
        lambda result: result.value("preload_torqe"),
        lambda result: pickle.loads(pickle.dumps(result)).parameters["preload_torqe"],  # noqa: S301 - own
        lambda result: result.of_build("Q17-a").parameters["preload_torqe"],
    ],
)
def test_a_quantity(ask: Callable[[Characterisation], object], result: Characterisation) -> None:
    """The nearest first; who expects a KeyError, as of any mapping, still catches it."""
    with pytest.raises(DiffbenchError, match=r"no 'preload_torqe'.*one of preload_torque, gear_friction\.$"):
        ask(result)
    with pytest.raises(KeyError):
        ask(result)


def test_a_quantity_that_is_not_determined(result: Characterisation) -> None:
    with pytest.raises(DiffbenchError, match=r"gear_friction is not determined: more torque\. Mend: "):
        result.value("gear_friction")


@pytest.mark.parametrize(
    "ask",
    [
        lambda found: found.locking_torque(0.0, 4.0, 60.0, "up"),
        lambda found: found.locking_torque([0.0, 900.0], 4.0, 60.0, "up"),
        lambda found: found.interval(0.0, 4.0, 60.0, "up"),
        lambda found: found.is_tested(0.0, 4.0, 60.0, "up"),
        lambda found: found.read(0.0, 4.0, 60.0, "up"),
        lambda found: found.values["up"],
        lambda found: found.tested["up"],
        lambda found: found.document.branches["up"],
    ],
)
def test_a_branch_of_a_map(ask: Callable[[LockingMap], object], small: LockingMap) -> None:
    with pytest.raises(DiffbenchError, match="there is no 'up'") as caught:
        ask(small)
    assert all(branch in str(caught.value) for branch in BRANCHES)


def test_an_axis_of_a_map(result: Characterisation) -> None:
    """It was passed over in silence."""
    with pytest.raises(DiffbenchError, match=r"no 'speed_difference'.*one of speed_difference_rad_s"):
        make_map(result, axes={"speed_difference": (0.0, 30.0)})


def test_a_build(result: Characterisation) -> None:
    for ask in (result.of_build, result.facts_of):
        with pytest.raises(FitError, match=r"no build 'Q17-b'. Mend: name one of Q17-a"):
            ask("Q17-b")


def test_what_is_shown_says_what_it_is(result: Characterisation, small: LockingMap) -> None:
    """In one line that can be read, not every number."""
    told = repr(result)
    assert told.startswith("Characterisation(unit='Q17', build='Q17-a'")
    assert "parameters=<2>" in told
    assert len(told) < 400
    nodes = "5 × 3 × 4 nodes"
    assert repr(small).startswith(f"LockingMap(unit='Q17', build='Q17-a', {nodes} over input_torque_Nm -300")
