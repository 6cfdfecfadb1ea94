"""What every reader promises, held against files that were written by each format's own means."""

from __future__ import annotations

import hashlib

import numpy as np
import pytest
from edited import edited

from diffbench.documents import FileSettings
from diffbench.errors import ReadingError
from diffbench.readers import READERS, read_raw, read_recording, reader_for

COLUMNS = {
    "Time [s]": [0.0, 0.01, 0.02, 0.05],
    "Torque LH [Nm]": [-28.1, float("nan"), 1.0e-3, 159.5],
    "Torque RH [Nm]": [0.1, 0.30000000000000004, -123456.789, 2.0],
    "Speed LH [1/min]": [579.956, 580.612, 579.971, 0.0],
    "Speed RH [1/min]": [564.998, 565.557, 565.769, -1.0],
    "Case, as set": ["held", "free", "held, oiled", "é°μ"],
}
SETTINGS = FileSettings()


@pytest.fixture
def written(file_format, tmp_path):
    """A file of the format under a name that tells nothing."""
    path = tmp_path / "recording.dat"
    file_format.write(path, COLUMNS)
    return path


@pytest.fixture(scope="module")
def tables():
    """What was read of each format: some are read in a process apart, which takes a second."""
    return {}


@pytest.fixture
def table(file_format, written, tables):
    """What the format's reader makes of that file."""
    if file_format.name not in tables:
        tables[file_format.name] = file_format.read(written)
    return tables[file_format.name]


def test_numbers_texts_and_missing_values_come_back_as_written(file_format, table):
    assert [column.name for column in table.columns] == [file_format.named(name) for name in COLUMNS]
    for column, expected in zip(table.columns, COLUMNS.values(), strict=True):
        assert column.is_text == isinstance(expected[0], str)
        assert not column.odd
        if column.is_text:
            assert column.values.tolist() == expected
        else:
            # All formats carry every double, text by its shortest decimal form. 1e-16: the number parser of
            # pandas before 3.1 stops at the 17th digit, zeros included.
            np.testing.assert_allclose(column.values, np.array(expected), rtol=1e-16, atol=1e-16)


def test_rows_are_counted_from_one_and_rise(table):
    rows = table.rows
    assert rows.dtype == np.int64
    assert len(rows) == 4
    assert rows[0] >= 1
    assert (np.diff(rows) > 0).all()


def test_the_format_is_recognised_by_bytes_and_by_its_reader_alone(file_format, formats, written):
    head = written.read_bytes()
    assert reader_for(head, written).name == file_format.reader.name
    recognising = {other.reader.name for other in formats if other.reader.recognises(head)}
    assert recognising == {file_format.reader.name}


def test_the_whole_way_gives_a_recording_in_si(file_format, written, rig_of, sweep):
    recording = read_recording(written, rig_of(sweep), kind="bias-sweep")
    assert recording.source.format == file_format.reader.name
    assert recording.source.sha256 == hashlib.sha256(written.read_bytes()).hexdigest()
    assert recording.source.size == written.stat().st_size
    assert recording.source.details["unit of left_speed"] == "rpm"
    np.testing.assert_array_equal(recording.time, [0.0, 0.01, 0.02, 0.05])
    np.testing.assert_array_equal(recording.channels["left_torque"], COLUMNS["Torque LH [Nm]"])
    # 1/min is 2 pi / 60 rad/s (ISO 80000-3); 1e-15: two roundings.
    np.testing.assert_allclose(
        recording.channels["left_speed"],
        np.array(COLUMNS["Speed LH [1/min]"]) * 2.0 * np.pi / 60.0,
        rtol=1e-15,
    )


def test_a_file_cut_anywhere_is_read_in_part_or_refused_never_more(
    file_format, written, table, many_read_apart
):
    content = written.read_bytes()
    for length in range(0, len(content), max(7, len(content) // 100)):
        written.write_bytes(content[:length])
        found, file = table, str(written)
        try:
            found = file_format.read(written)
        except ReadingError as error:
            file = error.faults[0].place.file or ""
        assert file == str(written)
        assert len(found.rows) <= len(table.rows)
        # what stands before the last line read is what stands there in the whole file
        whole = {
            column.name: dict(zip(table.rows.tolist(), column.values, strict=True))
            for column in table.columns
        }
        for column in found.columns:
            if column.name in whole:
                before = found.rows[:-1].tolist()
                expected = np.array([whole[column.name][row] for row in before], dtype=column.values.dtype)
                np.testing.assert_array_equal(column.values[:-1], expected)


def test_a_missing_file_is_left_to_the_caller_as_an_os_error(file_format, tmp_path):
    with pytest.raises(FileNotFoundError):
        file_format.read(tmp_path / "absent")


def test_names_of_readers_differ_and_every_reader_is_in_the_suite(formats):
    assert len({reader.name for reader in READERS}) == len(READERS)
    assert {item.reader.name for item in formats} == {reader.name for reader in READERS}


@pytest.mark.parametrize(
    ("array", "what"),
    [
        (np.zeros((3, 2)), "shape (3, 2) without named fields"),
        (np.zeros(3), "without named fields"),
        (np.zeros(3, dtype=[("M", float, (2,))]), "shape (3, 2)"),
        (np.zeros(3, dtype=[("M", complex)]), "type complex128"),
    ],
)
def test_an_array_without_one_value_per_channel_and_sample_is_refused(tmp_path, array, what):
    path = tmp_path / "log.npy"
    np.save(path, array)
    with pytest.raises(ReadingError) as caught:
        read_raw(path, SETTINGS)
    assert what in caught.value.faults[0].what
    assert (
        "numpy.save" in caught.value.faults[0].mend
        or "save one number" in caught.value.faults[0].mend
        or ("structured array" in caught.value.faults[0].mend)
    )


def test_an_array_of_python_objects_is_never_unpickled(tmp_path):
    path = tmp_path / "log.npy"
    np.save(path, np.array([{"a": 1}], dtype=object), allow_pickle=True)
    with pytest.raises(ReadingError, match="Object arrays cannot be loaded"):
        read_raw(path, SETTINGS)


@pytest.mark.parametrize("damage", [(b"{'descr'", b"{'de~cr "), (b"}", b"(")])
def test_an_array_whose_heading_is_no_python_any_more_is_refused(tmp_path, damage):
    """NumPy reads the heading as Python text: a flipped bit there is a syntax error (by fuzz.py, 3426)."""
    path = tmp_path / "log.npy"
    np.save(path, np.zeros(3, dtype=[("t", float)]))
    path.write_bytes(edited(path.read_bytes(), *damage, 1))
    with pytest.raises(ReadingError, match="no NumPy array file that can be read"):
        read_raw(path, SETTINGS)
