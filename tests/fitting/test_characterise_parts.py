"""What is said of a fit, and what is kept of it: limits, misfits, builds and forms, by numbers."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from diffbench.documents import Build
from diffbench.errors import DocumentError, Fault, FitError, Place
from diffbench.fitting import Candidate, FitData, Form, Setup
from diffbench.fitting import characterise as room
from diffbench.physics.friction import Stribeck
from diffbench.physics.preload import Additive
from diffbench.quantities import Quantity
from diffbench.results import Adequacy, Parameter


def parameter(value: float | None, low: float | None, high: float | None, unit: str = "N·m") -> Parameter:
    return Parameter(value=value, u=None, low=low, high=high, unit=unit, status="measured", meaning="")


def limited(**limits: Any) -> Any:
    plain = dict.fromkeys(("preload_torque", "ramp_bias_drive", "ramp_bias_coast"))
    return SimpleNamespace(limits=SimpleNamespace(**{**plain, **limits}))


def test_limits_of_a_sheet_are_judged_where_they_are_meant() -> None:
    """Within or outside by the whole interval; as read where nothing says another place, at the limit's own
    condition where it has one; of several builds each by its own."""
    parameters = {
        "preload_torque[a]": parameter(80.0, 77.0, 83.0),
        "preload_torque_as_read[a]": parameter(84.0, 82.0, 86.0),
        "preload_torque[b]": parameter(68.0, 66.0, 69.9),
        "preload_torque_at_limit[b]": parameter(72.0, 69.0, 75.0),
        "preload_torque_as_read[b]": parameter(60.0, 59.0, 61.0),
        "ramp_bias_drive_loading[a]": parameter(0.5, 0.48, 0.52, "1"),
        "ramp_bias_coast_loading[a]": parameter(None, None, None, "1"),
    }  # fmt: skip
    builds = [
        limited(preload_torque=(70.0, 85.0), ramp_bias_drive=(0.53, 0.6), ramp_bias_coast=(0.2, 0.3)),
        limited(preload_torque=(70.0, 85.0), ramp_bias_drive=(0.4, 0.6)),
    ]
    found = room._limit_verdicts(builds, parameters, ["[a]", "[b]"])
    assert [(one.quantity, one.verdict, one.judged, one.unit) for one in found] == [
        ("preload_torque[a]", "not proven", "preload_torque_as_read[a]", "N·m"),
        ("ramp_bias_drive[a]", "outside", None, "1"),
        ("ramp_bias_coast[a]", "not proven", None, "1"),
        ("preload_torque[b]", "not proven", "preload_torque_at_limit[b]", "N·m"),
    ]
    assert (found[0].low, found[0].high) == (70.0, 85.0)
    (alone,) = room._limit_verdicts(
        [limited(preload_torque=(70.0, 85.0))], {"preload_torque": parameter(80.0, 77.0, 83.0)}, [""]
    )
    assert (alone.quantity, alone.verdict, alone.judged) == ("preload_torque", "within", None)


def misfits(left: Any, *checked: tuple[str, float, float]) -> list[Any]:
    axes = [
        Adequacy(axis=axis, ratio=ratio, bins=9, worst="at 60 °C", share=share)
        for axis, ratio, share in checked
    ]
    return room._misfit_findings(left, axes)


def test_a_residual_that_noise_does_not_explain_is_told_by_its_worst_axis() -> None:
    """Where it is more than any law may be off by: a note, and from half a per cent a caveat."""
    (found,) = misfits(None, ("plate temperature", 3.14159, 0.0051), ("time", 2.5, 0.02))
    assert (found.name, found.severity, found.where) == (
        "model misses",
        "caveat",
        "residual over plate temperature",
    )
    assert found.evidence == (
        "bin means scatter 3.14 times more than noise explains, most at 60 °C, 0.51 % of the torque "
        "difference there."
    )
    assert found.effect == "The limits hold what comes back in every cycle, not this."
    assert misfits(None, ("time", 3.0, 0.0049))[0].severity == "note"
    assert misfits(None, ("time", 3.0, 0.00069)) == []
    assert misfits(None, ("time", 3.0, 0.00071)) != []
    assert misfits(None, ("time", 2.0, 0.02)) == []
    assert misfits(SimpleNamespace(misfit=1.0), ("time", 3.0, 0.02)) != []


@pytest.mark.parametrize(
    ("corrects", "branch", "share", "severity"),
    [(True, 0.51, -0.0061, "caveat"), (False, 0.49, 0.0049, "note"), (False, 0.0, 0.0051, "caveat")],
)
def test_what_comes_back_in_every_cycle_is_told_with_its_place(
    corrects: bool, branch: float, share: float, severity: str
) -> None:
    """Where it is largest, by torque, branch, speed and temperature; whether the map shows it."""
    left: Any = SimpleNamespace(
        misfit=2.4, worst=1, size=0.0031, relative=np.array([0.001, share]),
        bins=SimpleNamespace(place=np.array([[0.1, 0.0, 0.0, 50.0], [0.62, branch, math.log(4.2), 71.3]])),
        state=SimpleNamespace(corrects=corrects, largest_Nm=500.0),
    )  # fmt: skip
    (found,) = misfits(left, ("time", 3.0, 0.02))
    assert (found.severity, found.where) == (severity, "residual over torque, speed, temperature and time")
    way = "unloading" if branch > 0.5 else "loading"
    assert found.evidence == (
        f"What is the same in every cycle misses the law by 0.31 % of the locking torque, most at 310 N·m "
        f"{way}, 4.2 rad/s, 71.3 °C: {100.0 * share:+.2g} %."
    )
    assert found.effect.startswith(
        "The map shows what was measured" if corrects else "The limits of the map are"
    )


def fitted(data: FitData, build: Build, candidate_of: Callable[..., Candidate], **parts: Any) -> Candidate:
    model = Setup.of([build], data).model(Form(Additive(), Stribeck(1.0)))
    return candidate_of(model, parts.pop("residual", np.zeros(data.run.size)), **parts)


def test_diagnostics_of_a_fit(
    data_of: Callable[..., FitData], candidate_of: Callable[..., Candidate], demo_build: Build
) -> None:
    """Searches that end alike, bounds by their labels but for those that are natural, cells and samples that
    were used and why others were not."""
    data = data_of(
        cells=6, run=np.array([0, 0, 0, 1, 1, 1]), count=np.array([10.0, 11.0, 12.0, 13.0, 14.0, 15.0])
    )
    candidate = fitted(
        data, demo_build, candidate_of, residual=np.array([3.0, -4.0, 9.0, 0.0, 0.0, 5.0]),
        used=np.array([True, True, False, True, True, True]),
    )  # fmt: skip
    names = candidate.names
    runs = [
        SimpleNamespace(name="a.csv", samples=400, dropped={"spikes": 3}),
        SimpleNamespace(name="b.csv", samples=700, dropped={}),
    ]
    conditioned: Any = [SimpleNamespace(runs=runs[:1]), SimpleNamespace(runs=runs[1:])]
    covariance: Any = SimpleNamespace(method="invented", total=np.eye(len(names)))

    def told(starts: Sequence[float], *at_bound: str, misfit: float = 1.0) -> Any:
        solution = replace(candidate.solution, at_bound=at_bound)
        one = replace(candidate, starts=tuple(starts), solution=solution)
        return room._diagnostics(
            one, data, conditioned, [], misfit, covariance, {"x": 0.004, "y": None, "z": 0.007}
        )

    found = told((10.0, 10.0), "ramp_bias_drive_loading", "plate_excess[1]", "static_excess", "ramp_start[0]")
    assert found.residual_rms_Nm == pytest.approx(math.sqrt((9.0 + 16.0 + 25.0) / 5.0))
    assert (found.cells, found.samples, found.samples_used) == (5, 1100, 63)
    assert found.dropped == {"a.csv": {"spikes": 3, "apart from the fit": 12}, "b.csv": {}}
    assert "plate temperature at the start of run 1" in found.at_bound
    assert "ramp_bias_drive_loading" in found.at_bound
    assert not any(name.startswith("ramp_start") for name in found.at_bound)
    assert (found.converged, found.starts_agree, found.residuals_clean) == (True, True, True)
    assert (found.detectable, found.unseen["y"], found.noise_method) == (0.007, None, "invented")
    assert not told((10.0, 10.0), misfit=2.4).residuals_clean
    # as many as half of them must end at the best
    assert told((10.0, 12.0)).starts_agree
    assert not told((10.0, 12.0, 13.0)).starts_agree


def test_where_a_bench_s_limits_are_meant(demo_build: Build) -> None:
    """At the reference, unless the sheet says another temperature or speed; what it does not say of both is
    the reference's."""
    reference = SimpleNamespace(temperature=60.0, speed_difference=4.0)
    candidate: Any = SimpleNamespace(model=SimpleNamespace(reference=reference))

    def asked(heat: float | None, speed: float | None) -> Any:
        limits = demo_build.limits.model_copy(update={"temperature": heat, "speed_difference": speed})
        return room._conditions(candidate, [demo_build.model_copy(update={"limits": limits})], 0)

    assert asked(None, None) == []
    (one,) = asked(21.0, None)
    assert (one.suffix, one.temperature, one.speed_difference, one.by_hand) == ("at_limit", 21.0, 4.0, False)
    assert one.words == "at 21 °C and 4 rad/s, where its limit is meant"
    (one,) = asked(None, 0.25)
    assert (one.temperature, one.speed_difference, one.by_hand) == (60.0, 0.25, False)


@pytest.mark.parametrize(
    ("read", "limits", "expected"),
    [
        ((22.0, 0.2, True), (None, None), None),
        ((22.0, 0.2, True), (60.0, None), (60.0, 0.2, True)),
        ((22.0, 0.2, True), (None, 4.0), (22.0, 4.0, False)),
        # breakaway alone: at the middle of speeds at which hands turn, 0.05 to 1 rad/s
        ((22.0, 0.0, False), (None, None), (22.0, math.sqrt(0.05), False)),
        ((22.0, 0.0, False), (60.0, 4.0), (60.0, 4.0, False)),
    ],
)
def test_where_limits_are_meant_of_a_unit_that_was_turned_by_hand(
    monkeypatch: pytest.MonkeyPatch, demo_build: Build, read: Any, limits: Any, expected: Any
) -> None:
    """As it was read, unless the sheet says otherwise; what holds at breakaway alone is no limit of a unit
    that turns."""
    as_read = room.Condition("as_read", *read, "as read")
    monkeypatch.setattr(room, "condition_as_read", lambda *_: as_read)
    reference = SimpleNamespace(temperature=60.0, speed_difference=4.0)
    candidate = object.__new__(room.HandCandidate)
    object.__setattr__(candidate, "model", SimpleNamespace(reference=reference))
    told = demo_build.limits.model_copy(
        update=dict(zip(("temperature", "speed_difference"), limits, strict=True))
    )
    found = room._conditions(candidate, [demo_build.model_copy(update={"limits": told})], 0)
    assert found[0] is as_read
    if expected is None:
        assert len(found) == 1
        return
    assert (found[1].temperature, found[1].speed_difference, found[1].by_hand) == pytest.approx(expected)


def test_each_build_by_its_sheet(demo_build: Build) -> None:
    """Suffix where there are several, facts in SI with angles in degrees, and its first visit."""
    labels, facts, first = room._labels([demo_build, demo_build])
    assert (labels, first) == ([""], [0])
    (one,) = facts
    assert (one.unit, one.build, one.distance_m, one.faces) == ("Q17", "Q17-2026-04-13", 0.0, 4)
    assert (one.effective_radius_m, one.pin_radius_m, one.shim_m, one.face_wear_limit_m) == pytest.approx(
        (0.04625, 0.039, 0.2e-3, 60e-6)
    )
    assert (one.drive_angle_deg, one.coast_angle_deg) == pytest.approx((42.0, 57.0))
    assert one.disc_spring is not None
    assert (one.disc_spring.outer_diameter_m, one.disc_spring.series) == (0.095, 2)
    bare = demo_build.model_copy(
        update={
            "build": "b",
            "ramps": demo_build.ramps.model_copy(
                update={
                    "pin_radius": None, "drive_angle": None, "coast_angle": Quantity(math.radians(50.0)),
                    "rings_in_stock": [[math.radians(40.0), math.radians(55.0)]],
                }
            ),
            "preload": demo_build.preload.model_copy(
                update={"shim": None, "shims_in_stock": [0.1e-3, 0.3e-3]}
            ),
        }
    )  # fmt: skip
    labels, facts, first = room._labels([demo_build, bare, demo_build, bare])
    assert labels == ["[Q17-2026-04-13]", "[b]"]
    assert first == [0, 1]
    other = facts[1]
    assert (other.pin_radius_m, other.shim_m, other.drive_angle_deg) == (None, None, None)
    assert other.coast_angle_deg == pytest.approx(50.0)
    assert other.shims_in_stock_m == [0.1e-3, 0.3e-3]
    assert other.rings_in_stock_deg == [pytest.approx([40.0, 55.0])]


def test_how_far_a_map_shall_reach(monkeypatch: pytest.MonkeyPatch, demo_build: Build) -> None:
    """As the sheet asks; of readings by hand alone, else as far as they tell."""
    axes = demo_build.map.model_copy(update={"input_torque": (-100.0, 300.0)})
    build = demo_build.model_copy(update={"map": axes})
    swept: Any = SimpleNamespace()
    asked = {"input_torque_Nm": (-100.0, 300.0), "speed_difference_rad_s": None, "temperature_degC": None}
    assert room._map_axes(build, swept) == asked
    monkeypatch.setattr(
        room, "reach_of_readings", lambda _: {"input_torque_Nm": (0.0, 1.0), "temperature_degC": (20.0, 60.0)}
    )
    by_hand = object.__new__(room.HandCandidate)
    assert room._map_axes(build, by_hand) == {**asked, "temperature_degC": (20.0, 60.0)}


def test_units_and_run_sheets_that_do_not_go_together(tmp_path: Path) -> None:
    """None; one named twice, whatever the spelling; of different units."""
    with pytest.raises(FitError, match=r"no run sheet is given.*name at least one run sheet"):
        room.fit([])
    sheet = tmp_path / "run.toml"
    sheet.write_text("", encoding="utf-8")
    other = tmp_path / "." / "x" / ".." / "run.toml"
    (tmp_path / "x").mkdir()
    with pytest.raises(
        FitError, match="the run sheet is named more than once, and would be counted as often"
    ):
        room.fit([sheet, str(other)])
    visits: Any = [
        SimpleNamespace(build=SimpleNamespace(unit=unit), run_sheet_path=f"{unit}.toml")
        for unit in ("R2", "Q17")
    ]
    with pytest.raises(FitError) as refused:
        room._one_unit(visits)
    assert str(refused.value).startswith(
        "Q17.toml: the run sheets are of different units (Q17, R2). Mend: fit builds"
    )
    room._one_unit(visits[:1])
    rigs: Any = [
        SimpleNamespace(rig=SimpleNamespace(channel={
            "left_torque": SimpleNamespace(name="left_torque", unit="N.m"),
            "input_torque": SimpleNamespace(name="input_torque", unit=None),
            "left_speed": SimpleNamespace(name="left_speed", unit="rpm"),
        })),
        SimpleNamespace(rig=SimpleNamespace(channel={
            "x": SimpleNamespace(name="turning_torque", unit="lbf.ft")
        })),
    ]  # fmt: skip
    assert room._torque_units(rigs) == {"N.m", "lbf.ft"}


def test_what_is_kept_of_a_form(
    data_of: Callable[..., FitData], candidate_of: Callable[..., Candidate], demo_build: Build
) -> None:
    """Its unknowns but for those of runs, bench and refits; what some of the builds share stands under each
    one's name, with its rows of the covariance and of each source."""

    def named(name: str, angle: float) -> Build:
        ramps = demo_build.ramps.model_copy(update={"drive_angle": Quantity(angle)})
        return demo_build.model_copy(update={"build": name, "ramps": ramps})

    builds = [named("a", 0.7), named("b", 0.7), named("c", 0.8)]
    data = data_of(
        cells=6, visit=np.repeat([0, 1, 2], 2), run=np.repeat([0, 1, 2], 2),
        refit_spread=np.array([[0.015, 0.01]] * 3), segment_torque=np.array([300.0, 0.0, 0.0]),
        input_torque=np.linspace(-200.0, 400.0, 6),
    )  # fmt: skip
    setup = Setup.of(builds, data)
    model = setup.model(Form(Additive(), Stribeck(2.0)))
    x = np.arange(len(model.names)) / 100.0
    candidate = candidate_of(model, np.zeros(6), x=x)
    total = np.arange(float(x.size**2)).reshape(x.size, x.size)
    columns = np.arange(2.0 * x.size).reshape(x.size, 2)
    covariance: Any = SimpleNamespace(total=total, shares={"noise": columns})
    state = room.form_state(candidate, 0.6, covariance, builds)
    assert (state.law, state.weight, state.stribeck_exponent, state.discrepancy) == (
        "additive",
        0.6,
        2.0,
        None,
    )
    dropped = ("plate_excess", "ramp_start", "relaxation", "refit:")
    own = [unknown.name for unknown in model.names.unknowns if not unknown.name.startswith(dropped)]
    shared = ["ramp_bias_drive_loading[b]", "unloading_ratio_drive[b]"]
    assert state.names == [*own, *shared]
    rows = [
        model.names.position[name.replace("[b]", "[a]") if name in shared else name] for name in state.names
    ]
    assert state.values == x[rows].tolist()
    assert state.logarithms == [model.names.unknowns[i].logarithm for i in rows]
    assert state.covariance == total[np.ix_(rows, rows)].tolist()
    assert state.shares == {"noise": columns[rows].tolist()}
    assert any(name.startswith("ramp_start") for name in model.names.position)


def test_the_cells_behind_a_fit(
    data_of: Callable[..., FitData], candidate_of: Callable[..., Candidate], demo_build: Build
) -> None:
    """As measured and as modelled, each run with the build that it is of."""
    data = data_of(
        cells=6, run=np.array([0, 0, 1, 1, 2, 2]), visit=np.array([0, 0, 1, 1, 0, 0]),
        input_torque=np.linspace(-200.0, 400.0, 6), difference=np.linspace(90.0, 110.0, 6),
        direction=np.array([-1.0, 1.0, -1.0, 1.0, -1.0, 1.0]), refit_spread=np.zeros((2, 2)),
    )  # fmt: skip
    builds = [demo_build.model_copy(update={"build": name}) for name in ("a", "b")]
    model = Setup.of(builds, data).model(Form(Additive(), Stribeck(1.0)))
    candidate = candidate_of(model, np.zeros(6), sigma=0.8, used=np.arange(6) != 2)
    found = room.evidence_of(candidate, builds)
    assert found.run_builds == ("a", "b", "a")
    assert found.locking == pytest.approx(-data.direction * model.difference(candidate.x))
    assert found.model == pytest.approx(model.locking(candidate.x))
    assert (found.sigma.tolist(), found.used.tolist()) == ([0.8] * 6, [True, True, False, True, True, True])
    assert found.loading.shape == (6,)
    assert found.run_names == ("run 0", "run 1", "run 2")


def test_several_builds_each_have_their_own(monkeypatch: pytest.MonkeyPatch) -> None:
    """Of all visits of each the newest date, what these tested, and how far its first sheet asks the map to
    reach; a folder of its own."""

    class Facts(SimpleNamespace):
        def model_copy(self, *, update: dict[str, Any]) -> dict[str, Any]:
            return {"build": self.build, **update}

    monkeypatch.setattr(room, "_map_axes", lambda build, best: f"axes of {build.sheet} by {best}")
    builds: Any = [SimpleNamespace(build=name, sheet=i) for i, name in enumerate("abab")]
    dates = ["2026-04-13", "2026-05-01", "2026-06-30", "2025-12-31"]
    found: Any = room._each_with_its_own(
        [Facts(build="a"), Facts(build="b")],  # type: ignore[list-item]
        ["[a]", "[b]"],
        builds,
        dates,
        lambda label, visits: (label, list(visits)),  # type: ignore[arg-type, return-value]
        "best",  # type: ignore[arg-type]
    )
    assert found == [
        {"build": "a", "folder": "a", "date": "2026-06-30", "tested": ("[a]", [0, 2]),
         "map_axes": "axes of 0 by best"},
        {"build": "b", "folder": "b", "date": "2026-05-01", "tested": ("[b]", [1, 3]),
         "map_axes": "axes of 1 by best"},
    ]  # fmt: skip


def test_of_readings_by_hand_the_standing_is_what_they_determine(monkeypatch: pytest.MonkeyPatch) -> None:
    """Before any prior; what is stated stays so, and of sweeps the budget decides. What is not determined
    says what it needs, in words for hands."""
    estimate = SimpleNamespace(needs="a sweep", unit="N·m", meaning="how much", at_input_torque=70.0)
    item: Any = SimpleNamespace(estimate=estimate)
    standing = {"bias": "carried", "preload": "not-determined", "friction_slope": "measured"}
    asked: list[Any] = []

    def told(name: str) -> Any:
        def of(one: Any, candidates: Any, estimates: Any) -> str:
            asked.append((one is item, candidates, estimates))
            return standing[name]

        return of

    monkeypatch.setattr(room, "parameter", lambda one, **given: ("parameter", one is item, given))
    monkeypatch.setattr(
        room, "needs_by_hand", lambda name, candidates, needs: f"{name}: by hand, not {needs}"
    )
    monkeypatch.setattr(room, "not_determined", lambda *given, **also: (*given, also))
    by_hand: Any = SimpleNamespace(best=object.__new__(room.HandCandidate), candidates="forms")
    swept: Any = SimpleNamespace(best=SimpleNamespace(), candidates="forms")
    for choice, stated in ((swept, False), (swept, True), (by_hand, True)):
        assert room._told("bias", item, choice, [None], stated=stated) == (
            "parameter",
            True,
            {"stated": stated},
        )
    assert asked == []
    monkeypatch.setattr(room, "standing_of", told("bias"))
    assert room._told("bias", item, by_hand, [None]) == ("parameter", True, {"status": "carried"})
    assert asked == [(True, "forms", [None])]
    needs = ("N·m", "how much")
    for name in ("preload", "friction_slope"):
        monkeypatch.setattr(room, "standing_of", told(name))
        assert room._told(name, item, by_hand, [None]) == (
            *needs, f"{name}: by hand, not a sweep", {"at_input_torque": 70.0},
        )  # fmt: skip
    # a slope no hand tells, whatever its standing
    assert len(asked) == 2
    parted: Any = SimpleNamespace(undetermined={"friction": ("1", "what rubs", "a press")})
    assert room._not_parted(parted, swept) == {"friction": ("1", "what rubs", "a press", {})}
    assert room._not_parted(parted, by_hand) == {
        "friction": ("1", "what rubs", "friction: by hand, not a press", {})
    }


def test_faults_of_all_papers_and_their_recordings_are_told_at_once(monkeypatch: pytest.MonkeyPatch) -> None:
    """Each once; visits that are given whole have no file to read."""
    faults = {name: Fault(f"fault of {name}", Place(name), "mend it") for name in ("a", "b", "recording")}

    def load(path: str) -> str:
        if path in faults:
            raise DocumentError([faults[path], faults["a"]])
        return f"visit of {path}"

    monkeypatch.setattr(room, "load_visit", load)
    monkeypatch.setattr(room, "readable_runs", lambda path: [path])
    monkeypatch.setattr(room, "recording_faults", lambda runs: [faults["recording"]] if runs == ["b"] else [])
    assert room._visits(["c", "d"]) == ["visit of c", "visit of d"]  # type: ignore[comparison-overlap]
    with pytest.raises(DocumentError) as refused:
        room._visits(["a", "c", "b"])
    assert list(refused.value.faults) == [faults["a"], faults["b"], faults["recording"]]
