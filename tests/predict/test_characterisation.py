"""The frozen result and its document."""

from __future__ import annotations

import hashlib
import json
import math
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from edited import edited

from diffbench import load_characterisation
from diffbench.errors import DocumentError, FitError
from diffbench.results import Characterisation, FormState, LimitVerdict, Parameter
from diffbench.results.manifest import read_whole, with_manifest

Results = Callable[..., Characterisation]
Region = Callable[..., Any]


@pytest.fixture
def result(characterised: Results) -> Characterisation:
    """One quantity measured, one not."""
    measured = Parameter(
        value=81.7,
        u=1.2,
        low=79.3,
        high=84.1,
        unit="N·m",
        status="measured",
        meaning="preload",
        budget={"noise": 1.2},
    )
    open_one = Parameter(
        value=None,
        u=None,
        low=None,
        high=None,
        unit="1",
        status="not-determined",
        meaning="ramp",
        needs="coast torque",
    )
    return characterised(parameters={"preload_torque": measured, "ramp_bias_coast_loading": open_one})


def test_written_and_read_is_the_same(result: Characterisation, tmp_path: Path) -> None:
    path = tmp_path / "characterisation.json"
    path.write_text(result.to_json(), encoding="utf-8")
    assert load_characterisation(path) == result
    assert json.loads(result.to_json())["format"] == "diffbench-characterisation/1"


def test_the_text_is_readable_and_json(result: Characterisation) -> None:
    """Signs of units as they are, no escapes; and no number that JSON does not have (RFC 8259, 6)."""
    assert '"N·m"' in result.to_json()
    assert "\\u" not in result.to_json()
    endless = result.model_copy(update={"reference": {**result.reference, "temperature_degC": math.inf}})
    with pytest.raises(ValueError, match="JSON compliant"):
        endless.to_json()


def test_a_value_is_given_or_its_lack_explained(result: Characterisation) -> None:
    assert result.value("preload_torque") == 81.7
    with pytest.raises(ValueError, match="ramp_bias_coast_loading is not determined: coast torque"):
        result.value("ramp_bias_coast_loading")


def test_nothing_of_it_can_be_set(result: Characterisation) -> None:
    with pytest.raises(ValueError, match="frozen"):
        result.unit = "other"
    with pytest.raises(ValueError, match="frozen"):
        result.parameters["preload_torque"].value = 0.0


def test_cells_behind_the_fit_are_not_written(result: Characterisation) -> None:
    """They come with a fit and are gone after a file."""
    assert result.evidence is None
    assert "evidence" not in result.to_json()


@pytest.mark.parametrize(
    ("change", "key"),
    [
        ({"format": "diffbench-characterisation/2"}, "format"),
        ({"unit": None}, "unit"),
        ({"law": {"chosen": "both", "status": "measured", "information": {}, "reason": ""}}, "law.chosen"),
        ({"colour": "red"}, "colour"),
    ],
)
def test_an_edited_file_is_refused(
    change: dict[str, Any], key: str, result: Characterisation, tmp_path: Path
) -> None:
    path = tmp_path / "characterisation.json"
    path.write_text(json.dumps({**json.loads(result.to_json()), **change}), encoding="utf-8")
    with pytest.raises(DocumentError) as caught:
        load_characterisation(path)
    (fault,) = caught.value.faults
    assert (fault.place.file, fault.place.key) == (str(path), key)
    assert "diffbench fit" in fault.mend


@pytest.mark.parametrize(
    "edit", [('"value": 81.7', '"value": 80.7'), ('"needs": "coast torque"', '"needs": null')]
)
def test_an_edited_number_or_word_is_told(
    edit: tuple[str, str], result: Characterisation, tmp_path: Path
) -> None:
    """What could well be true, too: by the hash of the content. Spaces and order are none of it; without the
    hash, as older versions wrote it, it is read as it is."""
    path = tmp_path / "characterisation.json"
    text = result.to_json()
    assert edit[0] in text
    path.write_text(edited(text, *edit), encoding="utf-8")
    with pytest.raises(DocumentError, match=r"sha256: .* edited or damaged.*diffbench fit"):
        load_characterisation(path)
    content = json.loads(text)
    path.write_text(json.dumps(content, sort_keys=True), encoding="utf-8")
    assert load_characterisation(path) == result
    del content["sha256"]
    path.write_text(json.dumps(content), encoding="utf-8")
    assert load_characterisation(path) == result


def test_a_user_of_lmfit_finds_what_lmfit_has(made_by_hand: Characterisation) -> None:
    """Value, stderr, correl and vary by lmfit's own report; what is not determined is not there, and names
    that lmfit cannot bear are told apart."""
    import lmfit

    missing = made_by_hand.parameters["viscous_coefficient"].model_copy(update={"value": None})
    result = made_by_hand.model_copy(
        update={"parameters": {**made_by_hand.parameters, "viscous_coefficient": missing}}
    )
    builds = {f"preload_torque[{build}]": result.parameters["preload_torque"] for build in ("a.b", "a b")}
    joint = result.model_copy(update={"parameters": {**result.parameters, **builds}})
    made = joint.lmfit_parameters()
    assert set(made) == (set(result.parameters) - {"viscous_coefficient"}) | {
        "preload_torque_a_b",
        "preload_torque_a_b_",
    }
    for name, item in result.parameters.items():
        if item.value is not None:
            assert (made[name].value, made[name].stderr) == (item.value, item.u)
            assert made[name].vary == (item.status == "measured")
            assert (made[name].user_data["low"], made[name].user_data["unit"]) == (item.low, item.unit)
    one, other = result.correlation.names[:2]
    assert made[one].correl[other] == made[other].correl[one] == result.correlation.matrix[0][1]
    assert f"C({one}, {other})" in lmfit.fit_report(made, min_correl=0.0)


def test_the_hash_is_that_of_a_plain_program(result: Characterisation) -> None:
    """Source: FIPS 180-4 by hashlib, over sorted JSON without spaces, ASCII: five lines for anybody."""
    content = json.loads(result.to_json())
    told = content.pop("sha256")
    plain = json.dumps(content, sort_keys=True, separators=(",", ":")).encode("ascii")
    assert told == hashlib.sha256(plain).hexdigest() == result.digest


@pytest.mark.parametrize("change", ["edited", "gone"])
def test_a_file_beside_its_manifest_is_told_at_once(
    change: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Nothing is on its way there, so that nothing is waited for."""
    for name, content in with_manifest({"map.csv": b"one\n"}, result="r").items():
        (tmp_path / name).write_bytes(content)
    assert read_whole(tmp_path / "map.csv") == b"one\n"
    waited: list[float] = []
    monkeypatch.setattr("diffbench.results.manifest.time.sleep", waited.append)
    if change == "edited":
        (tmp_path / "map.csv").write_bytes(b"two\n")
        with pytest.raises(DocumentError, match="edited or damaged"):
            read_whole(tmp_path / "map.csv")
    else:
        (tmp_path / "map.csv").unlink()
        with pytest.raises(FileNotFoundError):
            read_whole(tmp_path / "map.csv")
    assert not waited


@pytest.mark.parametrize("keep", [0, 200])
def test_a_truncated_file_is_refused(keep: int, result: Characterisation, tmp_path: Path) -> None:
    path = tmp_path / "characterisation.json"
    path.write_text(result.to_json()[:keep], encoding="utf-8")
    with pytest.raises(DocumentError, match="Invalid JSON"):
        load_characterisation(path)


def test_a_file_that_is_not_there_or_no_text(tmp_path: Path) -> None:
    with pytest.raises(DocumentError, match="cannot be read"):
        load_characterisation(tmp_path / "none.json")
    (tmp_path / "binary.json").write_bytes(b"\xff\xfe\x00")
    with pytest.raises(DocumentError, match="not UTF-8"):
        load_characterisation(tmp_path / "binary.json")


PLACES = ("at_input_torque_Nm", "at_temperature_degC", "at_speed_difference_rad_s")


@pytest.mark.parametrize("stated", [(), PLACES[:1], PLACES[1:], PLACES])
def test_only_a_quantity_of_a_place_says_where(stated: tuple[str, ...], result: Characterisation) -> None:
    """Documents of others, and their hashes, stay as they were before there were places."""
    parameter = result.parameters["preload_torque"]
    places = dict(zip(PLACES, (410.0, 85.0, 2.5), strict=True))
    found = parameter.model_copy(update={name: places[name] for name in stated}).model_dump()
    assert {name: found[name] for name in PLACES if name in found} == {name: places[name] for name in stated}
    assert found.keys() - set(PLACES) == parameter.model_dump().keys()


def test_what_is_not_in_stock_is_no_key_of_a_build(result: Characterisation) -> None:
    facts = result.builds[0]
    assert not {"shims_in_stock_m", "rings_in_stock_deg"} & facts.model_dump().keys()
    stocked = facts.model_copy(
        update={"shims_in_stock_m": [1e-4, 3e-4], "rings_in_stock_deg": [[35.0, 62.0]]}
    )
    found = stocked.model_dump()
    assert (found["shims_in_stock_m"], found["rings_in_stock_deg"]) == ([1e-4, 3e-4], [[35.0, 62.0]])
    assert facts.pack == (4, 0.046)


def test_an_unknown_is_that_of_the_build_of_all_or_of_those_that_share_it(
    form_of: Callable[..., FormState],
) -> None:
    """Its own before that of all; the one of several builds for each of them, by the name of the first in
    older files; where two stand and neither is its own, or none, the file does not say."""
    form = form_of()
    names = ["gear_friction", "preload_torque[a]", "preload_torque", "viscous[a, b]", "stribeck_speed[a]"]
    form = form.model_copy(update={"names": [*names, "stribeck_speed[b]"]})
    assert form.place("preload_torque", "a") == 1
    assert form.place("preload_torque", "b") == 2
    assert form.place("gear_friction", "b") == 0
    assert [form.place("viscous", build) for build in "ab"] == [3, 3]
    for quantity in ("stribeck_speed", "joint_fraction"):
        with pytest.raises(FitError, match=f"does not say which {quantity} build 'c' has"):
            form.place(quantity, "c")


def test_only_a_limit_that_is_judged_elsewhere_says_by_what() -> None:
    """Documents of limits at the reference condition, and their hashes, stay as they were."""
    stated = {"quantity": "preload_torque", "low": 70.5, "high": 90.2, "unit": "N·m", "verdict": "not proven"}
    assert LimitVerdict(**stated).model_dump() == stated
    as_read = {**stated, "judged": "preload_torque_as_read"}
    assert LimitVerdict(**as_read).model_dump() == as_read


def test_a_build_of_a_joint_fit_has_its_own_day_and_region_or_that_of_all(
    characterised: Results, region_of: Region
) -> None:
    one = characterised().builds[0]
    own = one.model_copy(update={"date": "2026-02-03", "tested": region_of(drive_unloading_Nm=310.0)})
    other = one.model_copy(update={"build": "Q17-b"})
    joint = characterised(builds=[own, other], build="Q17-a, Q17-b")
    first, second = joint.of_build("Q17-a"), joint.of_build("Q17-b")
    assert (first.date, first.tested.drive_unloading_Nm) == ("2026-02-03", 310.0)
    assert (second.date, second.tested.drive_unloading_Nm) == ("2026-04-14", 430.0)
    assert (first.build, second.build) == ("Q17-a", "Q17-b")
    assert first.builds[0].date is first.builds[0].tested is None


class TestRegion:
    """What counts as tested, by hand: the ranges of the outline, and wobbles of settings around them."""

    @pytest.mark.parametrize(
        ("outline", "loading", "unloading"),
        [
            ([(-300.0, 1.5), (600.0, 1.5), (300.0, 10.0)], (-300.0, 600.0), (-230.0, 430.0)),
            ([(100.0, 2.0), (600.0, 2.0), (350.0, 9.0)], (0.0, 600.0), (0.0, 430.0)),
            ([(-190.0, 2.0), (-40.0, 7.0)], (-190.0, 0.0), (-190.0, 0.0)),
            ([], (0.0, 0.0), (0.0, 0.0)),
        ],
    )
    def test_torques_from_zero_to_the_ends(
        self, outline: Any, loading: tuple[float, float], unloading: tuple[float, float], region_of: Region
    ) -> None:
        """What loads is seen to the outline's ends, what unloads as far as the ramps let go."""
        region = region_of(outline=outline)
        assert region.torque_ends("loading") == loading
        for branch in ("unloading", "mean", "either"):
            assert region.torque_ends(branch) == unloading

    def test_a_level_wobbles_a_range_does_not(self, region_of: Region) -> None:
        """By 2.1 % of the highest speed, and by a kelvin; what spans twice that was swept."""
        assert region_of().speed_ends == (1.5, 10.0)
        level = region_of(outline=[(-300.0, 4.0), (600.0, 4.1)])
        assert level.speed_ends == pytest.approx((4.0 - 0.0861, 4.1 + 0.0861), rel=1e-12)
        assert region_of(outline=[(-300.0, 4.0), (600.0, 4.2)]).speed_ends == (4.0, 4.2)
        assert region_of(temperature_degC=(60.0, 62.5)).temperature_ends == (60.0, 62.5)
        assert region_of(temperature_degC=(60.0, 61.5)).temperature_ends == (59.0, 62.5)
        assert region_of(temperature_degC=(60.0, 62.0)).temperature_ends == (59.0, 63.0)
        assert region_of(outline=[]).speed_ends == (0.0, 0.0)

    @pytest.mark.parametrize(
        ("outline", "inside", "outside"),
        [
            # the slanted edge, moved out by 1.2 % of the torques' range and 3 % of the speed: at 450 N·m
            # from 5.75 to (1.5 + 8.5 (600 - 439.2)/300)/0.97 = 6.243 rad/s
            ([(-300.0, 1.5), (600.0, 1.5), (300.0, 10.0)], [(450.0, 6.2), (450.0, -6.2)], [(450.0, 6.28)]),
            ([(-300.0, 1.5), (600.0, 1.5), (300.0, 10.0)], [(600.0, 1.5)], [(600.1, 1.5), (0.0, 1.49)]),
            # at one speed: within 2.1 % of it; at one torque: within 1.2 % of a newton metre
            ([(-300.0, 4.0), (600.0, 4.0)], [(100.0, 4.08), (100.0, 3.92)], [(100.0, 4.09), (100.0, 3.91)]),
            ([(250.0, 2.0), (250.0, 9.0)], [(250.01, 5.0), (249.99, 5.0)], [(250.02, 5.0), (249.98, 5.0)]),
            ([], [], [(0.0, 0.0), (100.0, 4.0)]),
        ],
    )
    def test_places(self, outline: Any, inside: Any, outside: Any, region_of: Region) -> None:
        region = region_of(outline=outline)
        for places, expected in ((inside, True), (outside, False)):
            for torque, speed in places:
                at = (np.array([torque]), np.array([speed]))
                assert region.covers(*at, np.array([60.0]), "loading").tolist() == [expected], (torque, speed)
                assert not region.covers(*at, np.array([76.001]), "loading").any()
                assert not region.covers(*at, np.array([47.999]), "loading").any()
        at = (np.array([429.0, 431.0, -229.0, -231.0]), np.full(4, 1.6), np.full(4, 60.0))
        if len(outline) == 3:
            assert region.covers(*at, "unloading").tolist() == [True, False, True, False]
            assert region.covers(*at, "loading").all()


class TestRefusals:
    """What a document is not, word for word: with file, place and mend."""

    @pytest.fixture
    def told(self, result: Characterisation, tmp_path: Path) -> Callable[[str], list[Any]]:
        def of(text: str) -> list[Any]:
            path = tmp_path / "characterisation.json"
            path.write_text(text, encoding="utf-8")
            with pytest.raises(DocumentError) as caught:
                load_characterisation(path)
            assert {fault.place.file for fault in caught.value.faults} == {str(path)}
            return list(caught.value.faults)

        return of

    def test_text_that_is_cut_off_or_nested(self, told: Callable[[str], list[Any]]) -> None:
        again = "make it again with diffbench fit"
        (cut,) = told('{\n "unit": "Q17",\n "build"')
        assert cut.what == "Invalid JSON: the file is cut off or damaged (Expecting ':' delimiter)"
        assert (cut.place.line, cut.mend) == (3, again)
        (nested,) = told("[" * 100_000)
        assert (nested.what, nested.mend) == ("Invalid JSON: nested without end", again)

    def test_another_format(self, told: Callable[[str], list[Any]], result: Characterisation) -> None:
        content = json.loads(result.to_json())
        (newer,) = told(json.dumps(content | {"format": "diffbench-characterisation/2"}))
        assert newer.what == (
            "'diffbench-characterisation/2' is another version of the format: this diffbench reads "
            "diffbench-characterisation/1"
        )
        assert newer.mend == (
            "make it again with diffbench fit; a file of a newer version needs a newer diffbench"
        )
        (other,) = told(json.dumps(content | {"format": "diffbench-map/1"}))
        assert other.what == "this is 'diffbench-map/1'; diffbench-characterisation/1 is wanted"
        assert (other.place.key, other.mend) == (
            "format", "name characterisation.json, or the folder of its result",
        )  # fmt: skip
        for nothing in ("[]", "3", '{"format": "x/1"}', '{"format": 3}'):
            assert all("newer version" in fault.mend for fault in told(nothing))

    def test_of_many_faults_twenty_are_told(
        self, told: Callable[[str], list[Any]], result: Characterisation
    ) -> None:
        content = json.loads(result.to_json())
        assert len(told(json.dumps(content | {f"k{i}": i for i in range(30)}))) == 20
        reference = content["reference"] | {f"k{i}": math.nan for i in range(30)}
        faults = told(json.dumps(content | {"reference": reference}))
        assert len(faults) == 20
        assert faults[0].place.key == "reference.k0"
        assert faults[0].mend == "make it again with diffbench fit: this one was edited or damaged"

    def test_an_edit(self, told: Callable[[str], list[Any]], result: Characterisation) -> None:
        (fault,) = told(edited(result.to_json(), '"unit": "Q17"', '"unit": "Q18"'))
        assert fault.place.key == "sha256"
        assert fault.what.startswith(
            f"the content does not match its hash (written {result.digest[:12]}…, found "
        )
        assert fault.what.endswith("…): the file was edited or damaged")
        assert fault.mend == "make it again with diffbench fit, or take the hash out if the change was meant"
        assert len(fault.what.partition("found ")[2].partition("…")[0]) == 12

    def test_what_is_shown_of_it(self, result: Characterisation) -> None:
        """Texts and numbers as they are, what is long by how much there is; nothing of what is not there."""
        told = str(result)
        assert told == repr(result)
        assert "date='2026-04-14'" in told
        assert "builds=<1>" in told
        assert "findings" not in told
        assert "format" not in told
        assert "evidence" not in told


def test_a_copy_that_is_changed_is_another_document(result: Characterisation, tmp_path: Path) -> None:
    """What was read bears the hash that it was written with; a changed copy its own."""
    path = tmp_path / "characterisation.json"
    path.write_text(result.to_json(), encoding="utf-8")
    read = load_characterisation(path)
    assert read.digest == read.model_copy().digest == result.digest
    changed = read.model_copy(update={"unit": "Q18"})
    assert changed.digest != result.digest
    assert changed.digest == result.model_copy(update={"unit": "Q18"}).digest
    # what this version writes otherwise is known by the hash that it came with
    older = json.loads(result.to_json())
    del older["next_tests"], older["sha256"]
    plain = json.dumps(older, sort_keys=True, separators=(",", ":")).encode("ascii")
    older["sha256"] = hashlib.sha256(plain).hexdigest()
    path.write_text(json.dumps(older), encoding="utf-8")
    kept = load_characterisation(path)
    assert kept.digest == older["sha256"] != result.digest
    assert kept.model_copy(update={"unit": "Q17"}).digest == result.digest
