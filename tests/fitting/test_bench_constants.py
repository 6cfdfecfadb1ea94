"""Constants of the bench that sweeps contradict together, and what rigs allow."""

from __future__ import annotations

import math
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from diffbench.conditioning.bench import ErrorSource
from diffbench.documents.rig import Allowance
from diffbench.fitting.bench_constants import (
    allowance_of,
    bench_errors,
    constants_pulled,
    constants_together,
)
from diffbench.fitting.unknowns import Names, Unknown


def bench(pulls: dict[str, float], *, told: float = 40.0, allowed: float = 0.0, group: str = "tare") -> Any:
    """Two zeros of a kind with 0.5 and 0.3 N·m of doubt, of which the cells tell the difference as well as
    ``told`` of them and the sum not at all, a gain by itself, and a constant that is only considered."""
    sources = (
        ErrorSource("l", "tare of left_torque", group, 0.5, allowed=allowed),
        ErrorSource("g", "gain of left_torque", "transducer gain", 0.002),
        ErrorSource("r", "tare of right_torque", group, 0.3, allowed=allowed),
        ErrorSource("c", "cross-talk", group, 0.1, considered=True),
    )
    unknowns = [
        Unknown("preload", 80.0),
        *(
            Unknown(f"error:{one.key}", 0.0, knowledge="stated", prior_u=1.0, considered=one.considered)
            for one in sources
        ),
    ]  # fmt: skip
    names = Names(tuple(unknowns))
    columns = np.zeros((4, len(names)))
    columns[0, 0] = 1.0
    columns[1, names.position["error:l"]], columns[1, names.position["error:r"]] = told, -told
    columns[2, names.position["error:c"]] = 7.0
    x = np.zeros(len(names))
    for key, pull in pulls.items():
        x[names.position[f"error:{key}"]] = pull
    data = SimpleNamespace(sources=sources)
    return SimpleNamespace(
        names=names, x=x, model=SimpleNamespace(data=data), sensitivities=lambda: columns,
        noise=SimpleNamespace(inflation=4.0),
    )  # fmt: skip


def test_two_zeros_that_contradict_each_other_though_neither_does_by_itself() -> None:
    """Their difference is told, their sum is not: pulls of ± 2.6 are 3.7 standard uncertainties of what is
    told. What the rig allows counts by itself, in newton metres, and so does what one of them says alone."""
    size = 2.6 * math.sqrt(2.0) / math.sqrt(1.0 - 1.0 / (1.0 + 2.0 * 40.0**2 / 4.0))
    (found,) = constants_together(bench({"l": 2.6, "r": -2.6}))
    assert (found.name, found.severity) == ("bench constant not as stated", "caveat")
    assert found.where == "tare of left_torque and tare of right_torque"
    assert found.evidence == (
        f"Of the tare the sweeps tell how these differ, and that is {size:.1f} of its standard uncertainties "
        "off what is stated."
    )
    assert found.effect.startswith("A stated uncertainty is too small, or something else is wrong with one")
    assert constants_together(bench({"l": 2.6, "r": 2.6})) == []
    assert constants_together(bench({"l": 2.3, "r": -2.3})) == []
    # 2.6 times 0.5 and 0.3 N·m: 1.3 and 0.78, of which the larger must be allowed
    assert constants_together(bench({"l": 2.6, "r": -2.6}, allowed=1.29)) != []
    assert constants_together(bench({"l": 2.6, "r": -2.6}, allowed=1.3)) == []
    # told by itself from three on
    alone = bench({"l": 3.2, "r": -2.4})
    assert constants_together(alone) == []
    assert [one.where for one in constants_pulled(alone)] == ["tare of left_torque"]
    # nothing tells how they differ
    assert constants_together(bench({"l": 2.6, "r": -2.6}, told=0.01)) == []


def test_constants_by_what_each_was_pulled() -> None:
    """In standard uncertainties, with what is left of them and what was stated."""
    candidate = bench({"l": 1.5, "g": -0.4})
    covariance: Any = SimpleNamespace(total=np.diag(np.arange(5.0) ** 2))
    conditioned: Any = [
        SimpleNamespace(rig=SimpleNamespace(name="A"), runs=(), sources={one.key: one})
        for one in candidate.model.data.sources
    ]
    found = bench_errors(candidate, covariance, conditioned)
    assert list(found) == ["tare of left_torque", "gain of left_torque", "tare of right_torque", "cross-talk"]
    assert found["tare of left_torque"] == {"standard_uncertainties": 1.5, "u": 1.0, "stated_u": 0.5}
    assert found["gain of left_torque"] == {"standard_uncertainties": -0.4, "u": 2.0, "stated_u": 0.002}


def test_what_a_gain_asks_for_is_told_from_three_standard_uncertainties_on() -> None:
    for pull, count in ((2.9, 0), (3.1, 1), (-3.1, 1)):
        found = constants_pulled(bench({"g": pull}))
        assert len(found) == count
        if found:
            assert found[0].evidence == (
                f"The sweeps ask for an error of {pull:+.1f} standard uncertainties (u = 0.002)."
            )
            assert found[0].severity == "caveat"
    # a zero that moved by no more than the rig states of it, 3.2 times 0.5 N·m
    for allowed, severity in ((1.59, "caveat"), (1.6, "note")):
        assert constants_pulled(bench({"l": 3.2}, allowed=allowed))[0].severity == severity


def test_allowances_of_several_rigs_are_the_most_of_each() -> None:
    """And nothing of none."""
    one, other = Allowance(fitted_once=0.004, one_way=0.01), Allowance(fitted_once=0.002, one_way=0.03)
    conditioned: Any = [SimpleNamespace(rig=SimpleNamespace(allowance=each)) for each in (one, other)]
    found = allowance_of(conditioned)
    assert (found.fitted_once, found.one_way) == (0.004, 0.03)
    assert {getattr(allowance_of([]), name) for name in Allowance.model_fields} == {0.0}


@pytest.mark.parametrize("group", ["lag", "transducer gain"])
def test_constants_of_unlike_kinds_are_not_held_together(group: str) -> None:
    """A gain that goes with two lags is no third one of them."""
    found = constants_together(bench({"l": 2.6, "r": -2.6, "g": 0.1}, group=group))
    assert [one.where for one in found] == ["tare of left_torque and tare of right_torque"]
