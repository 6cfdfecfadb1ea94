"""Whatever a logger writes, in whatever layout, comes back as it was: hypothesis picks layout and numbers."""

from __future__ import annotations

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from diffbench.errors import Fault, ReadingError

# Unit as written, and SI = (reading + shift) * scale: lb = 0.45359237 kg, g = 9.80665 m/s2, ft = 0.3048 m
# exactly (NIST SP 811, 2008, appendix B; from memory). Written out here, so that nothing of the code under
# test is its own judge.
FOOT_POUND = 0.45359237 * 9.80665 * 0.3048
TORQUES = {
    "Nm": 1.0, "N·m": 1.0, "N.m": 1.0, "kNm": 1e3, "daN.m": 10.0, "lbf.ft": FOOT_POUND, "lb-ft": FOOT_POUND,
    "ft-lb": FOOT_POUND, "lbf.in": FOOT_POUND / 12, "kgf.m": 9.80665,
}  # fmt: skip
SPEEDS = {
    "rpm": np.pi / 30, "1/min": np.pi / 30, "min-1": np.pi / 30, "U/min": np.pi / 30, "rev/min": np.pi / 30,
    "rad/s": 1.0,
}  # fmt: skip
TEMPERATURES = {
    "°C": (0.0, 1.0),
    "degC": (0.0, 1.0),
    "degF": (-32.0, 5 / 9),
    "°F": (-32.0, 5 / 9),
    "K": (-273.15, 1),
}
TIMES = {"s": 1.0, "ms": 1e-3, "min": 60.0}

numbers = st.one_of(
    st.none(),
    st.floats(-1e6, 1e6, allow_nan=False).map(lambda x: round(x, 3)),
    st.floats(-1e3, 1e3, allow_nan=False),
    st.integers(-3000, 3000).map(float),
)


@st.composite
def logs(draw):
    """Draw a layout, units and numbers, and write them."""
    delimiter = draw(st.sampled_from([",", ";", "\t", "|", "  "]))
    decimal = draw(st.sampled_from([".", ","]))
    quoted = decimal == delimiter or draw(st.booleans())
    style = draw(st.sampled_from(["[]", "()", "comma", "slash", "row", "rig"]))
    encoding = draw(st.sampled_from(["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-16-be", "cp1252"]))
    end = draw(st.sampled_from(["\n", "\r\n"]))
    preamble = draw(
        st.lists(
            st.sampled_from(["Cell 2", "Unit: D07", "", "# warmed up", "Drive;3,42", "Gain,1.002,x"]),
            max_size=4,
        )
    )
    units = [
        draw(st.sampled_from(sorted(table)))
        for table in (TIMES, TORQUES, TORQUES, SPEEDS, SPEEDS, TEMPERATURES)
    ]
    n = draw(st.integers(2, 12))
    columns = [[0.1 * i for i in range(n)] if units[0] == "s" else [10.0 * i for i in range(n)]]
    if units[0] == "min":
        columns = [[0.0002 * i for i in range(n)]]
    for _ in units[1:]:
        # The first number keeps the column from being empty, and the decimal mark from being in doubt.
        columns.append([1.25, *draw(st.lists(numbers, min_size=n - 1, max_size=n - 1))])
    blank = "NaN" if delimiter == "  " else draw(st.sampled_from(["", "NaN", "-"]))

    def cell(number: float | None) -> str:
        text = blank if number is None else repr(number).replace(".", decimal)
        return f'"{text}"' if quoted else text

    patterns = {"[]": "{} [{}]", "()": "{} ({})", "comma": "{}, {}", "slash": "{} / {}"}
    titles = ["Time", "Torque LH", "Torque RH", "L/H speed", "R/H speed", "Oil"]
    names = [patterns.get(style, "{}").format(title, unit) for title, unit in zip(titles, units, strict=True)]
    heads = [[f'"{name}"' for name in names]]
    if style == "row":
        heads.append([f'"{unit}"' for unit in units])
    lines = [*preamble, *(delimiter.join(head) for head in heads)]
    lines += [delimiter.join(cell(number) for number in row) for row in zip(*columns, strict=True)]
    content = (end.join(lines) + end).encode(encoding)
    return content, titles, units, columns, style


@settings(max_examples=250, deadline=None, derandomize=True)
@given(log=logs())
def test_every_layout_comes_back_in_si(read_sweep, log):
    content, titles, units, columns, style = log
    names = ("time", "left_torque", "right_torque", "left_speed", "right_speed", "oil_temperature")
    rig = {name: {"column": title} for name, title in zip(names, titles, strict=True)}
    if style == "rig":
        for channel, unit in zip(rig.values(), units, strict=True):
            channel["unit"] = unit
    recording = read_sweep(content, channels=rig)
    written = [np.array([np.nan if x is None else x for x in column]) for column in columns]
    # 4e-15: a few roundings of a double, for temperatures relative to the largest term (273.15 K, 460 degF).
    # 1e-16 in the file's unit: the parser of pandas before 3.1 stops at the 17th digit, zeros included.
    np.testing.assert_allclose(recording.time, written[0] * TIMES[units[0]], rtol=4e-15, atol=1e-16)
    for name, values, unit in zip(names[1:5], written[1:5], units[1:5], strict=True):
        scale = {**TORQUES, **SPEEDS}[unit]
        np.testing.assert_allclose(recording.channels[name], values * scale, rtol=4e-15, atol=1e-16 * scale)
    shift, scale = TEMPERATURES[units[5]]
    expected = (written[5] + shift) * scale
    np.testing.assert_allclose(recording.channels["oil_temperature"], expected, rtol=4e-15, atol=4e-15 * 460)
    assert len(recording.rows) == len(columns[0])


@settings(max_examples=120, deadline=None, derandomize=True)
@given(
    content=st.lists(
        st.one_of(
            st.binary(max_size=12),
            st.sampled_from(
                [
                    b"t;M\n",
                    b"0,1;",
                    b"1.5\t",
                    b'"',
                    b"\r\n",
                    b"\n",
                    b"\xff\xfe",
                    b"\xef\xbb\xbf",
                    b"# x\n",
                    b"NaN",
                    b"1e999",
                ]
            ),
        ),
        max_size=40,
    ).map(b"".join),
    block_size=st.sampled_from([64, 1 << 20]),
    at_once=st.sampled_from([1, 100, 1 << 22]),
)
def test_any_bytes_give_a_table_or_one_clear_error(read_text, content, block_size, at_once):
    faults: tuple[Fault, ...] = ()
    lengths = {0}
    try:
        table = read_text(content, block_size=block_size, at_once=at_once)
        lengths = {len(table.rows), *(len(column.values) for column in table.columns)}
    except ReadingError as error:
        faults = error.faults
    assert len(lengths) == 1
    assert all(fault.what and fault.mend and fault.place.file for fault in faults)


@given(
    rows=st.lists(
        st.tuples(*[st.sampled_from(["1.5", "-2", "3e2", "", "NaN", "x", '"7"', " 4"])] * 2), min_size=3
    ),
    block_size=st.integers(17, 60),
    at_once=st.integers(1, 200),
    damage=st.sampled_from(["", "5\n", "5,6,7\n", "5,6,7,\n", "\n", "# x\n8,9\n"]),
)
def test_a_file_in_pieces_reads_as_it_does_whole(read_text, rows, block_size, at_once, damage):
    """The same columns, or the same faults, whatever is read and whatever is parsed at once."""
    content = "t,M\n0,1\n0,2\n" + "".join(f"{a},{b}\n" for a, b in rows) + damage

    def outcome(**sizes):
        try:
            table = read_text(content, **sizes)
        except ReadingError as error:
            return [str(fault) for fault in error.faults]
        return [table.rows.tolist(), *((c.values.astype(str).tolist(), dict(c.odd)) for c in table.columns)]

    assert outcome(block_size=block_size, at_once=at_once) == outcome()
