"""Whatever a document holds, it is read or refused with faults: no other error comes out."""

from __future__ import annotations

import copy
import datetime as dt
import tomllib
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from diffbench.documents import Build, Car, Rig, RunSheet, document_of
from diffbench.documents.log import LogSheet
from diffbench.errors import DocumentError

MODELS: dict[str, type[Build | Car | Rig | RunSheet | LogSheet]] = {
    "log": LogSheet,
    "rig": Rig,
    "build": Build,
    "run": RunSheet,
    "car": Car,
}

leaves = st.one_of(
    st.booleans(),
    st.integers(),
    st.just(10**400),
    st.floats(),
    st.text(max_size=8),
    st.sampled_from(
        ["12 N.m", "-3 mm", "1 kg", "4 1/s", "50 %", "left_torque", "pinion", "axis", "additive"]
    ),
    st.just(dt.date(2026, 3, 15)),
    st.just(dt.time(8, 30)),
)
keys = st.one_of(
    st.text(max_size=6), st.sampled_from(["value", "u", "unit", "column", "name", "gear_friction"])
)
junk = st.recursive(
    leaves, lambda inner: st.lists(inner, max_size=3) | st.dictionaries(keys, inner, max_size=3)
)


def _places(node: Any, at: tuple[str | int, ...] = ()) -> list[tuple[str | int, ...]]:
    inner = node.items() if isinstance(node, dict) else enumerate(node) if isinstance(node, list) else []
    return [at, *(place for key, part in inner for place in _places(part, (*at, key)))]


@pytest.mark.parametrize("kind", sorted(MODELS))
@settings(max_examples=100, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(data=st.data())
def test_a_document_with_anything_in_one_place(kind: str, texts: dict[str, str], data: st.DataObject) -> None:
    document = copy.deepcopy(tomllib.loads(texts[kind]))
    place = data.draw(st.sampled_from(_places(document)[1:]))
    node: Any = document
    for part in place[:-1]:
        node = node[part]
    node[place[-1]] = data.draw(junk)
    if isinstance(node, dict):
        node[data.draw(keys)] = data.draw(junk)
    try:
        document_of(document, MODELS[kind], source="document.toml")
    except DocumentError as error:
        refused = error
    else:
        return
    assert refused.faults
    assert all(fault.what and fault.mend and "\n" not in str(fault) for fault in refused.faults)
