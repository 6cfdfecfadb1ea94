"""Groups of a file come onto one clock: which clocks there are, what is read between samples, what is told.

Every channel that is read at another group's times is a straight line of its own time, so that what stands
between two samples is that line; and what a message says of times is said in seconds that stand here.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from pathlib import Path

import nptdms
import numpy as np
import pytest

from diffbench.documents import FileSettings, Rig
from diffbench.errors import ReadingError
from diffbench.readers import RawTable, read_parts, read_raw
from diffbench.recording import Recording

Channels = Mapping[str, Sequence[float] | Sequence[str] | np.ndarray]
NOTHING = float("nan")


def write(path: Path, groups: Mapping[str, Channels], units: Mapping[str, str] | None = None) -> None:
    """Write TDMS, in which a group is no more than its channels; units by the names of channels."""
    with nptdms.TdmsWriter(str(path)) as writer:
        writer.write_segment(
            [
                nptdms.ChannelObject(
                    group,
                    name,
                    values if isinstance(values[0], str) else np.asarray(values),
                    properties={"unit_string": units[name]} if units and name in units else {},
                )
                for group, channels in groups.items()
                for name, values in channels.items()
            ]
        )


def table_of(path: Path, **settings: str) -> RawTable:
    """All columns."""
    return read_raw(path, FileSettings(**settings))[0]


def values_of(table: RawTable, name: str) -> list[float]:
    """One column."""
    return next(column.values.tolist() for column in table.columns if column.name == name)


@pytest.mark.parametrize(
    ("clock", "times", "unit"),
    [
        ("t", [0.0, 2000.0], "ms"),
        ("t [ms]", [0.0, 2000.0], None),
        ("t, ms", [0.0, 2000.0], None),
        ("Elapsed", [0.0, 2.0], None),
        ("When", np.array(["2026-04-14T13:05:07", "2026-04-14T13:05:09"], dtype="datetime64[us]"), None),
    ],
)
def test_a_clock_is_known_by_its_unit_wherever_it_stands_or_by_its_name(
    clock: str, times: Sequence[float], unit: str | None, tmp_path: Path
) -> None:
    """Two samples are enough: 40 at once, 44 after two seconds. A count, falling times and words are none,
    even if they come first."""
    path = tmp_path / "log"
    slow = {"count": [1.0, 9.0], "Oil": [40.0, 44.0], "time": [7.0, 3.0], "Case": ["held", "free"]}
    write(
        path,
        {"Slow": {**slow, clock: times}, "Fast": {"time": [0.0, 1.0, 2.0, 3.0], "M": [1.5, 2.5, 4.5, 8.5]}},
        {"Oil": "degC", **({clock: unit} if unit else {})},
    )
    table = table_of(path)
    assert [column.name for column in table.columns] == [
        "Fast/time",
        "M",
        "count",
        "Oil",
        "Slow/time",
        "Case",
    ]
    assert values_of(table, "Oil") == pytest.approx([40.0, 42.0, 44.0, NOTHING], nan_ok=True)
    assert values_of(table, "Case") == ["held", "held", "free", "free"]
    assert values_of(table, "M") == [1.5, 2.5, 4.5, 8.5]
    assert table.rows.tolist() == [1, 2, 3, 4]
    assert table.details == {"group": "Fast"}
    (apart,) = table.clocks_apart
    assert apart == (
        "Group 'Slow' runs from 0 s to 2 s, and group 'Fast', which gives the clock, from 0 s to 3 s: "
        "they have 67 % of that in common."
    )
    read, said = table.notes
    assert said == apart
    assert read == (
        "Group 'Slow' has its own clock of 2 samples; its channels are read at the times of group 'Fast', "
        "by straight lines."
    )


def test_nothing_is_read_across_a_gap_or_beyond_an_end_and_words_hold(tmp_path: Path) -> None:
    """One second is the median step, so that ten at the beginning and seven at the end are gaps; their ends
    are samples. Base: every second from -1 to 21."""
    path = tmp_path / "log"
    own = [0.0, 10.0, 11.0, 12.0, 13.0, 20.0]
    line = [5.0 * at + 1.0 for at in own]
    at = [float(second) for second in range(-1, 22)]
    write(
        path,
        {
            "Base": {"time": at, "M": at},
            "Other": {"t": own, "Oil": line, "Case": ["a", "b", "c", "d", "e", "f"]},
        },
        {"time": "s", "t": "s"},
    )
    table = table_of(path)
    there = {0, 10, 11, 12, 13, 20}
    assert values_of(table, "Oil") == pytest.approx(
        [5.0 * second + 1.0 if second in there else NOTHING for second in at], nan_ok=True
    )
    assert "".join(word or "." for word in values_of(table, "Case")) == ".aaaaaaaaaabcdeeeeeeeff"


def test_three_median_steps_are_no_gap_yet_and_one_sample_is_its_moment_alone(tmp_path: Path) -> None:
    """Steps of one, one, three and one: between the second sample and the fifth second there is a line."""
    path = tmp_path / "log"
    base = {"time": [0.0, 1.0, 2.0, 3.0, 4.0, 5.0, 6.0], "M": [3.0] * 7}
    write(
        path, {"Base": base, "Other": {"t": [0.0, 1.0, 2.0, 5.0, 6.0], "Oil": [7.0, 9.0, 11.0, 17.0, 19.0]}}
    )
    assert values_of(table_of(path), "Oil") == pytest.approx([7.0, 9.0, 11.0, 13.0, 15.0, 17.0, 19.0])
    at = np.datetime64("2026-04-14T13:05:07")
    step, start = ({"wf_increment": 1.0, "wf_start_time": at + np.timedelta64(s, "s")} for s in (0, 2))
    with nptdms.TdmsWriter(str(path)) as writer:
        writer.write_segment(
            [
                nptdms.ChannelObject("Base", "M", np.array([3.0, 4.0, 6.0, 9.0]), properties=step),
                nptdms.ChannelObject("Once", "Oil", np.array([48.5]), properties=start),
            ]
        )
    table = table_of(path)
    assert values_of(table, "Oil") == pytest.approx([NOTHING, NOTHING, 48.5, NOTHING], nan_ok=True)
    assert values_of(table, "time") == [0.0, 1.0, 2.0, 3.0]


EQUALLY = "% of that in common. Both last equally long, so one clock may be"


@pytest.mark.parametrize(
    ("begin", "end", "told"),
    [
        (50.0, 150.0, None),
        (55.0, 150.0, None),  # 95 of 100 s
        (56.0, 150.0, "94 % of that in common."),
        (110.0, 212.0, f"40 {EQUALLY} 60 s off."),
        (110.0, 220.0, "40 % of that in common."),
        (3654.0, 3754.0, f"0 {EQUALLY} 3604 s off, whole hours: a time zone, or summer time."),
        (3655.0, 3755.0, f"0 {EQUALLY} 3605 s off."),
        (-7150.0, -7050.0, f"0 {EQUALLY} 7200 s off, whole hours: a time zone, or summer time."),
        (36_050.0, 36_150.0, f"0 {EQUALLY} 36000 s off, whole hours: a time zone, or summer time."),
    ],
)
def test_clocks_that_have_less_than_95_percent_in_common_are_told_with_their_times(
    begin: float, end: float, told: str | None, tmp_path: Path
) -> None:
    path = tmp_path / "log"
    base, other = np.arange(50.0, 151.0), np.linspace(begin, end, 41)
    write(path, {"A": {"time": base, "M": base}, "B": {"t": other, "Oil": other}}, {"time": "s", "t": "s"})
    times = f"from {begin:g} s to {end:g} s, and group 'A', which gives the clock, from 50 s to 150 s"
    said = f"Group 'B' runs {times}: they have {told}"
    assert table_of(path).clocks_apart == (() if told is None else (said,))


@pytest.mark.parametrize(("late", "told"), [(0, None), (3, "85")])
def test_seconds_of_a_short_recording_are_no_hours(late: int, told: str | None, tmp_path: Path) -> None:
    """Of twenty seconds three are lost; of four milliseconds none."""
    path = tmp_path / "log"
    base = np.arange(0.0, 21.0) if late else np.arange(0.0, 5.0) / 1000.0
    write(
        path,
        {"A": {"time": base, "M": base}, "B": {"t": base[::2] + late, "Oil": base[::2]}},
        {"time": "s", "t": "s"},
    )
    table = table_of(path)
    if told is None:
        assert table.clocks_apart == ()
        return
    (said,) = table.clocks_apart
    assert said.endswith(f"they have {told} {EQUALLY} 3 s off.")


def test_the_clock_is_that_of_most_samples_and_what_has_none_is_left_out_aloud(tmp_path: Path) -> None:
    """A group without clock may have more samples, or just as many: nothing tells when they were taken."""
    path = tmp_path / "log"
    run = {"time": [0.0, 0.5, 1.0, 1.5], "M": [3.0, 5.0, 6.0, 4.0]}
    write(path, {"Raw": {"x": [9.0, 8.0, 7.0, 6.0, 5.0]}, "Run": run, "Beside": {"y": [2.0, 1.0, 4.0, 3.0]}})
    table = table_of(path)
    assert [column.name for column in table.columns] == ["time", "M"]
    assert table.details == {"group": "Run"}
    left = "Group '{}' is left out: nothing tells its samples' times on the clock of '{}'."
    assert table.notes == (left.format("Beside", "Run"), left.format("Raw", "Run"))
    stated = table_of(path, group=" raw")
    assert values_of(stated, "x") == [9.0, 8.0, 7.0, 6.0, 5.0]
    assert stated.details == {"group": "Raw"}
    assert stated.notes == (left.format("Beside", "Raw"), left.format("Run", "Raw"))


def test_of_a_stated_group_with_two_clocks_the_longer_one_counts(tmp_path: Path) -> None:
    path = tmp_path / "log"
    slow, fast = {"wf_increment": 1.0}, {"wf_increment": 0.25}
    with nptdms.TdmsWriter(str(path)) as writer:
        writer.write_segment(
            [
                nptdms.ChannelObject("A", "Oil", np.array([40.0, 44.0]), properties=slow),
                nptdms.ChannelObject("A", "M", np.array([3.0, 5.0, 6.0, 4.0, 2.0]), properties=fast),
                nptdms.ChannelObject("B", "N", np.arange(2.0, 9.0), properties=fast),
            ]
        )
    table = table_of(path, group="A")
    assert values_of(table, "time") == [0.0, 0.25, 0.5, 0.75, 1.0]
    assert values_of(table, "Oil") == [40.0, 41.0, 42.0, 43.0, 44.0]
    assert values_of(table, "N") == [2.0, 3.0, 4.0, 5.0, 6.0]


def refusal(path: Path, **settings: str) -> str:
    """What a file is refused with, without its name."""
    with pytest.raises(ReadingError) as caught:
        table_of(path, **settings)
    (fault,) = caught.value.faults
    assert fault.place.file == str(path)
    return str(fault).removeprefix(f"{path}: ")


def test_groups_that_nothing_brings_together_are_refused_with_their_lengths(tmp_path: Path) -> None:
    path = tmp_path / "log"
    write(path, {"A": {"M": [1.5, 2.5, 3.5]}, "B": {"M": [9.0, 8.0, 7.0, 6.0]}})
    assert refusal(path) == (
        "the groups have no clock to bring them together, and several lengths: 'A' (3), 'B' (4). Mend: "
        'state in the rig\'s [file] which one to read: group = "B".'
    )
    assert refusal(path, group="C") == (
        "file.group: there is no group 'C', which the rig states. Mend: write one of 'A', 'B' in the rig's "
        "[file]."
    )
    write(path, {"A": {"M": [1.5, 2.5, 3.5]}, "B": {"M": [9.0, 8.0, 7.0], "N": [4.0, 5.0, 6.0]}})
    table = table_of(path)
    assert {column.name: column.values.tolist() for column in table.columns} == {
        "A/M": [1.5, 2.5, 3.5],
        "B/M": [9.0, 8.0, 7.0],
        "N": [4.0, 5.0, 6.0],
    }
    assert table.notes == ()


def test_a_file_without_samples_and_one_of_a_single_group_say_nothing_of_groups(tmp_path: Path) -> None:
    path = tmp_path / "log"
    with nptdms.TdmsWriter(str(path)) as writer:
        writer.write_segment([nptdms.ChannelObject(group, "M", np.empty(0)) for group in "AB"])
    assert refusal(path) == (
        "the file holds no channels with samples. Mend: check that the recording was saved."
    )
    write(path, {"A": {"M": [1.5, 2.5]}})
    assert (table_of(path).details, table_of(path).notes) == ({}, ())


PARTS = 12
TIMES = [0.1 * i for i in range(PARTS)]
LATER = [0.1 * i + 0.05 for i in range(PARTS)]
TORQUES = {
    "Torque LH [Nm]": [i + 0.5 for i in range(PARTS)],
    "Torque RH [Nm]": [2.0 * i for i in range(PARTS)],
}
SPEEDS = {name: [300.0 + i for i in range(PARTS)] for name in ("Speed LH [1/min]", "Speed RH [1/min]")}


@pytest.mark.parametrize(
    ("groups", "rows", "lengths"),
    [
        ({"A": {"Time [s]": TIMES, **TORQUES, **SPEEDS}}, 5, [4, 4, 4]),
        ({"A": {"Time [s]": TIMES, **TORQUES, **SPEEDS}}, 7, [6, 6]),
        ({"A": {"Time [s]": TIMES, **TORQUES}, "B": {"t": TIMES, **SPEEDS}}, 5, [4, 4, 4]),
        ({"A": {"Time [s]": TIMES, **TORQUES}, "B": {"t": LATER, **SPEEDS}}, 5, [12]),
        ({"A": {"Time [s]": TIMES, **TORQUES, **SPEEDS}, "B": {"x": [3.0, 4.0]}}, 5, [12]),
        ({"A": {"Time [s]": TIMES, **TORQUES, **SPEEDS}, "B": {"x": [3.0] * PARTS}}, 5, [4, 4, 4]),
    ],
)
def test_groups_of_one_clock_are_read_in_parts_and_others_whole(
    groups: Mapping[str, Channels],
    rows: int,
    lengths: list[int],
    tmp_path: Path,
    rig_of: Callable[..., Rig],
    sweep: Mapping[str, str],
) -> None:
    path = tmp_path / "log"
    write(path, groups, {"t": "s"})
    parts = list(read_parts(path, rig_of(sweep), kind="bias-sweep", rows=rows))
    assert [len(part) for part in parts] == lengths
    assert np.concatenate([part.rows for part in parts]).tolist() == list(range(1, PARTS + 1))
    assert np.concatenate([part.time for part in parts]) == pytest.approx(TIMES, abs=1e-12)
    torque = np.concatenate([part.channels["left_torque"] for part in parts])
    assert torque.tolist() == TORQUES["Torque LH [Nm]"]


def test_a_channel_without_any_number_is_told_at_the_end_of_the_last_part(
    tmp_path: Path, rig_of: Callable[..., Rig], sweep: Mapping[str, str]
) -> None:
    path = tmp_path / "log"
    write(path, {"A": {"Time [s]": TIMES, **TORQUES, **SPEEDS, "Torque LH [Nm]": [NOTHING] * PARTS}})
    found: list[Recording] = []
    with pytest.raises(ReadingError, match="left_torque has no number in any line"):
        found.extend(read_parts(path, rig_of(sweep), kind="bias-sweep", rows=5))
    assert [len(part) for part in found] == [4, 4]
