"""The described rigs that come with the project are right, and say in their own words what they are."""

from __future__ import annotations

from pathlib import Path

import pytest

from diffbench.documents import load_rig
from diffbench.quantities import Quantity

RIGS = Path(__file__).parents[2] / "rigs"
NAMES = sorted(path.name for path in RIGS.glob("*.toml"))


def test_there_is_a_rig_for_each_way_to_measure() -> None:
    found = {load_rig(RIGS / name).arrangement for name in NAMES}
    assert {"both-outputs", "input-and-one-output", "output-turned-case-free"} <= found
    assert len(NAMES) >= 3


@pytest.mark.parametrize("name", NAMES)
def test_every_rig_is_right_and_opens_with_what_it_is(name: str) -> None:
    rig = load_rig(RIGS / name)
    assert rig.name
    assert (RIGS / name).read_text(encoding="utf-8").startswith("# An invented ")


@pytest.mark.parametrize("name", NAMES)
def test_every_torque_states_how_sure_it_is(name: str) -> None:
    torques = [channel for channel in load_rig(RIGS / name).channel.values() if channel.dimension == "torque"]
    assert torques
    assert all(channel.u_gain and channel.u_zero for channel in torques)


def test_the_pinion_stand_in_si() -> None:
    rig = load_rig(RIGS / "pinion-and-one-output.toml")
    assert rig.channel["input_torque"].ratio == Quantity(3.42)
    assert rig.channel["input_torque"].efficiency == Quantity(0.965, 0.01)
    assert rig.channel["oil_temperature"].u_zero == pytest.approx(10 / 9)  # 2 degF as a difference
    assert (rig.file.decimal, rig.file.encoding, rig.file.skip_rows) == (",", "cp1252", 3)


def test_the_fixture_knows_both_hand_arrangements() -> None:
    values = load_rig(RIGS / "hand-readings-fixture.toml").channel["arrangement"].values
    assert values is not None
    assert set(values.values()) == {"output-turned-case-free", "output-turned-case-held"}
