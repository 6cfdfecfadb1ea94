"""What is made of one candidate, number by number, as it came out once: two laws over sixteen cycles, with a
residual that is planted and nothing searched. That the rules are right is for their own tests to say."""

from __future__ import annotations

import json
import os
from collections.abc import Callable, Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from diffbench.conditioning.bench import ErrorSource
from diffbench.documents import Build, load_build, load_visit
from diffbench.documents.rig import Allowance
from diffbench.doubts import Source
from diffbench.fitting import (
    Candidate,
    Estimate,
    FitData,
    Form,
    Setup,
    condition_visit,
    gather,
    next_test,
)
from diffbench.fitting.adequacy import adequacy, misfit_factor, without_considered
from diffbench.fitting.departures import asked, departure_findings, in_limits, sight
from diffbench.fitting.discrepancy import (
    Posterior,
    binned,
    by_other_cycles,
    covariance_with,
    discrepancy,
    left_out_of,
)
from diffbench.fitting.estimates import Condition, direct_estimates, moved_estimates
from diffbench.fitting.noise import from_residual
from diffbench.fitting.parameters import Combined
from diffbench.fitting.sheet_estimates import split
from diffbench.fitting.solver import jacobian
from diffbench.physics.friction import Stribeck
from diffbench.physics.preload import Additive, GreaterOf
from diffbench.results.discrepancy import expected_apart, left_out

BRANCHES = ("loading", "unloading", "mean")
FORCE = Path(__file__).resolve().parents[2] / "fixtures" / "demo" / "unit-q17-rebuilt.toml"
HELD = Path(__file__).with_name("whole_results")
CELLS = 2400
CLOSE = 1e-6
Array = np.ndarray


def told(values: Any) -> list[float]:
    """An array by its size, its sum, and a sum that knows the order."""
    flat = np.asarray(values, dtype=np.float64).ravel()
    return [float(flat.size), float(flat.sum()), float(flat @ np.cos(1.7 * np.arange(flat.size)))]


@pytest.fixture(scope="module")
def made(
    data_of: Callable[..., FitData], candidate_of: Callable[..., Candidate], demo_build: Build
) -> Callable[..., Candidate]:
    """Two runs of eight cycles each, both slip directions, three speeds, oil that warms and cools again, or
    warms only."""
    time = np.tile(np.arange(CELLS // 2) * 0.1, 2)
    run = np.repeat([0, 1], CELLS // 2)
    stretch = np.floor(time / 7.5).astype(np.int64)
    torque = 690.0 * np.abs((time / 7.5) % 2.0 - 1.0) - 210.0

    def of(
        law: str, structure: Callable[[FitData], Array], *, warms: bool = True, noise: float = 0.8
    ) -> Candidate:
        way = np.linspace(0.0, 1.0, CELLS)
        oil = 47.0 + 23.0 * (way if warms else np.sin(np.pi * way))
        data = data_of(
            cells=CELLS,
            run=run,
            time=time,
            input_torque=torque,
            direction=np.where((stretch // 2) % 2 == 0, 1.0, -1.0),
            speed_difference=np.array([1.4, 4.1, 9.3])[(stretch // 2 + run) % 3],
            oil=oil,
            plate=oil + 2.0 + 1e-3 * torque,
            stretch=stretch,
            segment_torque=np.zeros(2),
        )
        form = Form(Additive() if law == "additive" else GreaterOf(), Stribeck(1.0))
        model = Setup.of([demo_build], data).model(form)
        names, x = model.names, model.names.start.copy()
        for i, unknown in enumerate(names.unknowns):
            known = {
                "preload_torque": 74.0, "ramp_bias_drive_loading": 0.43, "ramp_bias_coast_loading": 0.36,
                "viscous": 0.21, "joint_fraction": 0.13, "static_excess": 0.11,
            }  # fmt: skip
            x[i] = known.get(unknown.name.partition("[")[0], x[i])
        residual = np.random.default_rng(11).normal(0.0, noise, CELLS) - data.direction * structure(data)
        used = np.arange(CELLS) % 97 != 5
        candidate = candidate_of(model, residual, sigma=1.1 * noise, inflation=1.6, x=x, used=used)
        steps = candidate.steps
        rows = jacobian(model.residual, x, steps, names.low, names.high)[used] / (1.1 * noise * np.sqrt(1.6))
        return replace(candidate, solution=replace(candidate.solution, jacobian=rows))

    return of


PLANTED: dict[str, tuple[str, bool, Callable[[FitData], Array]]] = {
    "running in": (
        "additive", True, lambda d: -4.0 * -np.expm1(-(d.time + 120.0 * d.run) / 70.0),
    ),
    "dead zone": ("greater-of", False, lambda d: -7.0 * np.minimum(np.abs(d.input_torque) / 25.0, 1.0)),
    "bulge": (
        "additive", False, lambda d: 6.0 * np.exp(-0.5 * ((d.input_torque - 250.0) / 110.0) ** 2),
    ),
    "packs": ("greater-of", False, lambda d: 2.5 * d.direction * np.sign(d.input_torque)),
    "noise": ("additive", True, lambda d: 0.0 * d.time),
    "curve": ("greater-of", True, lambda d: 1.1 * ((d.oil - 58.0) / 11.0) ** 2),
}  # fmt: skip


def all_of(candidate: Candidate) -> dict[str, Any]:
    """What the rules say of it, step by step."""
    found: dict[str, Any] = {}
    for name, finely in (("bins", False), ("fine bins", True)):
        bins = binned(candidate, finely=finely)
        assert bins is not None
        fields = bins.__dataclass_fields__
        found[name] = {field: told(getattr(bins, field)) for field in fields}
    left = discrepancy(candidate)
    assert left is not None
    found["sizes"] = vars(left.sizes) | {"lengths": list(left.sizes.lengths)}
    posterior = Posterior(left.bins, candidate, left.sizes)
    found["posterior"] = {
        "likelihood": posterior.likelihood, "explained": told(posterior.explained),
        "beta": told(posterior.j @ posterior.beta), "of": told(posterior.of_unknowns(left.bins)),
    }  # fmt: skip
    found["other cycles"] = [float(one) for one in by_other_cycles(left.bins, candidate, left.sizes)]
    found["left out"] = _left(left)
    rival = left_out_of([candidate, candidate], Allowance(fitted_once=0.002, one_way=0.003))
    found["with an allowance"] = [_left(one) for one in rival]
    covariance = covariance_with(candidate, left)
    found["covariance"] = {"total": told(covariance.total), "method": covariance.method}
    found["covariance"]["noise"] = told(covariance.noise)
    plain = candidate.covariance()
    found["plain"] = {"total": told(plain.total), "budget": plain.budget(np.ones(len(candidate.names)))}
    terms = asked(candidate, left)
    seen = sight(candidate, left.bins, left.state.largest_Nm)
    found["sight"] = {
        name: told(getattr(seen, name)) for name in ("preload", "ramp", "follows", "size", "opened")
    }
    found["terms"] = {
        one.departure.name: [
            one.size, one.u, one.t, float(np.log10(max(one.chance, 1e-250))), one.reach, one.share,
            *told(one.departure.left_over(seen)), *told(one.departure.column(seen)),
        ]
        for one in terms.scores
    }  # fmt: skip
    found["hidden"] = list(terms.hidden)
    found["asked"] = [terms.limit, terms.freedom, terms.rest, terms.warms]
    findings, every = departure_findings(candidate, left)
    found["findings"] = [vars(one) for one in findings]
    found["unseen"] = every.unseen
    found["readings"] = (
        [[one.departure.name, weight] for one, weight in every.readings()] if every.alarmed else []
    )
    found["held"] = [[one.departure.name, size] for one, size in every.sizes()] if every.alarmed else []
    held = in_limits(candidate, left, every)
    assert held is not None
    found["in limits"] = _left(held)
    fits = adequacy(candidate)
    found["adequacy"] = [one.model_dump() for one in [*fits, *adequacy(candidate, left.cells)]]
    found["misfit"] = misfit_factor(fits)
    found["without"] = told(without_considered(candidate))
    noise = from_residual(candidate.model.data, candidate.residual, unknowns=9)
    found["noise"] = [told(noise.sigma), noise.inflation, noise.effective]
    return found


def _left(left: Any) -> dict[str, Any]:
    state = left.state
    # which of two bins as good stands for both is for the last bit to say: by what it comes to, in any place
    value, none = np.full(5, 100.0), np.zeros((5, len(state.since_response)))
    place = (np.linspace(-200.0, 450.0, 5), np.geomspace(1.5, 9.0, 5), np.linspace(50.0, 68.0, 5))
    sure = state.model_copy(update={"corrects": True})
    places = {
        "apart": [told(expected_apart(sure, value, lambda _: 0.0 * value, place, b)) for b in BRANCHES],
        "variance": [told(left_out(sure, value, none, place, b)) for b in BRANCHES],
    }
    return {
        # of what is nothing, the last bit says where
        **(places if left.gain > 1.0 else {}),
        "since_response": told(state.since_response), "count": len(state.centres),
        "known": told(np.array(state.response) @ np.array(state.covariance) @ np.array(state.response).T),
        **{
            name: getattr(state, name)
            for name in ("largest_Nm", "size", "once", "since", "corrects", "torque_power", "floor", "joint")
        },
        "columns": told(left.columns @ left.columns.T), "cells": told(left.cells), "gain": left.gain,
        "relative": told(left.relative), "misfit": left.misfit, "whole": left.size, "worst": left.worst,
    }  # fmt: skip


def moved(now: Any, then: Any, place: str) -> list[str]:
    if isinstance(now, dict) and isinstance(then, dict) and list(now) == list(then):
        return [one for key in now for one in moved(now[key], then[key], f"{place}.{key}")]
    if isinstance(now, list | tuple) and isinstance(then, list) and len(now) == len(then):
        numbers = [n for n in then if isinstance(n, float)]
        if len(numbers) == len(then) and len(then) in (2, 3):  # sums are as sure as what they sum up
            least = CLOSE * max(map(abs, numbers))
            return [] if np.allclose(now, then, rtol=CLOSE, atol=least) else [f"{place}: {now} for {then}"]
        pairs = zip(now, then, strict=True)
        return [one for i, (a, b) in enumerate(pairs) for one in moved(a, b, f"{place}.{i}")]
    if isinstance(now, float) and isinstance(then, float | int):
        return [] if abs(now - then) <= CLOSE * abs(then) + 1e-9 else [f"{place}: {now} for {then}"]
    return [] if now == then else [f"{place}: {now!r} for {then!r}"]


@pytest.mark.parametrize("name", PLANTED)
def test_nothing_moved(name: str, made: Callable[..., Candidate]) -> None:
    law, warms, structure = PLANTED[name]
    held_against(f"candidate-{name.replace(' ', '-')}", all_of(made(law, structure, warms=warms)))


def rich(data_of: Callable[..., FitData]) -> FitData:
    """Three visits of two builds, a run each: oil that wanders, plates that nobody measured in two of them,
    corners of the torque, heat, three errors of the bench, refits, and packs that may differ."""
    cells, each = 360, 120
    run = np.repeat([0, 1, 2], each)
    time = np.tile(np.arange(each) * 0.5, 3)
    torque = 310.0 * np.sin(time / 6.0 + run) + 90.0 * (run == 1)
    stretch = np.floor((time / 6.0 + run) / np.pi + 0.5).astype(np.int64)
    turns = np.array([0.0, 300.0, -290.0, 310.0, -280.0])
    before = np.minimum(np.floor(time / 15.0).astype(np.int64), 4) + 5 * run
    heat_time = np.tile(np.arange(0.0, 61.0, 0.5), 3)
    wave = np.sin(0.3 * np.arange(cells))
    source = (
        ErrorSource("a:left_torque.gain", "gain of left_torque", Source.TRANSDUCER_GAIN, 0.0015),
        ErrorSource("a:left_torque.zero", "zero of left_torque", Source.TRANSDUCER_ZERO, 0.3),
        ErrorSource("a:temperature", "temperature", Source.TEMPERATURE, 0.5),
    )
    return data_of(
        cells=cells,
        run=run,
        time=time,
        visit=run.copy(),
        input_torque=torque,
        stretch=stretch,
        difference=-np.where(wave > 0.0, 1.0, -1.0) * (80.0 + 0.4 * np.abs(torque) + wave),
        direction=np.where(wave > 0.0, 1.0, -1.0),
        speed_difference=2.0 + 1.9 * np.cos(0.05 * np.arange(cells)),
        oil=55.0 + 9.0 * np.sin(0.01 * np.arange(cells)) + run,
        plate=np.where(run == 1, 58.0 + wave, np.nan),
        noise=np.full(cells, 0.7),
        width=np.full(cells, 0.5),
        sources=source,
        effect_input=np.stack([0.001 * torque, 0.0 * torque, 0.0 * torque]),
        effect_difference=np.stack([0.0012 * torque, 0.2 + 0.0 * torque, 0.0 * torque]),
        noise_share=np.stack([0.001 + 0.0 * torque, 0.0 * torque, 0.0 * torque]),
        locking_slope=40.0 * wave,
        places=np.stack([-3.0 + wave, 0.1 * wave, 3.0 + wave]),
        turn_torque=np.tile(turns, 3),
        turn_begins=np.tile(np.arange(5) == 0, 3),
        turn_near=(np.tile([0, 25, 55, 85, 110], 3) + each * np.repeat([0, 1, 2], 5)),
        turn_before=before,
        heat_time=heat_time,
        heat_power=250.0 + 200.0 * np.sin(0.4 * heat_time),
        heat_run=np.repeat([0, 1, 2], 122),
        oil_rate=0.01 * np.cos(0.2 * heat_time),
        cell_heat=time / 0.5 + 122.0 * run,
        segment_torque=np.array([0.0, 45.0, 0.0]),
        refit_spread=np.array([[0.01, 0.02], [0.015, 0.0], [0.01, 0.02]]),
        temperature_u=0.5,
        apart=np.stack([0.02 * torque, 0.05 * np.abs(torque)]),
    )


@pytest.mark.parametrize("law", ["additive", "greater-of"])
def test_models_and_their_unknowns(law: str, data_of: Callable[..., FitData], demo_build: Build) -> None:
    """Every unknown with what is known of it, and every part of the model away from where a search
    begins."""
    other = demo_build.model_copy(
        update={"build": "other", "ramps": demo_build.ramps.model_copy(update={"drive_angle": None})}
    )
    data = rich(data_of)
    found: dict[str, Any] = {}
    for builds in ([demo_build] * 3, [demo_build, other, demo_build]):
        setup = Setup.of(builds, data)
        form = Form(
            Additive() if law == "additive" else GreaterOf(), Stribeck(1.0 if law == "additive" else 2.0)
        )
        model = setup.model(form)
        names = model.names
        away = np.array(
            [
                min(max(0.25 * (1.0 + np.sin(3.0 * i)) * (u.prior_u or 0.1), -2.0), 2.0)
                for i, u in enumerate(names.unknowns)
            ]
        )
        x = np.clip(names.start + np.where(names.low < names.high, away, 0.0), names.low, names.high)
        own = found.setdefault(builds[1].build, {})
        own["unknowns"] = [
            {
                key: value if not isinstance(value, float) or np.isfinite(value) else str(value)
                for key, value in vars(u).items()
            }
            for u in names.unknowns
        ]
        thrust = model.thrust(x)
        own["parts"] = {
            "x": told(x),
            "drive": told(thrust.drive),
            "coast": told(thrust.coast),
            "torque": told(thrust.input_torque),
            "errors": told(model.errors(x)),
            "difference": told(model.difference(x)),
            "plates": told(model.plate_temperature(x)),
            "friction": told(model.friction_factor(x)),
            "viscous": told(model.viscous(x)),
            "locking": told(model.locking(x)),
            "refit": [told(model.refit(x, part)) for part in (0, 1)],
            "parts": [told(one) for one in model.parts(x)],
            "packs": told(model.packs(x)),
            "residual": told(model.residual(x)),
        }
        observed, columns = model.columns(x)
        own["columns"] = [told(observed), *(told(column) for column in columns.T)]
    held_against(f"model-{law}", found)


#: What sheets state: by section, key and change; and which products the fit determines.
SHEETS: dict[str, tuple[dict[str, dict[str, Any]], Callable[[str], bool]]] = {
    "all": ({}, lambda _: True),
    "angles alone": ({"preload": {"spring_force": None}}, lambda _: True),
    "force alone": ({"ramps": {"drive_angle": None, "coast_angle": None}}, lambda _: True),
    "drive alone": ({"ramps": {"coast_angle": None}}, lambda name: "coast" not in name),
    "no pin": ({"ramps": {"pin_radius": None}}, lambda _: True),
    "loading alone": ({}, lambda name: "unloading" not in name),
    "no preload": ({}, lambda name: "preload" not in name),
    "neither, loading": (
        {"preload": {"spring_force": None}, "ramps": {"drive_angle": None}},
        lambda name: "unloading" not in name,
    ),
    "nothing": ({}, lambda _: False),
}  # fmt: skip


@pytest.mark.parametrize("law", ["additive", "greater-of"])
def test_quantities_of_a_fit_and_its_sheet(
    law: str, made: Callable[..., Candidate], demo_build: Build
) -> None:
    """Every quantity that is read off a candidate, here and at another condition, with its slopes, words and
    needs; and what its products come to by what the sheet states: force, angles, both or neither."""
    candidate = made(law, lambda d: 0.0 * d.time)
    covariance = candidate.covariance()
    deviation = np.sqrt(np.diag(covariance.total))
    found: dict[str, Any] = {}

    def plain(every: Mapping[str, Estimate]) -> dict[str, Any]:
        return {
            name: {
                "value": one.value, "slope": told(one.gradient), "sheet": dict(one.sheet), "unit": one.unit,
                "meaning": one.meaning, "needs": one.needs, "at": one.at_input_torque, "where": one.condition,
            }
            for name, one in every.items()
        }  # fmt: skip

    read = {"build": 0, "suffix": "[a]"}
    found["direct"] = plain(direct_estimates(candidate, deviation, torque_range=(-180.0, 420.0), **read))
    found["one flank"] = plain(direct_estimates(candidate, deviation, torque_range=(0.5, 0.9), **read))
    for turned in (False, True):
        there = Condition("as_read", 23.0, 0.4, turned, "where it was read")
        found[f"moved {turned}"] = plain(moved_estimates(candidate, deviation, there, **read))
    for name, (changes, reliable) in SHEETS.items():
        parts = {
            part: getattr(demo_build, part).model_copy(update=change) for part, change in changes.items()
        }
        build = demo_build.model_copy(update=parts)
        names = candidate.names.position
        known = {
            one: reliable(one) for one in [*names, *(f"ramp_bias_{f}_unloading" for f in ("drive", "coast"))]
        }
        parted = split(candidate, covariance, [build], [""], known, [0])
        found[name] = {
            "estimates": plain(parted.estimates),
            "rest": {
                key: [vars(one) if hasattr(one, "__dict__") else one for one in value]
                if isinstance(value, list | tuple)
                else value
                for key, value in vars(parted).items()
                if key != "estimates"
            },
        }
    held_against(f"quantities-{law}", found)


@pytest.fixture(scope="module")
def swept(candidate_of: Callable[..., Candidate]) -> tuple[Candidate, Any, Any]:
    """A short sweep of the fixtures at the numbers where a search begins, its conditioned visit and sheet."""
    visit = load_visit(Path(__file__).resolve().parents[2] / "fixtures" / "shims" / "run-shim-0.1mm.toml")
    conditioned, _ = condition_visit(visit, lambda _: None)
    data = gather(conditioned)
    model = Setup.of([visit.build], data).model(Form(GreaterOf(), Stribeck(1.0)))
    names, x = model.names, model.names.start.copy()
    for name, value in (("preload_torque", 80.0), ("viscous", 0.2), ("joint_fraction", 0.1)):
        x[names.position[name]] = value
    candidate = candidate_of(model, model.residual(x), sigma=0.7, inflation=1.4, x=x)
    rows = jacobian(model.residual, x, candidate.steps, names.low, names.high) / (0.7 * np.sqrt(1.4))
    solution = replace(candidate.solution, jacobian=rows)
    return replace(candidate, solution=solution), conditioned[0], visit.build


def test_plans_of_further_runs(swept: tuple[Candidate, Any, Any]) -> None:
    """Where recordings did not go: of one flank, speed, direction, or without a temperature; and what each
    planned run would leave of every unknown's variance."""
    candidate, visit, build = swept
    data = candidate.model.data
    found: dict[str, Any] = {}

    def plans(name: str, **changes: Any) -> None:
        changed = replace(candidate, model=candidate.model.on(replace(data, **changes)))
        found[name] = [[text, vars(plan)] for text, plan in next_test._plans(changed, visit, 0)]

    plans("all")
    plans("drive", input_torque=np.abs(data.input_torque))
    plans("coast", input_torque=-np.abs(data.input_torque))
    plans("slight coast", input_torque=np.where(data.input_torque < 0.0, 0.3, 1.0) * data.input_torque)
    plans("one way", direction=np.ones(data.direction.size))
    plans("one speed", speed_difference=np.full(data.direction.size, 4.0))
    plans("fast", speed_difference=data.speed_difference + 1.2)
    plans("slow", speed_difference=0.1 * data.speed_difference)
    plans("no oil", oil=np.full(data.direction.size, np.nan))
    plans("cold", oil=data.oil - 45.0)

    known, rows = next_test._known(candidate)
    every = np.eye(len(candidate.names))
    found["known"] = {
        "information": told(known.information),
        "precision": told(known.precision),
        "considered": told(known.considered),
        "variances": told(np.log(known.variances(every)[1:] + 1e-12)),
    }
    for text, after in (
        *next_test._repeats(known, rows, every, candidate, 0),
        *next_test._sweeps(known, every, candidate, visit, 0),
        *next_test._papers(known, every, candidate),
    ):
        found[text] = told(np.log(after[1:] + 1e-12))
    plan = next_test.PlannedSweep((-120.0, 300.0), (2.0, -3.0), 41.0)
    planned = next_test.planned_data(plan, visit, candidate, 0)
    found["cells"] = {
        name: told(value)
        for name, value in vars(planned).items()
        if isinstance(value, np.ndarray) and value.dtype != object and np.isfinite(value).all()
    }
    combined = {
        name: Combined(
            80.0,
            2.0,
            {Source.FORM: 0.3},
            np.inf,
            Estimate(80.0, every[i], "1", "", "", 1.0, {Source.SPRING_FORCE: 1.1}),
        )
        for i, name in enumerate(("preload_torque", "viscous_coefficient", "friction_coefficient"))
    }
    for ratio in (0.1, 0.79, 0.81, 1.3):
        worth, test = next_test._offer("run", np.full(3, ratio), list(combined), combined)
        found[f"worth {ratio}"] = [worth, [one.model_dump() for one in test.gains]]
    for u in (60.0, 19.6, 19.4):
        force = with_force(build, u)
        pressed = next_test._pressed(force, list(combined), combined)
        found[f"pressed {u}"] = pressed and [pressed[0], told(pressed[1])]
    held_against("further-runs", found)


def with_force(build: Build, u: float) -> Build:
    """The sheet with a spring force of 1950 N and a doubt."""
    force = load_build(FORCE).preload.spring_force
    assert force is not None
    preload = build.preload.model_copy(update={"spring_force": replace(force, u=u)})
    return build.model_copy(update={"preload": preload})


def held_against(name: str, found: dict[str, Any]) -> None:
    now = json.loads(json.dumps(found, default=float))
    file = HELD / f"{name}.json"
    if os.environ.get("DIFFBENCH_KEEP"):
        HELD.mkdir(exist_ok=True)
        file.write_text(json.dumps(now, ensure_ascii=False, indent=1) + "\n", encoding="utf-8")
        pytest.fail("written anew: read what changed")
    found = moved(now, json.loads(file.read_text(encoding="utf-8")), name)
    assert not found, "\n".join(found[:20])
