"""What a result says in its tables and its lines, by hand; the summary is set from them."""

from __future__ import annotations

from types import ModuleType
from typing import Any

import pytest

from diffbench.report import Table, conformity_document, summary, text_of
from diffbench.results import (
    Adequacy,
    Characterisation,
    Correlation,
    FindingRecord,
    FormState,
    LimitCheck,
    Parameter,
    SheetCheck,
)


def section(result: Characterisation, heading: str) -> list[Any]:
    """Blocks under a heading of the whole summary."""
    (found,) = (part.blocks for part in summary(result, verbose=True).sections if part.heading == heading)
    return list(found)


def rows(result: Characterisation, heading: str) -> Any:
    return next(block.rows for block in section(result, heading) if isinstance(block, Table))


def headings(result: Characterisation) -> list[str]:
    return [part.heading for part in summary(result, verbose=True).sections if part.blocks]


def changed(result: Characterisation, **update: Any) -> Characterisation:
    return result.model_copy(update=update)


def diagnosed(result: Characterisation, **update: Any) -> Characterisation:
    return changed(result, diagnostics=result.diagnostics.model_copy(update=update))


def covered(result: Characterisation, **update: Any) -> str:
    """What the bench covered."""
    made = changed(result, tested=result.tested.model_copy(update=update))
    return str(dict(rows(made, "What it rests on")[:2])["tested"])


def test_what_was_tested_is_rounded_inwards(complete: Characterisation) -> None:
    """To three digits of its size: torques and temperatures to units, speeds to three digits of their own."""
    assert covered(complete) == (
        "-300 to 700 N·m input torque, 0.40 to 10.0 rad/s speed difference, 48 to 82 °C; unloading seen "
        "up to 530 "
        "N·m in drive and 217 N·m in coast"
    )
    assert covered(
        complete, outline=[(-300.4, 0.4012), (700.9, 10.06)], temperature_degC=(47.2, 82.9),
        drive_unloading_Nm=530.97, coast_unloading_Nm=216.02,
    ) == (
        "-300 to 700 N·m input torque, 0.41 to 10.0 rad/s speed difference, 48 to 82 °C; unloading seen "
        "up to 530 "
        "N·m in drive and 216 N·m in coast"
    )  # fmt: skip
    # one temperature is held within a kelvin; where nothing would be left between both ends, a digit more
    assert ", 60 to 61 °C" in covered(complete, temperature_degC=(60.24, 60.87))
    assert covered(complete, outline=[(60.24, 0.4), (60.87, 10.0)]).startswith(
        "60.3 to 60.8 N·m input torque"
    )
    # what the rounding of a number alone is off by is none
    assert "-300 to 700 N·m" in covered(complete, outline=[(-300.0 + 1e-10, 0.4), (700.0 - 1e-10, 10.0)])


def test_a_result_without_a_sweep_says_so(complete: Characterisation) -> None:
    """By hand, or of speed sweeps alone."""
    assert covered(complete, outline=[]) == "no sweep under slip: nothing of the map is tested"
    by_hand = {"preload_torque_as_read": complete.parameters["preload_torque"], **complete.parameters}
    made = changed(complete, parameters=by_hand)
    assert covered(made, outline=[]) == (
        "readings by hand, no sweep under slip: the map is carried from them, none of it tested"
    )
    told = dict(rows(made, "What it rests on")[:1])
    assert told["preload law"].startswith("additive, decided by the readings: ")
    assert dict(rows(complete, "What it rests on")[:1])["preload law"].startswith(
        "additive, decided by the sweeps: "
    )
    stated = changed(complete, law=complete.law.model_copy(update={"status": "stated"}))
    assert dict(rows(stated, "What it rests on")[:1])["preload law"].startswith(
        "additive, stated by the build sheet: "
    )


def test_pairs_that_go_together_are_listed_closest_first(complete: Characterisation) -> None:
    """From 0.7 on, a dozen at most; none, no table."""
    names = ["preload_torque", "friction_slope", "gear_friction"]
    matrix = [[1.0, 0.7, -0.82], [0.7, 1.0, 0.69], [-0.82, 0.69, 1.0]]
    made = changed(complete, correlation=Correlation(names=names, matrix=matrix))
    assert rows(made, "Quantities that go together") == (
        ("gear-mesh friction", "preload torque", "−0.820"),
        ("friction slope, sliding speed", "preload torque", "0.700"),
    )
    count = 6
    many = [[1.0 if i == j else 0.71 + 0.01 * i + 0.001 * j for j in range(count)] for i in range(count)]
    made = changed(complete, correlation=Correlation(names=[f"q_{i}" for i in range(count)], matrix=many))
    found = rows(made, "Quantities that go together")
    assert len(found) == 12
    assert found[0] == ("q 5", "q 4", "0.764")
    loose = [[1.0, 0.699], [0.699, 1.0]]
    made = changed(complete, correlation=Correlation(names=names[:2], matrix=loose))
    assert "Quantities that go together" not in headings(made)


def test_budgets_are_told_part_by_part(complete: Characterisation) -> None:
    """The largest first, each with its share of the variance: (1.2/1.2964)² is 86 %; what is less than a
    ten-thousandth is not told, nor a quantity without an uncertainty."""
    known = complete.parameters["preload_torque"]
    parts = {"noise": 0.4, "bench repeatability": 1.2, "lag": 0.0129, "tare": 0.0131}
    made = changed(
        complete,
        parameters={
            "preload_torque": known.model_copy(update={"budget": parts}),
            "spring_force": complete.parameters["spring_force"].model_copy(update={"u": 0.0}),
            "friction_coefficient": complete.parameters["friction_coefficient"].model_copy(
                update={"value": None}
            ),
        },
    )
    heading = "Uncertainty budget of every quantity: part of u, share of u²"
    assert rows(made, heading) == (
        ("preload torque", "bench repeatability", "1.2 N·m", "86 %"),
        ("preload torque", "noise", "0.40 N·m", "10 %"),
        ("preload torque", "tare", "0.013 N·m", "below 1 %"),
    )


def test_checks_of_the_model_are_told_axis_by_axis(complete: Characterisation) -> None:
    """Scatter to hundredths; too few cells say nothing."""
    adequacy = [
        Adequacy(axis="input torque", ratio=0.912, bins=20, worst="around -120 N·m: +0.21"),
        Adequacy(axis="cycle", ratio=1.3, bins=3, worst=""),
    ]
    assert rows(diagnosed(complete, adequacy=adequacy), "Adequacy of the model") == (
        ("input torque", "0.91", "20", "around −120 N·m: +0.21"),
        ("cycle", "1.30", "3", "too few cells to say"),
    )


def test_bench_errors_bear_the_unit_of_their_constant(complete: Characterisation) -> None:
    """By its first word; gains and ratios have none."""
    found = {
        "gain of left_torque": {"standard_uncertainties": 0.514, "u": 0.82, "stated_u": 0.002},
        "zero of right_torque": {"standard_uncertainties": -1.206, "u": 0.6, "stated_u": 0.35},
        "lag of left_torque": {"standard_uncertainties": 0.0, "u": 1.0, "stated_u": 0.004},
        "colour of left_torque": {"standard_uncertainties": 0.0, "u": 1.0, "stated_u": 0.4},
    }
    assert rows(diagnosed(complete, bench_errors=found), "Bench errors as the sweeps see them") == (
        ("gain of left torque", "0.0020", "0.51 ± 0.82"),
        ("zero of right torque", "0.35 N·m", "−1.21 ± 0.60"),
        ("lag of left torque", "0.0040 s", "0.00 ± 1.00"),
        ("colour of left torque", "0.40", "0.00 ± 1.00"),
    )
    assert "Bench errors as the sweeps see them" not in headings(diagnosed(complete, bench_errors={}))


def test_forms_are_told_with_their_weight_and_what_lies_behind_them(complete: Characterisation) -> None:
    """A law that has no form left has none; a hopeless one no digits."""
    (form,) = complete.forms
    half: list[FormState] = [
        form.model_copy(update={"weight": 0.626}),
        form.model_copy(update={"weight": 0.374}),
    ]
    law = complete.law.model_copy(
        update={"information": {"additive": 0.0, "greater-of": 999.9, "other": 1000.0}}
    )
    assert rows(changed(complete, forms=half, law=law), "Forms of the model") == (
        (f"additive, {form.friction.words}", "63 %", "0"),
        (f"additive, {form.friction.words}", "37 %", "0"),
        ("greater-of", "0 %", "999.9"),
        ("other", "0 %", "more than 1000"),
    )


def test_samples_that_are_not_used_are_counted_by_recording(complete: Characterisation) -> None:
    made = diagnosed(complete, dropped={"a_1.csv": {"spike": 3, "missing reading": 12}, "b.csv": {}})
    assert rows(made, "Samples not used, and why") == (
        ("a_1.csv", "spike", "3"),
        ("a_1.csv", "missing reading", "12"),
    )
    assert "Samples not used, and why" not in headings(diagnosed(complete, dropped={}))


def test_files_are_told_by_the_begin_of_their_digest(complete: Characterisation) -> None:
    """Sixteen digits are compared by eye."""
    assert rows(complete, "Files that went in") == (
        ("run.toml", "abababababababab..."), ("bias-1.csv", "cdcdcdcdcdcdcdcd..."),
    )  # fmt: skip


def sheet(distance: float, bench: float = 44.0, from_sheet: float = 45.0) -> SheetCheck:
    return SheetCheck(
        quantity="effective ramp angle, drive", from_bench=bench, from_sheet=from_sheet, unit="deg",
        standard_uncertainties=distance, readings="other ramps are fitted",
    )  # fmt: skip


@pytest.mark.parametrize(
    ("check", "said"),
    [
        (sheet(-2.0), "bench 44.00, sheet 45.00 deg; agree, 2.0 standard uncertainties apart"),
        (
            sheet(2.01, 46.0),
            (
                "bench 46.00, sheet 45.00 deg; disagree, 2.0 standard uncertainties apart; other ramps are "
                "fitted"
            ),
        ),
        # no distance, or none to tell it by: four digits
        (sheet(0.0, 45.0), "bench 45, sheet 45 deg; agree, 0.0 standard uncertainties apart"),
        (sheet(0.0, 44.126), "bench 44.13, sheet 45 deg; agree, 0.0 standard uncertainties apart"),
        (sheet(1.0, 45.0), "bench 45, sheet 45 deg; agree, 1.0 standard uncertainties apart"),
    ],
)
def test_sheet_and_bench_are_told_beside_each_other(
    complete: Characterisation, check: SheetCheck, said: str
) -> None:
    """To the place that their distance leaves: 1 deg at two standard uncertainties, 0.50."""
    made = changed(complete, sheet_checks=[check])
    assert rows(made, "What it rests on")[2] == (
        "sheet against bench",
        f"effective ramp angle, drive: {said}",
    )


def test_findings_are_told_with_their_severity(complete: Characterisation) -> None:
    """What goes with the result has an exclamation mark, a note a dash; names of quantities become words."""
    one = FindingRecord(
        name="spikes", severity="note", where="a.csv", evidence="3 samples.", effect="Left out.", mend="Look."
    )
    graver = one.model_copy(
        update={"severity": "caveat", "name": "zero drift", "evidence": "By preload_torque."}
    )
    first, second = section(changed(complete, findings=[one, graver]), "Findings in the data")
    assert (first.mark, first.text) == ("-", "note: spikes (a.csv): 3 samples. Left out. Look.")
    assert (second.mark, second.text) == (
        "!",
        "caveat: zero drift (a.csv): By preload torque. Left out. Look.",
    )


def test_how_the_fit_went_is_told_in_a_sentence(complete: Characterisation) -> None:
    def told(**update: Any) -> str:
        text = " ".join(text_of(summary(diagnosed(complete, **update)), 100).split())
        return text[text.index("Fit: ") :]

    assert told() == (
        "Fit: converged; starts agree; residual 0.60 N·m rms, like noise; 421 cells from 19876 of 20500 "
        "samples, worth "
        "212 independent ones; noise by HAC (Newey-West, 11 cells), as there are only 8 cycles"
    )
    other = told(converged=False, starts_agree=False, residuals_clean=False)
    assert other.startswith("Fit: not converged; starts disagree; residual 0.60 N·m rms, with structure; ")


def check(**fields: Any) -> LimitCheck:
    made: dict[str, Any] = {
        "quantity": "preload_torque", "unit": "N·m", "low": 70.0, "high": 95.0, "value": 83.2137,
        "guard_low": 2.541, "guard_high": 2.541, "accept_low": 72.541, "accept_high": 92.459,
        "reject_below": 67.459, "reject_above": 97.541, "provable": True, "outcome": "conforming",
    }  # fmt: skip
    return LimitCheck(**{**made, **fields})


@pytest.mark.parametrize(
    ("fields", "cells"),
    [
        ({}, ("preload torque", "83.2 (80.7 to 85.8)", "70 to 95 N·m", "72.5 to 92.5", "2.5", "conforming")),
        (
            {"high": None, "accept_high": None},
            ("preload torque", "83.2 (80.7 to 85.8)", "from 70 N·m", "from 72.5", "2.5", "conforming"),
        ),
        (
            {"low": None, "accept_low": None},
            ("preload torque", "83.2 (80.7 to 85.8)", "up to 95 N·m", "up to 92.5", "2.5", "conforming"),
        ),
        (
            {"provable": False, "outcome": "not proven"},
            ("preload torque", "83.2 (80.7 to 85.8)", "70 to 95 N·m", "none", "2.5", "not proven"),
        ),
        (
            {"value": None, "outcome": "not proven"},
            ("preload torque", "not determined", "70 to 95 N·m", "", "", "not proven"),
        ),
        ({"guard_low": None}, ("preload torque", "not determined", "70 to 95 N·m", "", "", "conforming")),
        ({"guard_high": None}, ("preload torque", "not determined", "70 to 95 N·m", "", "", "conforming")),
        # sides apart: the larger half tells the digits and the band
        (
            {"guard_low": 0.812, "guard_high": 5.2},
            ("preload torque", "83.2 (82.4 to 88.4)", "70 to 95 N·m", "72.5 to 92.5", "5.2", "conforming"),
        ),
        (
            {
                "quantity": "face_wear", "unit": "m", "low": None, "high": 60e-6, "value": 22.84e-6,
                "guard_low": 3.1e-6, "guard_high": 3.1e-6, "accept_low": None, "accept_high": 56.9e-6,
            },
            ("wear of a face", "22.8 (19.7 to 25.9)", "up to 60 µm", "up to 56.9", "3.1", "conforming"),
        ),
    ],
)  # fmt: skip
def test_a_limit_is_a_row_with_its_guard_band(fields: dict[str, Any], cells: tuple[str, ...]) -> None:
    """Value and zone to the place that half of the band leaves; lengths in micrometres."""
    from types import SimpleNamespace

    found: Any = SimpleNamespace(
        unit="Q17", build="Q17-a", date="2026-03-14", outcome=None, state=None, rule="ISO 14253-1: so",
        limits=[check(**fields)],
    )  # fmt: skip
    document = conformity_document(found)
    (table,) = (block for part in document.sections for block in part.blocks if isinstance(block, Table))
    assert table.rows == (cells,)
    assert table.named == (2, 3, 4)
    text = text_of(document, 200)
    assert text.startswith("Unit Q17, build Q17-a, tested 2026-03-14")
    assert text.endswith("By ISO 14253-1: nothing to conform to.\nISO 14253-1: so.")
    found.outcome = "conforming"
    assert "By ISO 14253-1: conforming over all." in text_of(conformity_document(found), 200)


def test_needs_are_told_once_with_all_that_wait(synthetic: ModuleType, complete: Characterisation) -> None:
    """And what needs nothing in particular needs more data."""
    known = dict(complete.parameters)
    for name, needs in (
        ("friction_coefficient", "a press"),
        ("spring_force", "a press"),
        ("viscous_coefficient", None),
    ):
        known[name] = known[name].model_copy(update={"value": None, "needs": needs})
    blocks = section(changed(complete, parameters=known), "Not determined, and what would determine it")
    assert [block.text for block in blocks] == [
        "viscous drag coefficient: needs more data", "friction coefficient; spring force: needs a press",
    ]  # fmt: skip
    assert "Not determined, and what would determine it" not in headings(synthetic.complete())


def test_key_numbers_stand_with_their_largest_doubt(complete: Characterisation) -> None:
    """Value with unit, interval, doubt; what is not determined sends below. Sources of a narrow terminal name
    their quantities once."""
    heading = "Key numbers, at 60 °C plate temperature and 4 rad/s speed difference"
    known = {
        "preload_torque": complete.parameters["preload_torque"],
        "ramp_bias_drive_loading": complete.parameters["ramp_bias_drive_loading"],
        "ramp_bias_coast_loading": complete.parameters["ramp_bias_coast_loading"],
        "spring_force": complete.parameters["spring_force"].model_copy(update={"value": None}),
    }
    (table,) = section(changed(complete, parameters=known), heading)
    assert table.rows == (
        ("preload torque", "83.2 N·m", "80.7 to 85.8", "86 % bench repeatability"),
        ("ramp bias, drive, loading", "0.4501", "0.4382 to 0.4621", "54 % bench repeatability"),
        ("ramp bias, coast, loading", "0.3002", "0.2920 to 0.3085", "100 % noise"),
        ("spring force", "not determined, see below", "", ""),
    )
    assert [line.first + line.text for line in table.below] == [
        "  largest source of doubt:",
        "    bench repeatability: preload torque; ramp bias, drive, loading",
        "    noise: ramp bias, coast, loading",
    ]


def test_sources_of_several_builds_are_named_once_where_they_are_one(synthetic: ModuleType) -> None:
    """The preload of one build by refitting, of the other by noise: each with its build."""
    result = synthetic.two_builds()
    heading = "Key numbers, at 60 °C plate temperature and 4 rad/s speed difference"
    (table,) = section(result, heading)
    told = [line.text for line in table.below[1:]]
    assert told[0].startswith("bench repeatability: preload torque (K04-spring); ramp bias, drive, loading")
    assert any(text.startswith("noise: preload torque (K04-shim); ") for text in told)
    alike: dict[str, Parameter] = dict(result.parameters)
    alike["preload_torque[K04-shim]"] = alike["preload_torque[K04-shim]"].model_copy(
        update={"budget": {"bench repeatability": 1.42}}
    )
    (table,) = section(changed(result, parameters=alike), heading)
    assert table.below[1].text.startswith("bench repeatability: preload torque; ramp bias, drive, loading")
