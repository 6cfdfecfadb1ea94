"""One bad file per rule: the error names the line, the column and the mend, and nothing is read."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import pytest
from edited import edited

from diffbench.errors import ReadingError

HEADER = "Time [s],Torque LH [Nm],Torque RH [Nm],Speed LH [1/min],Speed RH [1/min]"
ROWS = ("0.00,1.5,2.5,580,565", "0.01,1.6,2.6,581,566", "0.02,1.7,2.7,582,567", "0.03,1.8,2.8,583,568")


def good(*, header: str = HEADER, **changed: str) -> str:
    """Return a good sweep, rows changed by their line number: ``line_3="..."``."""
    lines = [header, *ROWS]
    for line, text in changed.items():
        lines[int(line.removeprefix("line_")) - 1] = text
    return "\n".join(lines) + "\n"


@dataclass(frozen=True)
class Bad:
    """A bad file, and what its error must say."""

    name: str
    content: str | bytes
    what: str
    line: int | None = None
    column: str | None = None
    mend: str = ""
    channels: dict[str, Any] = field(default_factory=dict)  # changes of the rig
    file: dict[str, Any] = field(default_factory=dict)
    without: tuple[str, ...] = ()  # channels taken out of the rig


BAD = (
    Bad("empty file", b"", "the file is empty", mend="record it again"),
    Bad("only blank lines", b"\n \r\n\n", "the file is empty"),
    Bad("only a byte-order mark", b"\xef\xbb\xbf", "the file is empty"),
    Bad("header only", HEADER + "\n", "no row of numbers was found", mend="saved with its samples"),
    Bad("prose", "The bench was warmed up.\nNothing was recorded.\n", "no row of numbers was found"),
    Bad("one row only", f"{HEADER}\n{ROWS[0]}\n", "one row of numbers is no recording", line=2),
    Bad("binary file", bytes(range(256)) * 8, "the file is binary", mend="export it"),
    Bad("damaged archive", b"PK\x03\x04\x14\x00\x06\x00" + bytes(400), "no ZIP that can be read"),
    Bad("damaged HDF5", b"\x89HDF\r\n\x1a\n" + bytes(400), "no HDF5 that can be read", mend="copy it"),
    Bad("zero bytes in a line", good(line_4="0.02,1.7,\0\0\0,582,567"), "zero bytes", line=4, mend="cut"),
    Bad("zero bytes to the end", good().encode() + bytes(3), "zero bytes", line=6),
    Bad("a short row", good(line_3="0.01,1.6,2.6,581"), "4 cells where the table has 5", line=3),
    Bad("a short first row", good(line_2="0.00,1.5"), "2 cells where the table has 5", line=2),
    Bad("a long row", good(line_4="0.02,1.7,2.7,582,567,99"), "6 cells where the table has 5", line=4),
    Bad("a long first row", good(line_2="0.00,1.5,2.5,580,565,9"), "6 cells where the table has 5", line=2),
    Bad("a long last row", good(line_5="0.03,1.8,2.8,583,568,9"), "6 cells where the table has 5", line=5),
    Bad(
        "an empty cell too many",
        good(line_3="0.01,1.6,2.6,581,566,"),
        "6 cells where the table has 5",
        line=3,
    ),
    Bad(
        "a cell behind the delimiter that ends every row",
        "t;M\n" + "".join(f"{i};1,5;\n" for i in range(3000)) + "3000;2;9\n",
        "3 cells where the table has 2: '3000;2;9'",
        line=3002,
    ),
    Bad(
        "a short row that ends in a column of words",
        "t;M;gear\n0;1,5;in\n1;2\n2;2;\n",
        "2 cells where the table has 3: '1;2'",
        line=3,
    ),
    Bad("a quote left open", good(line_3='0.01,1.6,2.6,581,"566'), "'\"566' is no number", line=3),
    Bad(
        "a control character in a number",
        good(line_3="0.01,1.6E\v+01,2.6,581,566"),
        "the line holds control characters",
        line=3,
    ),
    Bad("a footer", good() + "End of test\n", "1 cell where the table has 5: 'End of test'", line=6),
    Bad(
        "words in a number column",
        good(line_4="0.02,1.7,error,582,567"),
        "'error' is no number, and right_torque holds numbers",
        line=4,
        column="Torque RH [Nm]",
        mend="repair the cell",
    ),
    Bad(
        "words in the first row",
        good(line_2="0.00,OVERLOAD,2.5,580,565"),
        "'OVERLOAD' is no number",
        line=2,
        column="Torque LH [Nm]",
    ),
    Bad(
        "a formula in a cell",
        good(line_4="0.02,=SUM(B2:B3),2.7,582,567"),
        "'=SUM(B2:B3)' is no number",
        line=4,
        column="Torque LH [Nm]",
    ),
    Bad(
        "another decimal mark",
        good(line_4='0.02,1.7,"2,7",582,567'),
        "'2,7' is no number",
        line=4,
        column="Torque RH [Nm]",
        mend="state decimal",
    ),
    Bad("a footer with a number", good() + "end,0.04\n", "2 cells where the table has 5: 'end,0.04'", line=6),
    Bad("words among the rows", good(line_4="paused,by,the,operator,today"), "words stand among", line=4),
    Bad("the header again", good(line_4=HEADER), "words stand among", line=4, mend="skip_rows"),
    Bad(
        "the header again, far down",
        good() + "".join(f"{i},1,2,580,565\n" for i in range(1, 5000)) + HEADER + "\n0,1,2,3,4\n",
        "the header comes again",
        line=5005,
        mend="split the file",
    ),
    Bad(
        "names missing in the header",
        good(header="Time [s],Torque LH [Nm],Torque RH [Nm],Speed LH [1/min]"),
        "the header has 4 names, but line 2 has 5 cells",
        line=1,
    ),
    Bad(
        "bytes that are no UTF-8",
        good(line_3="0.01,1.6,2.6,581,566\xe9").encode("latin-1"),
        "byte 0xE9 is no text in the encoding utf-8",
        line=3,
        file={"encoding": "utf-8"},
    ),
    Bad(
        "bytes that are no code page",
        good(line_3="0.01,1.6,2.6,581,566").encode() + b"\x81\n",
        "byte 0x81 is no text in the encoding cp1252",
        line=6,
    ),
    Bad(
        "a mark against the rig",
        good().encode("utf-8-sig"),
        "the file has the mark of utf-8",
        line=1,
        file={"encoding": "cp1252"},
    ),
    Bad(
        "a mark that decimals and thousands share",
        "t;M\n1.234;5.678\n2.345;6.789\n",
        "'.' in '1.234' can be a decimal mark or stand between thousands",
        line=2,
        mend='decimal = "."',
    ),
    Bad("a line without end", "t,M\n" + "1," * 700_000, "characters long", line=2, mend="one sample a line"),
    Bad(
        "another delimiter than the rig's",
        good(),
        "no row of numbers",
        mend="delimiter",
        file={"delimiter": ";"},
    ),
    Bad(
        "a missing column",
        good(header=edited(HEADER, "Torque RH", "Torque R")),
        "there is no column 'Torque RH [Nm]', which the rig names for right_torque",
        line=1,
        mend="perhaps 'Torque R [Nm]', 'Torque LH [Nm]'",
    ),
    Bad(
        "no header",
        "\n".join(ROWS),
        "there is no column 'Time [s]'",
    ),
    Bad(
        "a header above the lines that the rig skips",
        good(),
        "there is no column 'Speed RH [1/min]'",
        mend="the file has 5 columns and no header",
        file={"skip_rows": 1},
    ),
    Bad(
        "two columns of one name",
        good(header=edited(HEADER, "Torque RH", "Torque LH")),
        "'Torque LH [Nm]' and 'Torque LH [Nm]' can all be the left_torque",
        line=1,
        column="Torque LH [Nm]",
    ),
    Bad(
        "one column for two channels",
        good(),
        "the rig takes it for left_torque and for right_torque",
        column="Torque LH [Nm]",
        channels={"right_torque": "torque lh"},
    ),
    Bad(
        "no unit anywhere",
        good(header=edited(HEADER, "Torque LH [Nm]", "Torque LH")),
        "nothing says the unit of left_torque",
        column="Torque LH",
        mend='unit = "N.m" under [channel.left_torque]',
        channels={"left_torque": "Torque LH"},
    ),
    Bad(
        "no unit of a speed",
        good(header=edited(HEADER, "Speed LH [1/min]", "Speed LH")),
        "nothing says the unit of left_speed",
        column="Speed LH",
        mend='unit = "rpm"',
        channels={"left_speed": "Speed LH"},
    ),
    Bad(
        "another unit of the same kind",
        good(),
        "the rig's unit says 'lbf.ft', the column's name says 'Nm'",
        column="Torque LH [Nm]",
        mend="one of them is wrong",
        channels={"left_torque": {"column": "Torque LH", "unit": "lbf.ft"}},
    ),
    Bad(
        "another unit in the rig's own column name",
        good(),
        "the column's name in the rig says 'lbf.ft', the column's name says 'Nm'",
        column="Torque LH [Nm]",
        channels={"left_torque": "Torque LH [lbf.ft]"},
    ),
    Bad(
        "another unit in the row of units",
        "t;TL [Nm];TR;nL;nR\ns;kNm;Nm;rpm;rpm\n0;1,5;2;580;565\n0,1;1,5;2;580;565\n",
        "the row of units says 'kNm', the column's name says 'Nm'",
        column="TL [Nm]",
        channels={
            "time": "t",
            "left_torque": "TL",
            "right_torque": "TR",
            "left_speed": "nL",
            "right_speed": "nR",
        },
    ),
    Bad(
        "a unit of another kind",
        good(header=edited(HEADER, "Torque LH [Nm]", "Torque LH [mm]")),
        "the column's name has a unit that cannot be: 'mm' is a length, a torque is wanted",
        column="Torque LH [mm]",
        channels={"left_torque": {"column": "Torque LH", "unit": "N.m"}},
    ),
    Bad(
        "a unit that nobody knows",
        good(header=edited(HEADER, "Torque LH [Nm]", "Torque LH [Nmx]")),
        "'Nmx' is no known unit of a torque",
        column="Torque LH [Nmx]",
        mend="N.m",
        channels={"left_torque": "Torque LH"},
    ),
    Bad(
        "a torque that was not recorded",
        "\n".join([HEADER, *(row.replace(row.split(",")[1], "") for row in ROWS)]),
        "left_torque has no number in any line",
        column="Torque LH [Nm]",
    ),
    Bad(
        "doubled time",
        good(line_4="0.01,1.7,2.7,582,567"),
        "the time is that of the line before",
        line=4,
        column="Time [s]",
        mend="sample_rate",
    ),
    Bad("time that goes back", good(line_4="-5,1.7,2.7,582,567"), "the time goes back by 5.01 s", line=4),
    Bad(
        "time that goes back twice",
        good() + "0.01,1,2,3,4\n0.02,1,2,3,4\n0.01,1,2,3,4\n",
        "the time goes back by 0.02 s (so too in line 8)",
        line=6,
    ),
    Bad("time that is missing", good(line_4=",1.7,2.7,582,567"), "the time is missing", line=4),
    Bad("time that is a word", good(line_4="soon,1.7,2.7,582,567"), "'soon' is no time", line=4),
    Bad(
        "a date that no habit has",
        "\n".join([HEADER, *(f"14.2026.04 13:05:0{i},1,2,3,4" for i in range(4))]),
        "'14.2026.04 13:05:00' is no time and 3 more",
        line=2,
        column="Time [s]",
        mend="2026-04-14T13:05:07.25",
    ),
    Bad(
        "a day that does not exist",
        "\n".join([HEADER, *(f"2026-02-3{i}T13:05:00,1,2,3,4" for i in range(2))]),
        "'2026-02-30T13:05:00' is no time and 1 more",
        line=2,
    ),
    Bad(
        "zones in some times only",
        f"{HEADER}\n2026-04-14T13:05:00Z,1,2,3,4\n2026-04-14T13:05:01,1,2,3,4\n",
        "some times have a zone and some have none",
        line=3,
    ),
    Bad(
        "a clock coarser than the samples",
        "\n".join([HEADER, *(f"13:05:0{i // 2},{row.split(',', 1)[1]}" for i, row in enumerate(ROWS))]),
        "the time is that of the line before (so too in line 5)",
        line=3,
        mend="sample_rate",
    ),
    Bad(
        "milliseconds that do not say so",
        "\n".join([HEADER.replace(" [s]", ""), *(f"{10 * i},1,2,3,4" for i in range(4))]),
        "the time has no unit, and its step of 10 would be no bench's",
        column="Time",
        mend='unit = "ms"',
        channels={"time": "Time"},
    ),
    Bad(
        "no clock at all",
        good(),
        "neither a time column nor a sample rate",
        without=("time",),
        mend="sample_rate",
    ),
)


@pytest.mark.parametrize("bad", BAD, ids=lambda bad: bad.name)
def test_a_bad_file_is_refused_with_place_and_mend(read_sweep, sweep, bad):
    rig = {name: column for name, column in {**sweep, **bad.channels}.items() if name not in bad.without}
    with pytest.raises(ReadingError) as caught:
        read_sweep(bad.content, channels=rig, file=bad.file)
    matching = [fault for fault in caught.value.faults if bad.what in fault.what]
    assert matching, f"no fault says {bad.what!r}, but:\n{caught.value}"
    fault = matching[0]
    assert fault.place.file is not None
    assert fault.place.file.endswith("sweep.csv")
    assert fault.place.line == bad.line
    assert bad.column is None or fault.place.column == bad.column
    assert bad.mend in fault.mend
    assert caught.value.exit_status == 2


def test_all_faults_are_told_at_once(read_sweep):
    content = good(
        header=edited(edited(HEADER, "Speed RH [1/min]", "Speed RH"), "LH [Nm]", "LH [mm]"),
        line_4="0.01,1.7,error,582,567",
    )
    with pytest.raises(ReadingError) as caught:
        read_sweep(content)
    told = str(caught.value)
    assert len(caught.value.faults) == 3
    assert "'error' is no number" in told
    assert "'mm' is a length" in told
    assert "the time is that of the line before" in told


def test_many_bad_lines_are_counted(read_text):
    with pytest.raises(ReadingError) as caught:
        read_text("t,M\n" + "0,1\n" * 100 + "5\n0,1,2\n" * 20 + "0,1\n" * 200)
    assert [fault.place.line for fault in caught.value.faults] == [102, 103, 104, 105, 106, None]
    assert "35 more lines" in caught.value.faults[-1].what


def test_many_bad_cells_are_counted(read_sweep):
    rows = "".join(f"{i},1,{'x' if i % 2 else 2},580,565\n" for i in range(20))
    with pytest.raises(ReadingError) as caught:
        read_sweep(f"{HEADER}\n{rows}")
    assert [fault.place.line for fault in caught.value.faults] == [3, 5, 7, None]
    assert "7 more cells" in caught.value.faults[-1].what


@pytest.mark.parametrize(
    ("last", "kept"),
    [
        ("0.04,1.9,2.", False),
        ("0.04,1.9,2.9,584,", False),
        ("0.04,1.9,2.9,584,5e", False),
        ("0.04", False),
        ("0.04,1.9,2.9,584,569", True),
        ("0.04,1.9\n", False),
    ],
)
def test_a_last_line_that_breaks_off_is_left_out_and_noted(read_sweep, last, kept):
    recording = read_sweep(good() + last)
    assert len(recording) == (5 if kept else 4)
    assert [note for note in recording.notes if "breaks off" in note] == (
        [] if kept else ["Line 6, the last, breaks off in the middle and is left out."]
    )


@pytest.mark.parametrize("cell", ["inf", "-Infinity", "1e308", "-9.9e37", "1e999", "1e30", "-1e30"])
def test_a_loggers_mark_for_overload_is_missing_and_noted(read_sweep, cell):
    recording = read_sweep(good(line_4=f"0.02,{cell},2.7,582,567"))
    assert recording.channels["left_torque"][2] != recording.channels["left_torque"][2]
    assert recording.channels["left_torque"][3] == 1.8
    assert any(
        "1 values are infinite or beyond 1e30, the first in line 4" in note for note in recording.notes
    )


@pytest.mark.parametrize(
    ("name", "what"),
    [
        ("absent.csv", "cannot be read"),
        (".", "no file that can be read"),
        ("loop", "cannot be read"),
        ("a\0b", "no file can have this name"),
    ],
)
def test_what_is_no_file_is_refused(tmp_path, rig_of, sweep, name, what):
    from diffbench.readers import read_recording

    (tmp_path / "loop").symlink_to(tmp_path / "loop")
    with pytest.raises(ReadingError, match=what) as caught:
        read_recording(tmp_path / name, rig_of(sweep), kind="tare")
    assert caught.value.faults[0].place.file == str(tmp_path / name)


def test_lines_that_the_parser_cannot_part_are_named(read_text, monkeypatch):
    from diffbench.readers.text import table

    def refuse(data, layout):
        raise ValueError

    # No text is known that the parser refuses after the lines have been counted: this stands in for one.
    monkeypatch.setattr(table, "parse_by_cell", refuse)
    with pytest.raises(ReadingError, match="cannot be parted into cells") as caught:
        read_text("t;M\n0;1,5\n1;error\n2;3\n")
    assert caught.value.faults[0].place.line == 2
