"""What a change of the recording or of its papers does to the answer.

All start from one short visit: a bias sweep of six cycles at three speed levels both ways round.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from diffbench import Characterisation
from diffbench.errors import FitError, RecordingError
from diffbench.fitting import fit
from diffbench.results import make_map

Columns = dict[str, NDArray[np.float64]]
FORCE_STATED = ('law = "undecided"', 'law = "undecided"\nspring_force = { value = "1950 N", u = "60 N" }')
BIASES = tuple(
    f"ramp_bias_{flank}_{branch}" for flank in ("drive", "coast") for branch in ("loading", "unloading")
)


def input_torque(columns: Columns) -> NDArray[np.float64]:
    return columns["left_torque"] + columns["right_torque"]


def only(choose: Callable[[Columns], NDArray[np.bool_]]) -> Callable[[Columns], Columns]:
    """Return a change that keeps the rows chosen."""
    return lambda columns: {name: values[choose(columns)] for name, values in columns.items()}


def settled(columns: Columns) -> NDArray[np.bool_]:
    """Rows later than a second after each cycle's start, where the speed difference changes."""
    return np.asarray(columns["time"] % 16.0 >= 1.0)


def findings(result: Characterisation) -> dict[str, str]:
    """Findings by name, with where and what they say."""
    return {f.name: f"{f.severity}: {f.where}: {f.evidence} {f.effect} {f.mend}" for f in result.findings}


def same(one: Characterisation, other: Characterisation, names: tuple[str, ...], *, within: float) -> None:
    """Values within a share of their standard uncertainty, standard uncertainties to as much."""
    for name in names:
        a, b = one.parameters[name], other.parameters[name]
        assert a.status == b.status, name
        if a.value is not None and b.value is not None and a.u is not None and b.u is not None:
            assert abs(a.value - b.value) <= within * a.u, name
            assert b.u == pytest.approx(a.u, rel=within), name


class TestSymmetry:
    def test_left_and_right_mirrored_are_one_unit(self, short: Characterisation, short_visit: Any) -> None:
        """Torques and speeds both exchanged, on a rig that states the same for both sides: the same answer,
        to where a search stops."""

        def mirrored(columns: Columns) -> Columns:
            left, right = ("left_torque", "left_speed"), ("right_torque", "right_speed")
            other = dict(columns)
            for one, two in zip(left, right, strict=True):
                other[one], other[two] = columns[two], columns[one]
            return other

        result = short_visit.fit("mirrored", mirrored)
        assert result.law.chosen == short.law.chosen
        same(short, result, tuple(short.parameters), within=0.05)

    def test_twice_the_torque_is_twice_the_preload_and_the_same_ramps(
        self, short: Characterisation, short_visit: Any
    ) -> None:
        """Torques, what is doubtful about them, and the plates' mass doubled: heat per mass stays, so does
        friction. What is only plausible beforehand (viscous drag) was not doubled: it has a hundredth of an
        influence."""

        def doubled(columns: Columns) -> Columns:
            twice = {name: 2.0 * columns[name] for name in ("left_torque", "right_torque")}
            return {**columns, **twice}

        result = short_visit.fit(
            "doubled",
            doubled,
            ('u_zero = "0.8 N.m"', 'u_zero = "1.6 N.m"'),
            ('value = "1.5 N.m", u = "0.3 N.m"', 'value = "3 N.m", u = "0.6 N.m"'),
            ('"0.045 kg.m^2", u = "0.004 kg.m^2"', '"0.09 kg.m^2", u = "0.008 kg.m^2"'),
            ('plate_mass = "1.95 kg"', 'plate_mass = "3.9 kg"'),
            ("1500 N.m", "3000 N.m"),
        )
        same(short, result, (*BIASES, "friction_coefficient", "ramp_friction_angle_drive"), within=0.05)
        before, after = short.parameters["preload_torque"], result.parameters["preload_torque"]
        assert before.value is not None
        assert after.value is not None
        assert before.u is not None
        assert abs(after.value / 2.0 - before.value) < 0.05 * before.u

    def test_the_same_recording_gives_the_same_answer(
        self, short: Characterisation, short_visit: Any
    ) -> None:
        """Nothing is drawn at random."""
        again = short_visit.fit("again")
        for name, item in short.parameters.items():
            assert again.parameters[name].value == item.value, name
            assert again.parameters[name].u == item.u, name


class TestMissingExcitation:
    """What the bench did not do is not determined, and said."""

    def test_no_coast_samples(self, short: Characterisation, drive_only: Characterisation) -> None:
        result = drive_only
        for name in ("ramp_bias_coast_loading", "ramp_bias_coast_unloading"):
            item = result.parameters[name]
            assert item.status == "not-determined"
            assert item.needs is not None
            assert "coast torque" in item.needs
        coast = result.parameters.get("locking_effect_coast")
        assert coast is None or coast.status == "not-determined"
        said = findings(result)["no coast samples"]
        assert said.startswith("caveat")
        assert "Add a bias sweep under coast torque" in said
        assert any("ramp_bias_coast_loading" in step for step in result.next_steps)
        # the drive flank is as well known as before
        same(short, result, ("ramp_bias_drive_loading",), within=0.5)

    def test_one_speed_level_only(self, short_visit: Any) -> None:
        """Both ways round at 4 rad/s, the reversal left out: no friction over speed, no viscous drag."""
        at_four = only(lambda c: (c["time"] >= 32.0) & (c["time"] < 64.0) & settled(c))
        result = short_visit.fit("one-level", at_four)
        for name in ("static_friction_excess", "stribeck_speed", "viscous_coefficient", "friction_slope"):
            assert result.parameters[name].status == "not-determined", name
            assert "speed sweep" in (result.parameters[name].needs or ""), name
        assert "All slip is at 4 rad/s" in findings(result)["one speed level only"]
        assert result.parameters["ramp_bias_drive_loading"].status == "measured"

    def test_one_slip_direction_only(self, short: Characterisation, short_visit: Any) -> None:
        """A zero then counts as locking torque: 0.8 N·m of each flange, 1.13 N·m together, in full."""
        faster_left = only(lambda c: c["left_speed"] > c["right_speed"] + 1.0)
        result = short_visit.fit("one-direction", faster_left)
        said = findings(result)["one slip direction only"]
        assert "The left output is always the faster one" in said
        assert "the stated uncertainties count in full" in said
        one, both = result.parameters["preload_torque"], short.parameters["preload_torque"]
        assert one.budget["transducer zero"] == pytest.approx(np.hypot(0.8, 0.8), rel=0.15)
        assert both.budget.get("transducer zero", 0.0) < 0.1 * one.budget["transducer zero"]
        assert one.u is not None
        assert both.u is not None
        assert one.u > 1.2 * both.u

    def test_no_temperature(self, short_visit: Any) -> None:
        channel = '[channel.oil_temperature]\ncolumn = "Oil [°C]"\nu_zero = "0.5 K"\n'
        result = short_visit.fit("no-temperature", None, (channel, ""))
        said = findings(result)["no temperature"]
        assert "Record the oil temperature" in said
        assert f"taken at {result.reference['temperature_degC']:g} °C" in said
        assert result.parameters["preload_torque"].status == "measured"

    def test_all_samples_locked(self, short_visit: Any) -> None:
        """Refused before any fit, with the recording and the mend."""
        sheet = short_visit.write("locked", lambda c: {**c, "right_speed": c["left_speed"]})
        with pytest.raises(RecordingError, match="the outputs hold still") as caught:
            fit(sheet)
        (fault,) = caught.value.faults
        assert fault.place.file is not None
        assert fault.place.file.endswith("shim-0.2mm.csv")
        assert "slipping" in fault.mend


class TestKnowledge:
    """What the build sheet brings decides what can be told apart."""

    def test_nominal_angles_and_hysteresis_give_friction(self, short: Characterisation) -> None:
        """No force: friction from the angles, and with it the force of the spring."""
        friction = short.parameters["friction_coefficient"]
        assert friction.status == "measured"
        assert friction.meaning.endswith("from the nominal ramp angles")
        assert short.parameters["spring_force"].status == "measured"
        assert "effective_ramp_angle_drive" not in short.correlation.names
        assert short.parameters["effective_ramp_angle_drive"].status == "not-determined"
        (flanks,) = short.sheet_checks  # either flank's angle by itself gives the same friction
        assert flanks.quantity == "friction_coefficient by the drive angle, and by the coast angle"
        assert abs(flanks.standard_uncertainties) < 2.0

    def test_angles_of_both_flanks_that_contradict_each_other_are_both_in_the_doubt(
        self, short: Characterisation, short_visit: Any
    ) -> None:
        """52° stated of 57° true coast ramps, no force: at one bias, friction goes with the tangent of the
        loading angle, so that coast alone says some 16 % less. That is told, and the intervals of friction
        and spring force hold what either angle gives and the truth."""
        result = short_visit.fit("coast-52", None, ('coast_angle = "57 deg"', 'coast_angle = "52 deg"'))
        (flanks,) = result.sheet_checks
        assert abs(flanks.standard_uncertainties) > 4.0
        expected = np.tan(np.radians(52.0 + 4.0)) / np.tan(np.radians(57.0 + 4.0))
        assert flanks.from_sheet / flanks.from_bench == pytest.approx(expected, rel=0.03)
        friction, force = (result.parameters[name] for name in ("friction_coefficient", "spring_force"))
        for value in (flanks.from_bench, flanks.from_sheet, short.value("friction_coefficient")):
            assert friction.low < value < friction.high
        assert force.low < 1970.344 < force.high
        assert next(iter(friction.budget)) == "ramp angle (build sheet)"

    def test_loading_alone_without_a_force_gives_no_friction(self, short_visit: Any) -> None:
        """Rising torque only: loading and unloading can't be told apart, and the sheet has no force. The
        same with the force is an answer."""
        rising = only(lambda c: (c["time"] >= 32.0) & (c["time"] % 16.0 < 7.5) & (input_torque(c) > 5.0))
        result = short_visit.fit("rising", rising)
        friction = result.parameters["friction_coefficient"]
        assert friction.status == "not-determined"
        assert "the spring force at installed height" in (friction.needs or "")
        assert "a sweep that shows loading and unloading" in (friction.needs or "")
        assert result.parameters["ramp_bias_drive_unloading"].status == "not-determined"
        result = short_visit.fit("rising-with-force", rising, FORCE_STATED)
        friction = result.parameters["friction_coefficient"]
        assert friction.status == "measured"
        assert friction.meaning.endswith("from the spring force")
        # P = 81.8 N·m of 8 faces at 46.25 mm by 1950 N, good to the 3 % of the force
        assert friction.value == pytest.approx(81.85 / (2 * 4 * 0.04625 * 1950.0), rel=0.06)
        assert next(iter(friction.budget)) == "spring force (build sheet)"

    def test_neither_force_nor_angles_give_no_friction(self, short_visit: Any) -> None:
        """Products only; and the text doesn't speak of angles that nobody stated."""
        result = short_visit.fit(
            "no-angles", None, ('drive_angle = "42 deg"\n', ""), ('coast_angle = "57 deg"\n', "")
        )
        friction = result.parameters["friction_coefficient"]
        assert friction.status == "not-determined"
        assert "nominal ramp angles" not in friction.meaning
        assert result.parameters["ramp_bias_drive_loading"].status == "measured"

    def test_force_and_angles_are_held_against_each_other(
        self, short: Characterisation, short_visit: Any
    ) -> None:
        """1950 N stated of 1970 N true: both ways to friction agree within what they claim."""
        result = short_visit.fit("force", None, FORCE_STATED)
        checks = {check.quantity: check for check in result.sheet_checks}
        friction = checks["friction_coefficient by spring force, and by nominal ramp angles"]
        assert abs(friction.standard_uncertainties) < 2.0
        assert friction.from_sheet == pytest.approx(short.value("friction_coefficient"), rel=1e-6)
        assert result.parameters["effective_ramp_angle_drive"].status == "measured"
        assert result.parameters["spring_force"].status == "stated"

    def test_force_angles_and_hysteresis_are_one_weighted_set(self, short_visit: Any) -> None:
        """±0.3° on both nominal angles know the friction to about one per cent, where the force alone, good
        to 3 %, knows it to that: each statement counts by its doubt (weighted least squares, GUM H.3).
        A force that is known to a half per cent then sharpens it further, to what the bench leaves."""
        angles = [
            (f'{flank}_angle = "{angle} deg"', f'{flank}_angle = {{ value = "{angle} deg", u = "0.3 deg" }}')
            for flank, angle in (("drive", 42), ("coast", 57))
        ]
        # the gears' share of the ramp bias is the other doubt of that way
        gears = (
            "gear_friction = { value = 0.02, u = 0.008 }",
            "gear_friction = { value = 0.018, u = 0.003 }",
        )
        alone = short_visit.fit("force-only", None, FORCE_STATED).parameters["friction_coefficient"]
        one_set = short_visit.fit("one-set", None, FORCE_STATED, gears, *angles)
        all_of_it = one_set.parameters["friction_coefficient"]
        assert alone.meaning.endswith("from the spring force")
        assert all_of_it.meaning.endswith("from the spring force and the nominal ramp angles")
        assert alone.u / alone.value > 0.03
        assert all_of_it.u / all_of_it.value < 0.015
        assert all_of_it.low < 81.847 / (2 * 4 * 0.04625 * 1970.344) < all_of_it.high
        sharp = (FORCE_STATED[0], FORCE_STATED[1].replace("60 N", "10 N").replace("1950", "1970"))
        led = short_visit.fit("sharp-force", None, sharp, gears, *angles).parameters["friction_coefficient"]
        assert led.u < 0.9 * all_of_it.u

    def test_a_wrong_force_is_said_to_miss_by_many_standard_uncertainties(self, short_visit: Any) -> None:
        """2500 N stated of 1970 N: what readings of that are possible is told."""
        wrong = (FORCE_STATED[0], FORCE_STATED[1].replace("1950", "2500"))
        result = short_visit.fit("wrong-force", None, wrong)
        checks = {check.quantity: check for check in result.sheet_checks}
        friction = checks["friction_coefficient by spring force, and by nominal ramp angles"]
        assert friction.standard_uncertainties < -5.0
        assert "the spring force" in friction.readings
        assert "pin radius" in friction.readings
        for flank in ("drive", "coast"):
            assert abs(checks[f"effective ramp angle, {flank}"].standard_uncertainties) > 4.0

    def test_a_law_stated_against_the_evidence_is_said(self, short_visit: Any) -> None:
        """Additive sweeps, a sheet that says greater-of: it is believed, and contradicted aloud."""
        result = short_visit.fit("stated-law", None, ('law = "undecided"', 'law = "greater-of"'))
        assert (result.law.chosen, result.law.status) == ("greater-of", "stated")
        assert "the sweeps speak against it: the additive law is ahead" in result.law.reason
        # a law that misses by 12 N·m doesn't hide behind a small standard uncertainty
        assert not result.diagnostics.residuals_clean
        assert "the same in every cycle" in findings(result)["model misses"]
        # whether the map shows the law or what was measured is told with it, and so it is made
        (missed,) = (finding for finding in result.findings if finding.name == "model misses")
        told = "The map shows what was measured" in missed.effect
        assert (make_map(result).document.shows == "as measured") == told
        bias = result.parameters["ramp_bias_drive_loading"]
        assert bias.low is None or bias.low < 0.5143


class TestDoubt:
    def test_more_noise_is_more_doubt(self, short: Characterisation, short_visit: Any) -> None:
        """White noise of 10 N·m on 1.4: the noise's part grows by about as much, gain and sheet stay."""

        def noisier(columns: Columns) -> Columns:
            rng = np.random.default_rng(5)
            added = {
                name: columns[name] + rng.normal(0.0, 10.0, columns[name].size)
                for name in ("left_torque", "right_torque")
            }
            return {**columns, **added}

        result = short_visit.fit("noise", noisier)
        for name in ("preload_torque", *BIASES):
            quiet, loud = short.parameters[name], result.parameters[name]
            assert loud.budget["noise"] > 3.0 * quiet.budget["noise"], name
            assert quiet.u is not None
            assert loud.u is not None
            assert loud.u > quiet.u, name
            assert quiet.value is not None
            assert loud.value is not None
            assert abs(loud.value - quiet.value) < 4.0 * loud.budget["noise"], name
        assert result.law.chosen == "additive"

    def test_a_gain_that_is_off_is_noticed_by_the_other_flange(
        self, short: Characterisation, short_visit: Any
    ) -> None:
        """1 % on one flange of 0.15 %: slip both ways round tells it from locking torque, and it is said."""
        result = short_visit.fit("gain", lambda c: {**c, "left_torque": 1.01 * c["left_torque"]})
        assert "bench constant not as stated" in findings(result)
        pulls = result.diagnostics.bench_errors
        assert pulls["gain of left_torque"]["standard_uncertainties"] < -3.0
        assert pulls["gain of right_torque"]["standard_uncertainties"] > 3.0
        # half of 1 % is common to both flanges, and is in the preload; in the biases it cancels
        assert result.value("preload_torque") / short.value("preload_torque") == pytest.approx(
            1.005, abs=0.001
        )
        same(short, result, BIASES, within=0.1)

    def test_a_zero_that_is_off_is_taken_off(self, short: Characterisation, short_visit: Any) -> None:
        """4 N·m on one flange of 0.8: five standard uncertainties, found from the slip both ways round.
        What of it is common to both flanges, and so goes to the other one too, only the input torque's zero
        tells."""
        result = short_visit.fit("zero", lambda c: {**c, "left_torque": c["left_torque"] + 4.0})
        moved = (
            result.diagnostics.bench_errors["zero of left_torque"]["standard_uncertainties"]
            - short.diagnostics.bench_errors["zero of left_torque"]["standard_uncertainties"]
        )
        assert moved == pytest.approx(-5.0, abs=1.0)
        assert "bench constant not as stated" in findings(result)
        same(short, result, ("preload_torque", *BIASES), within=0.1)

    def test_the_budget_of_every_quantity_adds_up(self, short: Characterisation) -> None:
        """u² is the sum of the squares of its parts; what is below a millionth of it is left out."""
        for name, item in short.parameters.items():
            if item.u and item.status == "measured":
                assert sum(part**2 for part in item.budget.values()) == pytest.approx(item.u**2, rel=1e-4), (
                    name
                )

    def test_correlations_are_a_correlation_matrix(self, short: Characterisation) -> None:
        matrix = np.array(short.correlation.matrix)
        assert matrix.shape == (len(short.correlation.names),) * 2
        np.testing.assert_allclose(matrix, matrix.T, atol=1e-9)
        np.testing.assert_allclose(np.diag(matrix), 1.0)
        # a bias while loading and while unloading are one product but for the friction angle
        at = [short.correlation.names.index(f"ramp_bias_drive_{b}") for b in ("loading", "unloading")]
        assert matrix[at[0], at[1]] > 0.9


class TestRefusals:
    def test_builds_of_two_units(self, short_visit: Any) -> None:
        one = short_visit.write("unit-one")
        other = short_visit.write("unit-two", None, ('unit = "Q17"', 'unit = "Q18"'))
        with pytest.raises(FitError, match=r"different units \(Q17, Q18\)"):
            fit([one, other])

    def test_no_run_sheet(self) -> None:
        with pytest.raises(FitError, match="no run sheet is given"):
            fit([])

    def test_tare_runs_only(self, short_visit: Any) -> None:
        sheet = short_visit.write("tare-only", None, ('kind = "bias-sweep"', 'kind = "tare"'))
        with pytest.raises(FitError, match="only tare runs are named") as caught:
            fit(sheet)
        assert caught.value.faults[0].place.key == "run"
        assert "turning-torque" in caught.value.faults[0].mend

    def test_swapped_outputs_are_found_and_named(self, short_visit: Any) -> None:
        """Torques exchanged, speeds not: refused with both possible cures."""
        swapped = short_visit.write(
            "swapped", lambda c: {**c, "left_torque": c["right_torque"], "right_torque": c["left_torque"]}
        )
        with pytest.raises(RecordingError, match="drives instead of holding back") as caught:
            fit(swapped)
        assert "left and right are swapped" in caught.value.faults[0].mend


def test_progress_is_told(short_visit: Any) -> None:
    """A user who waits sees what happens."""
    told: list[str] = []
    sheet = short_visit.write("told", lambda c: {**c, "right_speed": c["left_speed"]})
    with pytest.raises(RecordingError):
        fit(sheet, progress=told.append)
    assert told[0] == "reading shim-0.2mm.csv"
