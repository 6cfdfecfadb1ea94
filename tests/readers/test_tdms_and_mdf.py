"""Segments of TDMS and blocks of MDF, by bytes that were put together by hand; what their groups say."""

from __future__ import annotations

import gc
import struct
import warnings
from collections.abc import Mapping, Sequence
from pathlib import Path

import asammdf
import nptdms
import numpy as np
import pytest

from diffbench.documents import FileSettings
from diffbench.errors import ReadingError
from diffbench.readers import RawTable, mdf, read_raw
from diffbench.readers.mdf import check_chains

NAN = float("nan")


def table_of(path: Path, **settings: str) -> RawTable:
    """All columns."""
    return read_raw(path, FileSettings(**settings))[0]


def said_of(path: Path) -> str:
    """What is wrong with a file."""
    with pytest.raises(ReadingError) as caught:
        table_of(path)
    (fault,) = caught.value.faults
    return fault.what


# TDMS


def segments(path: Path, count: int = 2) -> list[int]:
    """Write a channel in segments; where each begins, and where the file ends."""
    begins = [0]
    for i in range(count):
        with nptdms.TdmsWriter(str(path), mode="a" if i else "w") as writer:
            writer.write_segment([nptdms.ChannelObject("A", "M", np.array([1.5, 2.5]) + i)])
        begins.append(path.stat().st_size)
    return begins


def test_segments_follow_each_other_to_the_end_of_the_file(tmp_path: Path) -> None:
    path = tmp_path / "log"
    _, second, end = segments(path)
    whole = path.read_bytes()
    assert table_of(path).columns[0].values.tolist() == [1.5, 2.5, 2.5, 3.5]
    damaged = "the file is damaged, or no TDMS that can be read: "
    for cut in (end - 1, second + 28):
        path.write_bytes(whole[:cut])
        assert said_of(path) == f"{damaged}it ends within a segment"
    path.write_bytes(whole[: second + 27])
    assert said_of(path) == f"{damaged}no segment begins at byte {second}, where one should"
    path.write_bytes(whole + b"TDSx" + bytes(40))
    assert said_of(path) == f"{damaged}no segment begins at byte {end}, where one should"
    # the length of what follows a lead-in of 28 bytes stands in bytes 12 to 19 of it, all ones while open
    path.write_bytes(whole[: second + 12] + b"\xff" * 8 + whole[second + 20 :])
    assert said_of(path) == f"{damaged}its last segment was never closed"
    # of a segment that says so, numbers have their big end first
    mark = bytes([whole[second + 4] | 0x40])
    length = struct.pack(">Q", end - second - 28 + 1)
    lead = whole[: second + 4] + mark + whole[second + 5 : second + 12] + length
    path.write_bytes(lead + whole[second + 20 :])
    assert said_of(path) == f"{damaged}it ends within a segment"
    lead = whole[: second + 4] + mark + whole[second + 5 : second + 12] + struct.pack(">Q", end - second - 28)
    path.write_bytes(lead + whole[second + 20 :])
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", ResourceWarning)  # the library leaves such a file open
        assert "segment" not in said_of(path)  # it is whole; its numbers are not what they should be
        gc.collect()


Waveform = tuple[str, str, Sequence[float] | Sequence[str], Mapping[str, object]]


def waveforms(path: Path, *channels: Waveform) -> None:
    """Write channels: group, name, values, properties."""
    with nptdms.TdmsWriter(str(path)) as writer:
        writer.write_segment(
            [
                nptdms.ChannelObject(
                    group,
                    name,
                    values if isinstance(values[0], str) else np.array(values),
                    properties=dict(own),
                )
                for group, name, values, own in channels
            ]
        )


def cells(table: RawTable) -> dict[str, list[float] | list[str]]:
    """All values by the names of columns."""
    return {column.name: column.values.tolist() for column in table.columns}


def test_waveforms_that_do_not_all_say_when_they_began_count_from_their_offsets(tmp_path: Path) -> None:
    """The fast one says when it began, and the slow one its offset alone: 40 at 0.25 s, 44 at 1.25 s."""
    path = tmp_path / "log"
    start = np.datetime64("2026-04-14T13:05:07")
    waveforms(
        path,
        ("A", "M", [3.0, 5.0, 6.0, 4.0], {"wf_increment": 0.5, "wf_start_time": start, "units": "N.m"}),
        ("B", "Oil", [40.0, 44.0], {"wf_increment": 1, "wf_start_offset": 0.25, "unit": "degC"}),
    )
    table = table_of(path)
    assert [column.unit for column in table.columns] == ["s", "N.m", "degC"]
    found = cells(table)
    assert found["time"] == [0.0, 0.5, 1.0, 1.5]
    assert found["Oil"] == pytest.approx([NAN, 41.0, 43.0, NAN], nan_ok=True)


@pytest.mark.parametrize("increment", [0.0, -0.5, "0.5"])
def test_an_increment_of_nothing_is_no_clock(increment: object, tmp_path: Path) -> None:
    path = tmp_path / "log"
    waveforms(path, ("A", "M", [3.0, 5.0, 6.0], {"wf_increment": increment, "wf_start_offset": 2.5}))
    assert cells(table_of(path)) == {"M": [3.0, 5.0, 6.0]}


def test_words_stand_beside_the_one_waveform_of_as_many_samples(tmp_path: Path) -> None:
    """Beside none of them where there are two, or none of that length: when they were noted nobody knows."""
    path = tmp_path / "log"
    fast, slow = {"wf_increment": 0.5}, {"wf_increment": 2.0}
    words = ("A", "Case", ["held", "free", "held"], {})
    waveforms(path, ("A", "M", [3.0, 5.0, 6.0], fast), ("A", "N", [9.0, 7.0], fast), words)
    found = cells(table_of(path))
    assert found["time"] == [0.0, 0.5, 1.0]
    assert found["Case"] == ["held", "free", "held"]
    assert found["N"] == pytest.approx([9.0, 7.0, NAN], nan_ok=True)
    waveforms(path, ("A", "M", [3.0, 5.0, 6.0], fast), ("A", "Oil", [40.0, 44.0, 41.0], slow), words)
    table = table_of(path)
    assert [column.name for column in table.columns] == ["time", "M", "Oil"]
    assert "Group 'A' is left out: nothing tells its samples' times on the clock of 'A'." in table.notes
    waveforms(path, ("A", "M", [3.0, 5.0, 6.0, 8.0], fast), words)
    assert [column.name for column in table_of(path).columns] == ["time", "M"]


# MDF: header of a block as ASAM MDF 4.1 has it, section 5: mark, four bytes, length, count of links; links

Block = tuple[str, list[int]]


def written(path: Path, blocks: Mapping[int, Block], *, longer: Mapping[int, int] | None = None) -> Path:
    """A file of blocks by where they begin; the header block stands at 64. ``longer``: by how many bytes a
    block says to be longer than it is."""
    content = bytearray(64)
    for address, (kind, links) in sorted(blocks.items()):
        length = 24 + 8 * len(links) + (longer or {}).get(address, 0)
        content += bytes(address - len(content))
        content += struct.pack(f"<4sIQQ{len(links)}Q", f"##{kind}".encode(), 0, length, len(links), *links)
    path.write_bytes(content)
    return path


def refused(path: Path) -> str | None:
    """What the chains of a file are refused with."""
    try:
        check_chains(path)
    except ReadingError as error:
        return error.faults[0].what.removeprefix("the file is damaged, or no MDF that can be read: ")
    return None


def chain(kinds: Sequence[tuple[str, int]], last: int) -> dict[int, Block]:
    """Blocks of which each leads on by one of its nine links, every 200 bytes from 200 on; the last one leads
    to ``last``."""
    blocks: dict[int, Block] = {64: ("HD", [200] + [0] * 8)}
    for i, (kind, link) in enumerate(kinds):
        links = [0] * 9
        links[link] = 200 * (i + 2) if i + 1 < len(kinds) else last
        blocks[200 * (i + 1)] = (kind, links)
    return blocks


FOLLOWED = (
    [("DG", 0)],
    [("DG", 1), ("CG", 0)],
    [("DG", 1), ("CG", 1), ("CN", 0)],
    [("DG", 1), ("CG", 1), ("CN", 1), ("CA", 0)],
    [("DG", 2), ("DL", 0)],
    [("DG", 2), ("HL", 0), ("DL", 0)],
    [("DG", 2), ("HL", 0), ("LD", 0)],
)


@pytest.mark.parametrize(
    "kinds", FOLLOWED, ids=lambda kinds: "-".join(f"{kind}{link}" for kind, link in kinds)
)
def test_a_chain_that_leads_back_is_seen_by_whichever_link(
    kinds: Sequence[tuple[str, int]], tmp_path: Path
) -> None:
    path = tmp_path / "log"
    for at in (200, 200 * len(kinds)):
        assert refused(written(path, chain(kinds, at))) == f"the block at byte {at} is linked to twice"
    assert refused(written(path, chain(kinds, 0))) is None
    assert refused(written(path, chain(kinds, 1 << 20))) is None  # beyond the end: the library says so
    assert refused(written(path, chain(kinds, 1 << 62))) is None
    assert refused(written(path, chain(kinds, (1 << 64) - 1))) is None


@pytest.mark.parametrize(
    "kinds",
    [
        [("DG", 3)],
        [("DG", 1), ("CG", 2)],
        [("DG", 1), ("CG", 1), ("CN", 2)],
        [("DG", 1), ("CG", 1), ("CN", 1), ("CA", 1)],
        [("DG", 2), ("DL", 1)],
        [("DG", 2), ("HL", 1)],
        [("DG", 2), ("LD", 1)],
        [("DG", 2), ("DT", 0)],
    ],
    ids=lambda kinds: "-".join(f"{kind}{link}" for kind, link in kinds),
)
def test_links_that_are_no_chain_may_lead_anywhere(kinds: Sequence[tuple[str, int]], tmp_path: Path) -> None:
    assert refused(written(tmp_path / "log", chain(kinds, 200))) is None
    blocks = chain([("DG", 0)], 0)
    blocks[64] = ("HD", [200, 64, 200])
    assert refused(written(tmp_path / "log", blocks)) is None


def test_blocks_may_have_few_links_and_reach_to_the_end_but_no_further(tmp_path: Path) -> None:
    path = tmp_path / "log"
    for links in ([], [0], [0, 0]):
        assert refused(written(path, {64: ("HD", [200]), 200: ("DG", links)})) is None
    assert refused(written(path, {64: ("HD", []), 200: ("DG", [200])})) is None
    blocks = chain(FOLLOWED[2], 0)
    assert refused(written(path, blocks, longer={600: 1})) == (
        "the block at byte 600 reaches beyond the end of the file"
    )
    assert refused(written(path, blocks, longer={400: 104 + 24})) is None


def test_a_recording_of_more_blocks_than_any_has_is_refused(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(mdf, "_MOST_BLOCKS", 4)
    path = written(tmp_path / "log", chain(FOLLOWED[2], 0))
    assert refused(path) is None  # the header and three
    assert refused(written(path, chain(FOLLOWED[3], 0))) == "it has more than 4 groups and channels"


@pytest.mark.usefixtures("read_here")
def test_what_an_mdf_group_holds(tmp_path: Path) -> None:
    """A group with a name, marks of invalid samples and words; one without name; one over an angle. What is
    marked invalid is missing where it stands, and moves nothing."""
    path = tmp_path / "log"
    at = np.array([0.0, 0.5, 1.0])
    invalid = np.array([False, True, False])
    torque = asammdf.Signal(np.array([3.0, 5.0, 6.0]), at, name="M", unit="Nm", invalidation_bits=invalid)
    words = asammdf.Signal(np.array([b"held", b"free", b"held"]), at, name="Case", encoding="utf-8")
    whole = asammdf.Signal(np.array([3, 5, 7], dtype=np.int16), at, name="Gear")
    over = asammdf.Signal(np.array([7.0, 8.0, 9.0]), at, name="Play", master_metadata=("angle", 2))
    measurement = asammdf.MDF(version="4.10")
    measurement.append([torque, words, whole], acq_name="Fast")
    slow = asammdf.Signal(np.array([40.0, 44.0]), np.array([0.0, 1.0]), name="Oil", unit="degC")
    measurement.append([slow])
    measurement.append([over])
    saved = measurement.save(path.with_suffix(".mf4"), overwrite=True)
    measurement.close()
    Path(saved).rename(path)
    table = table_of(path)
    assert [(column.name, column.unit) for column in table.columns] == [
        ("time", "s"), ("M", "Nm"), ("Case", None), ("Gear", None), ("Oil", "degC"),
    ]  # fmt: skip
    found = cells(table)
    assert found["M"] == pytest.approx([3.0, NAN, 6.0], nan_ok=True)
    assert found["Case"] == ["held", "free", "held"]
    assert found["Gear"] == [3.0, 5.0, 7.0]
    assert found["Oil"] == [40.0, 42.0, 44.0]
    assert table.details == {"version": "4.10", "group": "Fast"}
    left = "Group 'group 3' is left out: nothing tells its samples' times on the clock of 'Fast'."
    assert left in table.notes
    assert cells(table_of(path, group="group 2"))["Oil"] == [40.0, 44.0]
