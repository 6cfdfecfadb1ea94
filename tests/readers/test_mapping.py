"""From raw columns to channels: names, units, time, words, and what each kind of run needs."""

from __future__ import annotations

import pickle

import numpy as np
import pytest
from edited import edited

from diffbench.errors import ReadingError
from diffbench.readers import recording_from

ROWS = ("0.00,1.5,2.5,580,565", "0.01,1.6,2.6,581,566", "0.02,1.7,2.7,582,567")
HEADER = "Time [s],Torque LH [Nm],Torque RH [Nm],Speed LH [1/min],Speed RH [1/min]"


def log(header: str = HEADER, times: tuple[str, ...] | None = None) -> str:
    """Return a short sweep, perhaps with other times."""
    rows = ROWS if times is None else [f"{time},1,2,580,565" for time in times]
    return "\n".join([header, *rows]) + "\n"


def test_half_of_a_run_asks_for_the_other_logger(read_sweep):
    """Torques without speeds, or the other way round: the columns are not misnamed, they are elsewhere."""
    for gone, asked in (("Speed", True), ("Speed LH", False)):
        with pytest.raises(ReadingError) as caught:
            read_sweep(log(edited(HEADER, gone, "Other")))
        assert ("another logger" in caught.value.faults[-1].mend) == asked


def test_gain_zero_and_sign_are_left_to_conditioning(read_sweep, sweep):
    rig = {**sweep, "left_torque": {"column": sweep["left_torque"], "gain": 2.0, "zero": "5 N.m", "sign": -1}}
    recording = read_sweep(log(), channels=rig)
    assert recording.channels["left_torque"].tolist() == [1.5, 1.6, 1.7]


def test_values_beyond_the_range_of_a_transducer_are_left_to_conditioning(read_sweep, sweep):
    rig = {**sweep, "left_torque": {"column": sweep["left_torque"], "range": ["0 N.m", "1.55 N.m"]}}
    assert read_sweep(log(), channels=rig).channels["left_torque"].tolist() == [1.5, 1.6, 1.7]


def test_each_sample_knows_its_line(read_sweep):
    recording = read_sweep("Cell 2\n\n" + log())
    assert recording.rows.tolist() == [4, 5, 6]


def test_columns_in_memory_stay_as_they_were_and_a_file_may_be_written_over(read_sweep, rig_of, sweep):
    """A clock that begins at a thousand milliseconds changes zero and unit, a torque its unit."""
    channels = {
        **sweep,
        "time": {"column": "Time", "unit": "ms"},
        "left_torque": {"column": "Torque LH", "unit": "kN.m"},
    }
    header = edited(HEADER.replace(" [s]", ""), "LH [Nm]", "LH")
    columns = dict.fromkeys(header.split(","), np.ones(3)) | {"Time": np.array([1000.0, 1010.0, 1030.0])}
    before = {name: values.copy() for name, values in columns.items()}
    apart = recording_from(columns, rig_of(channels), kind="bias-sweep", name="in memory")
    for name, values in before.items():
        np.testing.assert_array_equal(columns[name], values)
    over = read_sweep(log(header, ("1000", "1010", "1030")), channels=channels)
    for recording in (apart, over):
        np.testing.assert_allclose(recording.time, [0.0, 0.01, 0.03], rtol=1e-12)
        np.testing.assert_allclose(recording.channels["left_torque"], 1000.0, rtol=1e-12)


def test_a_recording_travels_between_processes(read_sweep):
    recording = read_sweep(log())
    copy = pickle.loads(pickle.dumps(recording))  # noqa: S301  our own bytes
    assert copy.source == recording.source
    np.testing.assert_array_equal(copy.channels["left_torque"], recording.channels["left_torque"])


@pytest.mark.parametrize(
    "named",
    ["Torque LH [Nm]", "torque  lh [nm]", "Torque LH", "TORQUE\u00a0LH", "Torque LH (N.m)", "Torque LH, Nm"],
)
def test_a_column_is_found_whatever_blanks_case_and_unit_the_rig_writes(read_sweep, sweep, named):
    recording = read_sweep(log(), channels={**sweep, "left_torque": named})
    assert recording.channels["left_torque"].tolist() == [1.5, 1.6, 1.7]


def test_the_name_as_written_goes_before_one_that_only_resembles_it(read_sweep, sweep):
    header = edited(HEADER, "Torque RH [Nm]", "torque lh [Nm]")
    recording = read_sweep(log(header), channels={**sweep, "right_torque": "torque lh [Nm]"})
    assert recording.channels["left_torque"].tolist() == [1.5, 1.6, 1.7]
    assert recording.channels["right_torque"].tolist() == [2.5, 2.6, 2.7]


@pytest.mark.parametrize(
    "name",
    [
        "M [kNm]",
        "M (kNm)",
        "M {kNm}",
        "M <kNm>",
        '"M, kNm"',
        "M / kNm",
        "M/kNm",
        "M_kNm",
        "M in kNm",
        "M [kN·m]",
    ],
)
def test_a_unit_in_the_name_is_read_in_every_habit(read_sweep, sweep, name):
    header = edited(HEADER, "Torque LH [Nm]", name)
    recording = read_sweep(log(header), channels={**sweep, "left_torque": "M"})
    # 1.6 * 1000 is one rounding away from 1600.
    np.testing.assert_allclose(recording.channels["left_torque"], [1500, 1600, 1700], rtol=3e-16)


@pytest.mark.parametrize("written", ["torque_in", "Torque (left)", "M/R", "torque_h"])
def test_words_that_resemble_a_unit_are_none(read_sweep, sweep, written):
    header = edited(HEADER, "Torque LH [Nm]", written)
    rig = {**sweep, "left_torque": {"column": written, "unit": "N.m"}}
    assert read_sweep(log(header), channels=rig).channels["left_torque"].tolist() == [1.5, 1.6, 1.7]


def test_the_same_unit_in_two_spellings_is_no_conflict(read_sweep, sweep):
    rig = {**sweep, "left_torque": {"column": "Torque LH [N·m]", "unit": "N.m"}}
    assert read_sweep(log(), channels=rig).source.details["unit of left_torque"] == "N.m"


@pytest.mark.parametrize(
    ("header", "times", "seconds"),
    [
        ("Time [s]", ("5.0", "5.01", "5.5"), (0.0, 0.01, 0.5)),
        ("Time [ms]", ("100", "110", "120"), (0.0, 0.01, 0.02)),
        ("Time (min)", ("1.0", "1.5", "2.0"), (0.0, 30.0, 60.0)),
        ("Time", ("0", "0.01", "0.02"), (0.0, 0.01, 0.02)),
        ("Clock", ("13:05:07.25", "13:05:07.26", "13:05:08"), (0.0, 0.01, 0.75)),
        ("Clock", ("23:59:59.5", "00:00:00", "00:00:00.5"), (0.0, 0.5, 1.0)),
        ("Clock", ("13:05", "13:06", "13:08"), (0.0, 60.0, 180.0)),
        ("Clock [hh:mm:ss]", ("9:59:59", "10:00:00", "10:00:01"), (0.0, 1.0, 2.0)),
        (
            "When",
            ("2026-04-14T13:05:07.25", "2026-04-14T13:05:07.26", "2026-04-14T13:05:08"),
            (0, 0.01, 0.75),
        ),
        ("When", ("2026-12-31 23:59:59.5", "2027-01-01 00:00:00", "2027-01-01 00:00:01"), (0, 0.5, 1.5)),
        # Summer time begins between the first two: the zones say so, and nothing jumps.
        (
            "When",
            ("2026-03-29T01:59:59+01:00", "2026-03-29T03:00:00+02:00", "2026-03-29T01:00:01Z"),
            (0, 1, 2),
        ),
    ],
)
def test_time_comes_in_seconds_from_zero(read_sweep, sweep, header, times, seconds):
    content = log(edited(HEADER, "Time [s]", header), times)
    recording = read_sweep(content, channels={**sweep, "time": header})
    # 2e-11 s: times of day near 9e4 s are doubles 1.5e-11 s apart.
    np.testing.assert_allclose(recording.time, seconds, atol=2e-11)
    assert recording.time[0] == 0.0


def test_a_clock_with_a_decimal_comma(read_sweep, sweep):
    content = log().replace(",", ";").replace(".", ",").replace("\n0,0", "\n13:05:00,0")
    assert read_sweep(content).time.tolist() == pytest.approx([0.0, 0.01, 0.02], abs=2e-11)


def test_time_without_a_unit_is_seconds_and_says_so(read_sweep, sweep):
    recording = read_sweep(log(edited(HEADER, "Time [s]", "Time")), channels={**sweep, "time": "Time"})
    assert "The time has no unit and is taken as seconds." in recording.notes


def test_gaps_in_time_are_left_as_they_are(read_sweep):
    assert read_sweep(log(times=("0", "0.01", "7.5"))).time.tolist() == [0.0, 0.01, 7.5]


def test_the_rigs_sample_rate_is_the_clock_of_a_file_without_one(read_sweep, sweep):
    rig = {name: column for name, column in sweep.items() if name != "time"}
    recording = read_sweep(log(), channels=rig, file={"sample_rate": "200 Hz"})
    assert recording.time.tolist() == [0.0, 0.005, 0.01]
    assert "200 Hz" in recording.notes[0]


def test_a_temperature_that_was_not_recorded_is_noted(read_sweep, sweep):
    content = "\n".join([HEADER + ",Oil [°C]", *(row + "," for row in ROWS)])
    recording = read_sweep(content, channels={**sweep, "oil_temperature": "Oil"})
    assert np.isnan(recording.channels["oil_temperature"]).all()
    assert "Column 'Oil [°C]' (oil_temperature) has no number in any line." in recording.notes


HAND = {
    "turning_torque": "Wrench [lbf.ft]",
    "arrangement": {
        "column": "Set-up",
        "values": {
            "other held, case free": "output-turned-case-free",
            "case held": "output-turned-case-held",
        },
    },
    "direction": "Turned",
    "reading": "Kind",
}
HAND_LOG = (
    "Set-up,Turned,Kind,Wrench [lbf.ft]\n"
    '"Other held, case free",forward,breakaway,40\n'
    "case held,Backward,running,100\n"
)


def test_hand_readings_bring_their_words_and_no_clock(read_sweep):
    recording = read_sweep(
        HAND_LOG, kind="turning-torque", channels=HAND, arrangement="output-turned-case-free"
    )
    assert recording.labels == {
        "arrangement": ("output-turned-case-free", "output-turned-case-held"),
        "direction": ("forward", "backward"),
        "reading": ("breakaway", "running"),
    }
    # 1 lbf.ft = 0.45359237 * 9.80665 * 0.3048 N.m exactly (NIST SP 811, 2008, appendix B; from memory).
    np.testing.assert_allclose(recording.channels["turning_torque"], [54.23271793, 135.5817948], rtol=1e-9)
    assert recording.time.tolist() == [0.0, 1.0]
    assert any("no clock" in note for note in recording.notes)


def test_a_single_hand_reading_is_a_recording(read_sweep):
    content = "".join(HAND_LOG.splitlines(keepends=True)[:2])
    recording = read_sweep(
        content, kind="turning-torque", channels=HAND, arrangement="output-turned-case-free"
    )
    assert len(recording) == 1


def test_rows_of_marks_alone_part_groups_of_hand_readings(read_sweep):
    """As spreadsheets save an empty row; lines count on, and an odd cell is told where it stands."""
    first, one, other = HAND_LOG.splitlines()
    content = "\n".join([first, ",,,", one, ",,,", " , ,,", other, ",,,"]) + "\n"
    options = {"kind": "turning-torque", "channels": HAND, "arrangement": "output-turned-case-free"}
    recording = read_sweep(content, **options)
    assert recording.rows.tolist() == [3, 6]
    assert recording.labels["reading"] == ("breakaway", "running")
    np.testing.assert_allclose(recording.channels["turning_torque"], [54.23271793, 135.5817948], rtol=1e-9)
    with pytest.raises(ReadingError) as caught:
        read_sweep(edited(content, "100", "slips"), **options)
    assert {(fault.place.line, "slips" in fault.what) for fault in caught.value.faults} == {(6, True)}


def test_numbers_may_stand_for_words(read_sweep):
    rig = {**HAND, "direction": {"column": "Turned", "values": {"1": "forward", "-1": "backward"}}}
    content = edited(edited(HAND_LOG, "forward", "1"), "Backward", "-1")
    recording = read_sweep(
        content, kind="turning-torque", channels=rig, arrangement="output-turned-case-free"
    )
    assert recording.labels["direction"] == ("forward", "backward")


@pytest.mark.parametrize(
    ("word", "what"), [("sideways", "'sideways' is no known direction"), ("", "no direction")]
)
def test_a_word_that_nobody_knows_is_refused_with_the_known_ones(read_sweep, word, what):
    with pytest.raises(ReadingError) as caught:
        read_sweep(
            edited(HAND_LOG, "Backward", word),
            kind="turning-torque",
            channels=HAND,
            arrangement="output-turned-case-free",
        )
    (fault,) = caught.value.faults
    assert what in fault.what
    assert (fault.place.line, fault.place.column) == (3, "Turned")
    assert "'forward', 'backward'" in fault.mend
    # which one it is, nobody guesses: pasted as it stands, the line is refused
    assert ("?" in fault.mend) == bool(word)
    assert '= "forward"' not in fault.mend


def test_hand_readings_on_a_rig_for_sweeps_need_only_their_own_columns(read_sweep, sweep):
    rig = {**{name: c for name, c in sweep.items() if name != "time"}, **HAND}
    recording = read_sweep(HAND_LOG, kind="turning-torque", channels=rig, file={"sample_rate": "100 Hz"})
    assert set(recording.channels) == {"turning_torque"}


def test_a_sweep_needs_none_of_the_hand_readings_columns(read_sweep, sweep):
    recording = read_sweep(log(), channels={**sweep, **HAND})
    assert set(recording.channels) == {"left_torque", "right_torque", "left_speed", "right_speed"}
    assert recording.labels == {}


def test_hand_readings_without_a_turning_torque_are_refused(read_sweep, sweep):
    with pytest.raises(ReadingError, match="the rig describes no turning_torque"):
        read_sweep(log(), kind="turning-torque", channels=sweep)


def faults_of(read_sweep, content, **rig):
    """Line, column, words and mend of each fault."""
    with pytest.raises(ReadingError) as caught:
        read_sweep(content, **rig)
    return [(one.place.line, one.place.column, one.what, one.mend) for one in caught.value.faults]


OIL_A = ("50", "52", "", "1e30", "")
OIL_B = ("122", "131", "140", "149", "")


@pytest.mark.parametrize(
    ("first", "second"), [("Oil A [degC]", "Oil B [degF]"), ("Oil B [degF]", "Oil A [degC]")]
)
def test_a_temperature_of_two_columns_is_the_mean_of_those_that_read(read_sweep, sweep, first, second):
    """122, 131, 140 and 149 °F are 50, 55, 60 and 65 °C; an overload is no reading. Where both read they are
    0 and 3 K apart."""
    content = "\n".join(
        [
            f"{HEADER},Oil A [degC],Oil B [degF]",
            *(
                f"{0.01 * i:.2f},1.5,2.5,580,565,{a},{b}"
                for i, (a, b) in enumerate(zip(OIL_A, OIL_B, strict=True))
            ),
            "",
        ]
    )
    recording = read_sweep(
        content, channels={**sweep, "oil_temperature": {"column": first, "also": [second]}}
    )
    np.testing.assert_allclose(
        recording.channels["oil_temperature"], [50.0, 53.5, 60.0, 65.0, np.nan], rtol=1e-12
    )
    (note,) = recording.notes
    assert note == (
        f"oil_temperature is the mean of '{first}', '{second}'; they are 1.5 K apart in the median: "
        "its u_zero should cover half of that."
    )


def test_columns_of_a_mean_that_never_read_together_are_not_compared(read_sweep, sweep):
    oil = ("50,", ",54", "51,")
    content = "\n".join([f"{HEADER},A [degC],B [degC]", *map(",".join, zip(ROWS, oil, strict=True)), ""])
    rig = {**sweep, "oil_temperature": {"column": "A", "also": ["B"]}}
    recording = read_sweep(content, channels=rig)
    assert recording.channels["oil_temperature"].tolist() == [50.0, 54.0, 51.0]
    assert recording.notes == ()


def test_a_column_of_a_mean_that_is_missing_without_unit_or_no_numbers_is_told(read_sweep, sweep):
    content = "\n".join([f"{HEADER},A [degC],B,C", *(f"{row},50,52,warm" for row in ROWS)])

    def told(*also):
        rig = {**sweep, "oil_temperature": {"column": "A", "also": list(also)}}
        return [fault[1:3] for fault in faults_of(read_sweep, content, channels=rig)]

    assert told("B") == [("B", "nothing says the unit of oil_temperature, neither the rig nor the file")]
    assert told("D") == [(None, "there is no column 'D', which the rig names for oil_temperature")]
    words = [("C", "'warm' is no number, and oil_temperature holds numbers")] * 3
    assert told("C") == words
    assert told("C", "B")[:3] == words


def test_a_force_at_an_arm_is_a_torque(read_sweep, sweep):
    """100 N at 0.4 m."""
    content = log(edited(HEADER, "Torque LH [Nm]", "Force [N]"))
    rig = {**sweep, "left_torque": {"column": "Force", "arm": "0.4 m"}}
    np.testing.assert_allclose(read_sweep(content, channels=rig).channels["left_torque"], [0.6, 0.64, 0.68])


def test_an_overload_is_missing_wherever_it_stands_in_a_long_recording(rig_of, sweep):
    """The first sample, one in the middle and the last of seventy thousand, from above and from below."""
    count = 70_000
    values = np.full(count, 5.5)
    values[[0, 40_000, count - 1]] = [1e31, -1e30, 1e30]
    columns = {name: np.full(count, 2.5) for name in sweep.values()}
    columns |= {sweep["time"]: 0.01 * np.arange(count), sweep["left_torque"]: values}
    recording = recording_from(columns, rig_of(sweep), kind="bias-sweep", name="in memory")
    missing = np.flatnonzero(np.isnan(recording.channels["left_torque"]))
    assert missing.tolist() == [0, 40_000, count - 1]
    (note,) = recording.notes
    assert note == (
        "Column 'Torque LH [Nm]': 3 values are infinite or beyond 1e30, the first in line 1: a logger's mark "
        "for overload, taken as missing."
    )


@pytest.mark.parametrize(
    ("count", "named", "more"),
    [
        (1, 1, None),
        (3, 3, None),
        (4, 3, "1 more cells are no numbers"),
        (6, 3, "3 more cells are no numbers"),
    ],
)
def test_cells_that_are_no_numbers_are_named_up_to_three_and_counted(read_sweep, count, named, more):
    """Alone in their column, or beside numbers."""
    for rows in (count, 20):
        lines = [f"{0.01 * i:.2f},{f'x{i}' if i < count else 1},2.5,580,565" for i in range(max(rows, 2))]
        told = faults_of(read_sweep, "\n".join([HEADER, *lines]) + "\n")
        mend = "repair the cell, or leave it empty where there is no value"
        column = "Torque LH [Nm]"
        expected = [
            (i + 2, column, f"'x{i}' is no number, and left_torque holds numbers", mend) for i in range(named)
        ]
        rest = [] if more is None else [(None, column, more, "repair them, or name another column")]
        assert told == [*expected, *rest]


def test_a_cell_with_the_other_decimal_mark_says_so_in_its_mend(read_sweep):
    content = edited(log(), "2.6", '"2,6"')
    ((_, _, what, mend),) = faults_of(read_sweep, content)
    assert what == "'2,6' is no number, and right_torque holds numbers"
    assert mend == (
        "repair the cell, or leave it empty where there is no value; if the whole file has this decimal "
        "mark, state decimal in the rig's [file]"
    )


def test_what_is_absent_is_told_at_once_and_the_file_s_columns_once(read_sweep):
    """Three of five columns are called otherwise; the list stands behind the last of them."""
    header = "Time [s],A [Nm],B [Nm],C [rpm],Speed RH [1/min]"
    told = faults_of(read_sweep, log(header))
    assert [what for _, _, what, _ in told] == [
        f"there is no column '{column}', which the rig names for {channel}"
        for column, channel in (
            ("Torque LH [Nm]", "left_torque"),
            ("Torque RH [Nm]", "right_torque"),
            ("Speed LH [1/min]", "left_speed"),
        )
    ]
    listed = "; the file has 'Time [s]', 'A [Nm]', 'B [Nm]', 'C [rpm]', 'Speed RH [1/min]'"
    assert [listed in mend for *_, mend in told] == [False, False, True]
    assert told[-1][3].endswith("must stand in the same file, by its time")


@pytest.mark.parametrize(
    ("count", "more"),
    [(5, None), (6, "1 more texts are no known direction"), (8, "3 more texts are no known")],
)
def test_words_that_nobody_knows_are_named_up_to_five_at_their_first_line(read_sweep, count, more):
    lines = [f"case held,w{i % count},running,100" for i in range(2 * count)]
    content = "\n".join(["Set-up,Turned,Kind,Wrench [lbf.ft]", *lines]) + "\n"
    told = faults_of(
        read_sweep, content, kind="turning-torque", channels=HAND, arrangement="output-turned-case-free"
    )
    assert [(line, what) for line, _, what, _ in told[:5]] == [
        (i + 2, f"'w{i}' is no known direction") for i in range(5)
    ]
    assert len(told) == 5 + (more is not None)
    if more is not None:
        line, column, what, mend = told[5]
        assert (line, column, mend) == (None, "Turned", "write one of 'forward', 'backward'")
        assert what.startswith(more)


def test_columns_in_memory_are_one_value_a_sample_and_some(rig_of, sweep):
    def told(**columns):
        given = {name: np.array([0.0, 0.01, 0.03]) for name in sweep.values()} | columns
        with pytest.raises(ReadingError) as caught:
            recording_from(given, rig_of(sweep), kind="bias-sweep", name="in memory")
        return [(one.place.line, one.place.column, one.what) for one in caught.value.faults]

    torque = sweep["left_torque"]
    assert told(**{torque: np.ones(2)}) == [
        (None, None, "the columns are of different lengths: 'Speed RH [1/min]' has 3, 'Torque LH [Nm]' has 2")
    ]
    assert told(**{torque: np.ones((3, 2))}) == [
        (None, torque, "the values are of type float64, shape (3, 2)")
    ]
    nothing = dict.fromkeys(sweep.values(), np.empty(0))
    assert told(**nothing) == [(None, None, "there are no rows of numbers")]
    once = {name: np.array([0.5]) for name in sweep.values()}
    assert told(**once) == [(1, None, "one row of numbers is no recording")]
    assert recording_from(
        {name: np.array([0.0, 0.01]) for name in sweep.values()}, rig_of(sweep), kind="tare", name="two"
    ).rows.tolist() == [1, 2]


def test_missing_values_in_memory_are_missing_however_they_are_marked(rig_of, sweep):
    """A mask, None among numbers, and a data frame's own mark; words stay words, to be refused."""
    import pandas as pd

    plain = {name: np.array([0.0, 0.01, 0.03]) for name in sweep.values()}
    torque = sweep["left_torque"]
    for given in (
        np.ma.array([1.5, 2.5, 3.5], mask=[False, True, False]),
        np.ma.array([2, 5, 7], mask=[False, True, False]),
        np.array([1.5, None, 3.5], dtype=object),
        pd.array([1.5, None, 3.5], dtype="Float64"),
    ):
        recording = recording_from({**plain, torque: given}, rig_of(sweep), kind="tare", name="in memory")
        assert np.isnan(recording.channels["left_torque"]).tolist() == [False, True, False]
    words = np.array(["a", None, "b"], dtype=object)
    with pytest.raises(ReadingError, match="'a' is no number, and left_torque holds numbers"):
        recording_from({**plain, torque: words}, rig_of(sweep), kind="tare", name="in memory")


def test_the_digest_of_columns_in_memory_is_of_names_and_values(rig_of, sweep):
    """By the standard library: of each column its name, the count of its bytes and they."""
    import hashlib

    columns = {name: np.array([0.0, 0.01, 0.03]) for name in sweep.values()}
    columns["Case"] = np.array(["held", "free", "held"], dtype=object)
    recording = recording_from(columns, rig_of(sweep), kind="tare", name="in memory")
    digest, size = hashlib.sha256(), 0
    for name, values in columns.items():
        data = b"held\nfree\nheld" if name == "Case" else values.astype("<f8").tobytes()
        digest.update(f"{name}\n{len(data)}\n".encode() + data)
        size += len(data)
    assert (recording.source.sha256, recording.source.size) == (digest.hexdigest(), size)


# Which column, in which unit


def test_many_columns_are_listed_up_to_thirty(read_sweep, sweep):
    """With the five of a sweep 30, 31 and 33 columns; the nearest three names are offered."""
    for count, more in ((30, ""), (31, " and 1 more"), (33, " and 3 more")):
        others = [f"Extra {i}" for i in range(count - 5)]
        content = "\n".join([",".join([HEADER, *others]), *(row + ",9" * len(others) for row in ROWS), ""])
        ((_, _, what, mend),) = faults_of(
            read_sweep, content, channels={**sweep, "oil_temperature": "Torque XH"}
        )
        assert what == "there is no column 'Torque XH', which the rig names for oil_temperature"
        listed = ", ".join(f"'{name}'" for name in [*HEADER.split(","), *others][:30])
        assert mend == (
            "write the column's name into the rig as it stands in the file, perhaps 'Torque RH [Nm]', "
            f"'Torque LH [Nm]'; the file has {listed}{more}"
        )


def test_three_names_at_most_are_offered(read_sweep, sweep):
    header = "Time [s],Oil 1 [C],Oil 2 [C],Oil 3 [C],Oil 4 [C]"
    told = faults_of(read_sweep, log(header), channels={**sweep, "oil_temperature": "Oil 5 [C]"})
    offered = next(mend for _, _, what, mend in told if "oil_temperature" in what)
    assert offered.count("'Oil ") - offered.partition("; the file has")[2].count("'Oil ") == 3


ARM = 'a force at a lever arm needs it stated: arm = "0.5 m" under [channel.left_torque]; '
WHEEL = (
    "a wheel speed written as a road speed needs the radius that the wheel on the roller has: rolling_radius "
    '= "305 mm", or whatever it is, under [channel.left_speed]; '
)


@pytest.mark.parametrize(
    ("name", "channel", "said", "hint"),
    [
        ("left_torque", {"column": "F [N]"}, "'N' is a force, a torque is wanted", ARM),
        ("left_torque", {"column": "F [mm]"}, "'mm' is a length, a torque is wanted", ""),
        ("left_torque", {"column": "F [Nm]", "arm": "0.4 m"}, "'Nm' is a torque, a force is wanted",
         "leave arm out where the column is a torque already; "),
        ("left_torque", {"column": "F [mm]", "arm": "0.4 m"}, "'mm' is a length, a force is wanted",
         "leave arm out where the column is a torque already; "),
        ("left_speed", {"column": "F [km/h]"}, "'km/h' is a speed, an angular speed is wanted", WHEEL),
        ("left_speed", {"column": "F [mm]"}, "'mm' is a length, an angular speed is wanted", ""),
        ("left_speed", {"column": "F [rpm]", "rolling_radius": "305 mm"},
         "'rpm' is an angular speed, a speed is wanted",
         "leave rolling_radius out where the column is the wheel's own speed; "),
        ("left_speed", {"column": "F [mm]", "rolling_radius": "305 mm"},
         "'mm' is a length, a speed is wanted", ""),
        ("oil_temperature", {"column": "F [N]"}, "'N' is a force, a temperature is wanted", ""),
    ],
)  # fmt: skip
def test_a_unit_that_cannot_be_is_told_with_what_else_it_may_mean(
    read_sweep, sweep, name, channel, said, hint
):
    content = log("Time [s],Torque LH [Nm],Torque RH [Nm],Speed LH [1/min],Speed RH [1/min]")
    old = {"left_torque": "Torque LH [Nm]", "left_speed": "Speed LH [1/min]"}.get(name, "Torque LH [Nm]")
    content = edited(content, old, channel["column"])
    rig = {**sweep, name: channel}
    if name == "oil_temperature":
        rig["left_torque"] = {"column": channel["column"], "arm": "0.4 m"}
        cells = ("G [N]", "5", "6", "7")
        content = "\n".join(map(",".join, zip(content.splitlines(), cells, strict=True)))
        rig[name] = {"column": "G [N]"}
    told = faults_of(read_sweep, content, channels=rig)
    what, mend = told[-1][2], told[-1][3]
    assert what.startswith("the column's name in the rig has a unit that cannot be: ")
    assert said in what
    assert mend.startswith(f"name the right column for {name}, or correct the unit; {hint}")
    rest = mend.removeprefix(f"name the right column for {name}, or correct the unit; {hint}")
    assert not rest.startswith(("a force", "leave", "a wheel"))


def test_a_display_of_mass_or_of_frequency_stands_for_the_rig_s_unit(read_sweep, sweep):
    """A load cell that shows kilograms and gives newtons at 0.4 m; a counter of teeth that gives turns."""
    content = log(edited(edited(HEADER, "Torque LH [Nm]", "F [kg]"), "Speed LH [1/min]", "n [Hz]"))
    rig = {
        **sweep,
        "left_torque": {"column": "F", "unit": "N", "arm": "0.4 m"},
        "left_speed": {"column": "n", "unit": "rpm"},
    }
    recording = read_sweep(content, channels=rig)
    np.testing.assert_allclose(recording.channels["left_torque"], [0.6, 0.64, 0.68])
    np.testing.assert_allclose(recording.channels["left_speed"], np.array([580, 581, 582]) * np.pi / 30.0)
    # where the rig says nothing, the display is what it is
    ((*_, what, _),) = faults_of(read_sweep, content, channels={**rig, "left_speed": "n"})
    assert what.startswith("the column's name has a unit that cannot be: 'Hz' ")


@pytest.mark.parametrize(
    ("units", "read"),
    [
        ("s;Nm;x;y", True),  # two of four that say something
        ("s;x;y;z", False),
        ("s;x;;-", True),  # one of two
        ("1;Nm;-;", True),
        ("V;bar;x;y", True),  # units that nothing here is read in
        ("s;Nm;x;y;z", False),
    ],
)
def test_a_row_is_one_of_units_where_half_of_what_it_says_are(read_text, units, read):
    width = units.count(";") + 1
    names = ";".join(f"c{i}" for i in range(width))
    table = read_text("\n".join([names, units, *(";".join(["1,5"] * width) for _ in range(3)), ""]))
    wanted = names if read else units
    assert [column.name for column in table.columns if column.name] == [n for n in wanted.split(";") if n]


def test_a_unit_in_words_that_is_none_is_asked_for_with_the_known_ones(read_sweep, sweep):
    """A word in brackets may be no unit at all: then it is the unit that is missing."""
    content = log(edited(HEADER, "Torque LH [Nm]", "Torque [left]"))
    ((line, column, what, mend),) = faults_of(
        read_sweep, content, channels={**sweep, "left_torque": "Torque"}
    )
    assert (line, column) == (None, "Torque [left]")
    assert what.startswith("'left' is no known unit of a torque")
    assert "N.m" in mend
