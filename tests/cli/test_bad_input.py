"""Bad input ends with exit status 2, the place and the mend; no traceback, and nothing half-written."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest
from click.testing import Result
from edited import edited

Refused = Callable[..., list[str]]


@pytest.fixture
def fault(visit, refused: Refused) -> Callable[[], str]:
    """Fit the visit, which must be refused for one fault, and leave no folder behind."""

    def one() -> str:
        out = visit.folder / "result"
        (fault,) = refused("fit", visit.run_sheet, "--out", out)
        assert not out.exists()
        return fault

    return one


def test_missing_column(visit, fault) -> None:
    """A column that the rig names and the file has not: the columns that look like it are offered."""
    header, *rows = visit.lines()
    visit.write_lines([edited(header, "Torque LH [Nm]", "Torque left [Nm]"), *rows])
    said = fault()
    assert f"{visit.sweep}, line 1: there is no column 'Torque LH [Nm]'" in said
    assert "left_torque" in said
    assert "'Torque left [Nm]'" in said


def test_wrong_unit_in_the_recording(visit, refused: Refused) -> None:
    """A header in a unit that is none of the channel's dimension is refused, column by column."""
    header, *rows = visit.lines()
    visit.write_lines([header.replace("[Nm]", "[kat]"), *rows])
    for side in ("LH", "RH"):
        visit.change(visit.rig, f'"Torque {side} [Nm]"', f'"Torque {side}"')
    faults = refused("fit", visit.run_sheet)
    assert len(faults) == 2
    for side, said in zip(("LH", "RH"), faults, strict=True):
        assert f"column 'Torque {side} [kat]'" in said
    assert all("'kat' is no known unit of a torque" in said and "'N.m'" in said for said in faults)


def test_wrong_unit_in_the_rig(visit, fault) -> None:
    """A torque channel in revolutions per minute is a slip of the rig, told with line and key."""
    column = 'column = "Torque LH [Nm]"'
    visit.change(visit.rig, column, column + '\nunit = "rpm"')
    assert f"{visit.rig}, line 11: channel.left_torque.unit: 'rpm' is an angular speed" in fault()


def test_units_that_disagree(visit, fault) -> None:
    """Header and rig may not say two different units."""
    column = 'column = "Torque LH [Nm]"'
    visit.change(visit.rig, column, column + '\nunit = "lbf.ft"')
    said = fault()
    assert "column 'Torque LH [Nm]'" in said
    assert "lbf.ft" in said


def test_empty_file(visit, fault) -> None:
    """A recording of no bytes."""
    visit.sweep.write_bytes(b"")
    assert f"{visit.sweep}: the file is empty" in fault()


def test_header_only(visit, fault) -> None:
    """A recording that was stopped before its first sample."""
    visit.write_lines(visit.lines()[:1])
    assert f"{visit.sweep}: no row of numbers was found" in fault()


def test_text_in_a_column_of_numbers(visit, fault) -> None:
    """One cell of words is named by line, column and content."""
    lines = visit.lines()
    cells = lines[100].split(",")
    cells[1] = "overload"
    visit.write_lines([*lines[:100], ",".join(cells), *lines[101:]])
    assert f"{visit.sweep}, line 101: column 'Torque LH [Nm]': 'overload' is no number" in fault()


def test_time_that_goes_back(visit, fault) -> None:
    """Two recordings in one file are no recording."""
    lines = visit.lines()
    visit.write_lines([*lines[:100], *lines[50:]])
    assert f"{visit.sweep}, line 101: column 'Time [s]': the time goes back by 0.49 s" in fault()


def test_run_sheet_names_a_missing_file(visit, fault) -> None:
    """The run sheet is at fault, and the file beside it that looks like the missing one is offered."""
    visit.change(visit.run_sheet, "sweep.csv", "sweeps.csv")
    said = fault()
    assert f"{visit.run_sheet}, line 7: run[1].file: 'sweeps.csv' does not exist" in said
    assert "'sweep.csv' is there" in said


@pytest.mark.parametrize("paper", ["rig", "build"])
def test_run_sheet_names_a_missing_paper(visit, fault, paper: str) -> None:
    """Rig and build sheet are looked for from the run sheet's own folder."""
    getattr(visit, paper).rename(getattr(visit, paper).with_name("elsewhere.toml"))
    assert f"{paper}: '{getattr(visit, paper).name}': the file does not exist" in fault()


def test_missing_run_sheet(tmp_path: Path, refused: Refused) -> None:
    """The command line itself names a file that is not there."""
    (said,) = refused("fit", tmp_path / "run.toml")
    assert f"{tmp_path / 'run.toml'}: the file does not exist" in said


def test_misspelt_key(visit, fault) -> None:
    """An unknown key names the nearest known one."""
    visit.change(visit.build, "spring_force", "spring_farce")
    assert "preload.spring_farce: 'spring_farce' is no known key. Mend: write 'spring_force'." in fault()


def test_all_faults_of_all_papers_at_once(visit, refused: Refused) -> None:
    """Nobody wants to mend one fault a run: rig, build sheet and run sheet are told together."""
    visit.change(visit.rig, "u_gain = 0.0015", 'u_gain = "0.8 N.m"')
    visit.change(visit.build, "faces = 4", "faces = 0")
    visit.change(visit.build, 'outer_radius = "54.5 mm"', 'outer_radius = "34.5 mm"')
    visit.change(visit.run_sheet, "sweep.csv", "sweeps.csv")
    faults = refused("fit", visit.run_sheet)
    assert len(faults) == 4
    for key in ("channel.left_torque.u_gain", "packs.faces", "packs.outer_radius", "run[1].file"):
        assert sum(f" {key}: " in said for said in faults) == 1


@pytest.mark.parametrize(
    ("written", "said"),
    [
        ("diffbench-build/7", "is newer than this program"),
        ("diffbench-rig/1", "this is a rig, a build sheet is wanted"),
        ("diffbench-bild/1", "'diffbench-bild/1' is no known format, diffbench-build is meant, perhaps"),
    ],
)
def test_wrong_format(visit, fault, written: str, said: str) -> None:
    """Another kind of document, and a version of the future."""
    visit.change(visit.build, "diffbench-build/1", written)
    told = fault()
    assert f"{visit.build}, line 2: format: " in told
    assert said in told


def test_left_and_right_swapped(visit, fault) -> None:
    """Friction never drives: swapped outputs are found from the torque balance, and said."""
    header, *rows = visit.lines()
    swapped = edited(edited(header, "Torque LH", "Torque ?"), "Torque RH", "Torque LH")
    visit.write_lines([edited(swapped, "Torque ?", "Torque RH"), *rows])
    assert "left and right are swapped" in fault()


def test_one_sign_reversed(visit, fault) -> None:
    """The channel with the reversed sign is named, with the key that mends it."""
    visit.change(visit.rig, "sign = 1", "sign = -1")
    said = fault()
    assert "the sign of left_torque is reversed (set sign = 1 in [channel.left_torque])" in said
    assert "right_torque is reversed" not in said


def test_all_samples_locked(visit, fault) -> None:
    """Outputs that hold still only bound the locking torque."""

    def together(row: str) -> str:
        cells = row.split(",")
        return ",".join([*cells[:4], cells[3], *cells[5:]])

    header, *rows = visit.lines()
    visit.write_lines([header, *map(together, rows)])
    assert f"{visit.sweep}: the outputs hold still in 3000 of 3000 samples" in fault()


def test_out_is_a_file(visit, refused: Refused) -> None:
    """A file is never replaced by a folder; this is seen before the work is done."""
    before = visit.run_sheet.read_bytes()
    (said,) = refused("fit", visit.run_sheet, "--out", visit.run_sheet)
    assert f"{visit.run_sheet}: is a file, a folder is wanted" in said
    assert visit.run_sheet.read_bytes() == before


def test_out_below_a_file(visit, refused: Refused) -> None:
    """The file that is in the way is named, not the folder that could not be made."""
    (said,) = refused("fit", visit.run_sheet, "--out", visit.run_sheet / "a" / "b")
    assert f"{visit.run_sheet}: is a file" in said


def test_out_where_nothing_can_be_written(hand_visit: Path, refused: Refused) -> None:
    """/proc takes no folder from anybody, root included: the one unwritable place on every Linux."""
    out = Path("/proc/diffbench-result")
    (said,) = refused("fit", hand_visit, "--out", out)
    assert "/proc" in said
    assert not out.exists()


def test_results_appear_whole_or_not_at_all(hand_visit: Path, refused: Refused, tmp_path: Path) -> None:
    """Where one file of a result cannot be put into place, the earlier result stands as it stood."""
    out = tmp_path / "result"
    (out / "report.html").mkdir(parents=True)
    (out / "map.json").write_text("an earlier map")
    (said,) = refused("fit", hand_visit, "--out", out)
    assert f"{out / 'report.html'}: a folder stands where a file of the result goes" in said
    assert sorted(path.name for path in out.iterdir()) == ["map.json", "report.html"]
    assert (out / "map.json").read_text() == "an earlier map"


@pytest.mark.parametrize(
    ("option", "text", "said"),
    [
        ("--map-torque", "500", "'500' is no range: write LOW:HIGH"),
        ("--map-torque", "500:-300", "write the lower value first"),
        ("--map-torque", "0 Nm:500 rpm", "'rpm' is an angular speed, a torque is wanted"),
        ("--map-speed", "0:fast", "does not begin with a number"),
        ("--map-temperature", "-300 degC:20 degC", "is below absolute zero"),
    ],
)
def test_ranges_that_are_none(run: Callable[..., Result], option: str, text: str, said: str) -> None:
    """A range of the map is refused before anything is read, naming the option."""
    result = run("fit", "run.toml", option, text)
    assert result.exit_code == 2
    assert f"'{option}'" in result.stderr
    assert said in " ".join(result.stderr.split())


@pytest.mark.parametrize("command", ["show", "lookup"])
def test_a_result_that_is_none(refused: Refused, repository: Path, tmp_path: Path, command: str) -> None:
    """Reading commands refuse what is not there, and what is something else."""
    place = ("--torque", "100", "--speed", "1", "--temperature", "60") if command == "lookup" else ()
    (said,) = refused(command, tmp_path / "no.json", *place)
    assert f"{tmp_path / 'no.json'}: cannot be read" in said
    said = "\n".join(refused(command, repository / "fixtures" / "demo" / "twin-flange-cell.toml", *place))
    assert "twin-flange-cell.toml" in said
