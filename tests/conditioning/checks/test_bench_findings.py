"""Speeds, torque balance, pace, slip, tares and the standard: each fires at its fault and is silent beside
it."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from diffbench.conditioning import condition
from diffbench.documents import Rig
from diffbench.errors import RecordingError
from diffbench.recording import Recording

Array = NDArray[np.float64]
Found = Callable[..., dict[str, Any]]
RigOf = Callable[..., Rig]
RecordingOf = Callable[..., Recording]
Change = Callable[[Array, dict[str, Array]], dict[str, Array]]
OUTPUTS = ("left_torque", "right_torque", "left_speed", "right_speed")
RPM = 30.0 / np.pi


@pytest.fixture
def found(
    ideal: Callable[..., tuple[Array, dict[str, Array]]], rig_of: RigOf, recording_of: RecordingOf
) -> Found:
    """Findings by name of an ideal bench's sweep with noise, changed channels and channels of the rig."""

    def findings(
        change: Change | None = None,
        *,
        extra: dict[str, dict[str, Any]] | None = None,
        tares: tuple[dict[str, Array], ...] = (),
        **sweep: Any,
    ) -> dict[str, Any]:
        time, channels = ideal(**{"noise": 1.0, **sweep})
        channels["oil_temperature"] += np.random.default_rng(2).normal(0.0, 0.2, time.size)
        if change is not None:
            channels = change(time, channels)
        # u_zero is what a clean zero may be off by: the ideal bench's is not
        keys: dict[str, dict[str, Any]] = {name: {} for name in (*OUTPUTS, "oil_temperature")}
        rig = rig_of(**{**keys, **(extra or {})})
        recorded = {name: channels[name] for name in rig.channel}
        recordings = [("bias-sweep", recording_of(time, **recorded))]
        for tare in tares:
            values = {**{name: recorded[name][: tare["time"].size] for name in recorded}, **tare}
            values["oil_temperature"] = np.full(tare["time"].size, 60.0)
            stamp = values.pop("time")
            place = 0 if len(recordings) == 1 else len(recordings)
            recordings.insert(place, ("tare", recording_of(stamp, **values)))
        visit = condition(rig, recordings, rig_key="R", visit_key="V")
        return {finding.name: finding for finding in visit.findings}

    return findings


def changed(**factors: float) -> Change:
    def change(time: Array, channels: dict[str, Array]) -> dict[str, Array]:
        del time
        return {name: factors.get(name, 1.0) * values for name, values in channels.items()}

    return change


def with_case(time: Array, channels: dict[str, Array]) -> dict[str, Array]:
    case = 0.5 * (channels["left_speed"] + channels["right_speed"])
    both = channels["left_torque"] + channels["right_torque"]
    noise = np.random.default_rng(7).normal(0.0, 0.05, time.size)
    return {**channels, "case_speed": case + noise, "input_torque": both + 10.0 * noise}


def test_the_ideal_bench_is_silent(found: Found) -> None:
    assert set(found()) == {"short of SAE J3011"}
    assert set(found(with_case, extra={"case_speed": {}, "input_torque": {}})) == {"short of SAE J3011"}


class TestSpeeds:
    def test_rpm_taken_as_rad_per_second(self, found: Found) -> None:
        told = found(changed(left_speed=RPM, right_speed=RPM))
        assert told["speed implausible"].severity == "caveat"
        assert "Were it rpm" in told["speed implausible"].evidence

    @pytest.mark.parametrize("factor", [RPM, 1.0 / RPM, 2.0 * RPM, 1.2, -1.0])
    def test_a_case_speed_that_contradicts_the_outputs_stops(self, factor: float, found: Found) -> None:
        def change(time: Array, channels: dict[str, Array]) -> dict[str, Array]:
            made = with_case(time, channels)
            return {**made, "case_speed": factor * made["case_speed"]}

        with pytest.raises(RecordingError, match="speeds contradict each other"):
            found(change, extra={"case_speed": {}})

    def test_three_per_cent_between_case_and_outputs_is_a_caveat(self, found: Found) -> None:
        def change(time: Array, channels: dict[str, Array]) -> dict[str, Array]:
            made = with_case(time, channels)
            return {**made, "case_speed": 1.03 * made["case_speed"]}

        assert found(change, extra={"case_speed": {}})["speeds contradict each other"].severity == "caveat"

    def test_one_output_in_rpm_stops(self, found: Found) -> None:
        with pytest.raises(RecordingError, match="rpm taken as rad/s"):
            found(changed(left_speed=RPM))

    def test_steps_of_half_the_slip(self, found: Found) -> None:
        def change(time: Array, channels: dict[str, Array]) -> dict[str, Array]:
            del time
            steps = {name: np.round(channels[name] / 2.0) * 2.0 for name in ("left_speed", "right_speed")}
            return {**channels, **steps}

        assert (
            "left_speed" in found(change)["coarse resolution"].where
            or "right_speed" in found(change)["coarse resolution"].where
        )


class TestBalance:
    def balance(self, found: Found, factor: float) -> dict[str, Any]:
        def change(time: Array, channels: dict[str, Array]) -> dict[str, Array]:
            made = with_case(time, channels)
            return {**made, "input_torque": factor * made["input_torque"]}

        return found(change, extra={"input_torque": {}})

    def test_three_per_cent_is_a_caveat(self, found: Found) -> None:
        told = self.balance(found, 1.03)["torque balance"]
        assert told.severity == "caveat"
        assert "1.03 times" in told.evidence

    def test_one_per_cent_is_within_two_flanges_of_class_a_half(self, found: Found) -> None:
        assert "torque balance" not in self.balance(found, 1.01)

    @pytest.mark.parametrize("factor", [1.3558179483, 1.0 / 1.3558179483, -1.0])
    def test_a_unit_or_a_sign_stops(self, factor: float, found: Found) -> None:
        with pytest.raises(RecordingError, match="torque balance") as caught:
            self.balance(found, factor)
        if factor > 0.0:
            assert "lbf.ft" in str(caught.value)


class TestProtocol:
    def test_three_cycles_are_enough(self, found: Found) -> None:
        assert "too few cycles" not in found(cycles=3)

    @pytest.mark.parametrize(("swing", "told"), [(0.2, False), (1.0, True)])
    def test_stick_slip(self, swing: float, told: bool, found: Found) -> None:
        """A speed difference that swings at 3 Hz by a fifth of its level is uneven, by all of it sticks."""

        def change(time: Array, channels: dict[str, Array]) -> dict[str, Array]:
            difference = channels["left_speed"] - channels["right_speed"]
            added = 0.5 * swing * difference * np.sin(2.0 * np.pi * 3.0 * time)
            return {
                **channels,
                "left_speed": channels["left_speed"] + added,
                "right_speed": channels["right_speed"] - added,
            }

        assert ("stick-slip" in found(change)) is told


class TestTares:
    def tare(self, shift: float, seed: int) -> dict[str, Array]:
        rng = np.random.default_rng(seed)
        time = np.arange(1000) / 50.0
        return {
            "time": time,
            "left_torque": shift + rng.normal(0.0, 1.0, time.size),
            "right_torque": rng.normal(0.0, 1.0, time.size),
            "left_speed": 60.0 + rng.normal(0.0, 0.02, time.size),
            "right_speed": 60.0 + rng.normal(0.0, 0.02, time.size),
        }

    def test_three_newton_metres_from_before_to_after(self, found: Found) -> None:
        told = found(tares=(self.tare(0.0, 1), self.tare(3.0, 2)))["zero drift"]
        assert told.severity == "caveat"
        assert "moves by +3" in told.evidence

    def test_what_the_rig_allows_for_is_a_note(self, found: Found) -> None:
        extra = {"left_torque": {"u_zero": "1 N.m"}, "right_torque": {"u_zero": "1 N.m"}}
        told = found(extra=extra, tares=(self.tare(0.0, 1), self.tare(0.7, 2)))["zero drift"]
        assert told.severity == "note"

    def test_two_tares_alike_are_silent(self, found: Found) -> None:
        assert "zero drift" not in found(tares=(self.tare(0.0, 1), self.tare(0.0, 2)))

    @pytest.mark.parametrize("cycles", [1.5, 10.0, 40.0])
    def test_a_sweep_is_no_tare(self, found: Found, cycles: float) -> None:
        """Whatever its means are: those of whole cycles are near zero, and their scatter passed for noise."""
        loaded = self.tare(0.0, 1)
        turn = 2.0 * np.pi * cycles * loaded["time"] / loaded["time"][-1]
        loaded["left_torque"] = loaded["left_torque"] + 200.0 * np.sin(turn)
        with pytest.raises(
            RecordingError, match=r"loaded tare: left_torque reads -1\d\d.* to 1\d\d"
        ) as error:
            found(tares=(loaded,))
        assert "speed-sweep" in str(error.value.faults[0].mend)

    def test_a_steady_load_is_told(self, found: Found) -> None:
        assert found(tares=(self.tare(150.0, 1),))["loaded tare"].severity == "caveat"

    def test_drag_and_zero_of_a_bench_are_none(self, found: Found) -> None:
        assert "loaded tare" not in found(tares=(self.tare(15.0, 1),))


class TestStandard:
    def test_a_workshop_s_logger_is_short_of_it_and_serves(self, found: Found) -> None:
        told = found()["short of SAE J3011"]
        assert told.severity == "note"
        assert "sampling at 50 Hz" in told.evidence
        assert "no temperature at the plates" in told.evidence

    def test_a_bench_that_meets_it_is_told_nothing(self, found: Found) -> None:
        def change(time: Array, channels: dict[str, Array]) -> dict[str, Array]:
            plates = channels["oil_temperature"] + np.random.default_rng(8).normal(2.0, 0.2, time.size)
            return {**channels, "plate_temperature": plates}

        assert found(change, extra={"plate_temperature": {}}, cycles=3, rate=1000.0) == {}


class TestOneSidedSigns:
    """Slip one way round and drive torque only: a reversed output looks passive, and climbs too fast."""

    def one_sided(self, sign: float, recording_of: RecordingOf) -> Recording:
        time = np.arange(4000) / 50.0
        torque = 300.0 * (1.0 - np.cos(2.0 * np.pi * time / 20.0))
        locking = 80.0 + 0.5 * torque
        rng = np.random.default_rng(9)
        left = 0.5 * (torque - locking) + rng.normal(0.0, 1.0, time.size)
        right = 0.5 * (torque + locking) + rng.normal(0.0, 1.0, time.size)
        return recording_of(
            time,
            left_torque=sign * left,
            right_torque=right,
            left_speed=np.full(time.size, 62.0),
            right_speed=np.full(time.size, 58.0),
        )

    def test_right_signs_pass(self, rig_of: RigOf, recording_of: RecordingOf) -> None:
        rig = rig_of(**{name: {} for name in OUTPUTS})
        run = [("bias-sweep", self.one_sided(1.0, recording_of))]
        assert condition(rig, run, rig_key="R", visit_key="V").runs[0].locking.min() > 0.0

    def test_the_reversed_output_is_refused_and_named(self, rig_of: RigOf, recording_of: RecordingOf) -> None:
        rig = rig_of(**{name: {} for name in OUTPUTS})
        with pytest.raises(RecordingError) as caught:
            condition(rig, [("bias-sweep", self.one_sided(-1.0, recording_of))], rig_key="R", visit_key="V")
        (fault,) = caught.value.faults
        assert "the sign of left_torque is reversed" in fault.mend
