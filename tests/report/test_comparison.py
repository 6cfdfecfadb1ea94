"""Two states of a unit, made by hand: the whole text of a comparison, its tables and its pictures."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from matplotlib.axes import Axes
from matplotlib.collections import LineCollection
from matplotlib.colors import to_hex
from matplotlib.contour import ContourSet
from matplotlib.figure import Figure
from matplotlib.patches import PathPatch

from diffbench import figures
from diffbench.answers import Comparison
from diffbench.report import comparison, comparison_document, comparison_figure, text_of
from diffbench.report.style import INK, MUTED, PAPER, STATE_COLOURS, gain_scale, scale
from diffbench.results import LockingMap

CHANGE = {"against": "repeatability", "meaning": "", "chance": 0.001}


def change(before: float | None, after: float | None, size: float, u: float, **fields: Any) -> dict[str, Any]:
    """A relative change with 95 % of twice its uncertainty, known by noise alone."""
    made = {
        "before": before, "after": after, "unit": "N·m", "relative": True, "change": size, "u": u,
        "low": size - 2.0 * u, "high": size + 2.0 * u, "significant": abs(size) > 2.0 * u,
        "budget": {"noise": u}, **CHANGE,
    }  # fmt: skip
    return {**made, **fields}


def condition(torque: float, before: float, after: float, *, tested: bool = True) -> dict[str, Any]:
    return {
        "input_torque_Nm": torque, "speed_difference_rad_s": 0.3, "temperature_degC": 60.0,
        "before_Nm": before, "after_Nm": after, "change_Nm": after - before, "low_Nm": after - before - 3.92,
        "high_Nm": after - before + 3.92, "tested": tested,
    }  # fmt: skip


def made(**fields: Any) -> Comparison:
    """Preload down by a fifth, of which friction makes a twentieth, the spring the rest; ramps as before."""
    side = {"unit": "Q17", "build": "Q17-a", "distance_m": None, "inputs": {}}
    limit = {
        "quantity": "preload_torque", "unit": "N·m", "low": 70.0, "high": None, "value": 64.2,
        "guard_low": 2.4, "guard_high": 2.4, "accept_low": 72.4, "accept_high": None, "reject_below": 67.6,
        "reject_above": None, "provable": True, "outcome": "not conforming",
    }  # fmt: skip
    told: dict[str, Any] = {
        "before": {**side, "dates": ["2026-03-14", "2026-03-15"]},
        "after": {**side, "build": "Q17-b", "dates": ["2026-06-02"]},
        "verdict": "worn",
        "reasons": ["preload_torque changed by −20 %", "preload_loss of 20 % is beyond 15 %"],
        "changes": {
            "preload_torque": change(80.3, 64.2, -0.2, 0.015),
            "friction": change(
                None, None, -0.05, 0.011, unit="1", budget={"plate temperature (build sheet)": 0.01}
            ),
            "spring_force": change(
                1850.0, 1554.0, -0.16, 0.02, unit="N", budget={"bench repeatability": 0.02}
            ),
            "ramp_bias_drive": change(0.4521, 0.4530, 0.002, 0.0052, unit="1"),
            "friction_slope": change(-0.1, -0.02, 0.08, 0.021, unit="s/m", relative=False),
        },
        "not_determined": {"ramp_bias_coast": "slip under coast torque"},
        "wear": {
            "height_loss_m": 182e-6, "height_loss_u_m": 13e-6,
            "face_wear_m": 22.8e-6, "face_wear_u_m": 1.6e-6,
            "face_wear_low_m": 19.7e-6, "face_wear_high_m": 25.9e-6, "faces": 8, "shim_change_m": 0.0,
            "budget": {},
        },
        "limits": [limit],
        "conditions": [condition(0.0, 84.1, 68.0), condition(-150.0, 131.7, 117.3, tested=False)],
        "difference_map": None,
        "readings": ["The spring has set."],
        "common": ["one press stated both forces"],
        "caveats": ["the record before is itself to be read with care: zero drift"],
        "detectable_loss": 0.0412,
        "visits_for_5_percent": 3,
        "next_event": {
            "answer": "no", "events_between": 1, "distance_m": 312_400.0,
            "limits": [
                {
                    "quantity": "preload_torque", "unit": "N·m", "low": 70.0, "high": None, "value": 48.1,
                    "u": 2.6, "chance": 0.0004,
                },
                {
                    "quantity": "preload_loss", "unit": "1", "low": None, "high": 0.15, "value": 0.4,
                    "u": 0.03, "chance": 0.002,
                },
                {
                    "quantity": "face_wear", "unit": "m", "low": None, "high": 60e-6, "value": 45.6e-6,
                    "u": 3.1e-6, "chance": 0.963,
                },
            ],
        },
    }  # fmt: skip
    return Comparison.model_validate({**told, **fields})


def section(result: Comparison, start: str, width: int = 120) -> list[str]:
    """Lines of the section of a document that begins so, blanks made one."""
    parts = text_of(comparison_document(result), width).split("\n\n")
    (found,) = (part for part in parts if part.startswith(start))
    return [" ".join(line.split()) for line in found.split("\n")]


def test_both_states_are_named_with_their_dates_and_the_verdict() -> None:
    """Of an older document, which has no state of its own."""
    assert section(made(), "Unit Q17") == [
        "Unit Q17: 2026-03-14, 2026-03-15 (build Q17-a) against 2026-06-02 (build Q17-b)",
        "WORN preload torque changed by −20 %; preload loss of 20 % is beyond 15 %",
    ]


def test_what_changed_is_told_with_its_interval_and_its_largest_doubt() -> None:
    """80.3 N·m and 1.5 % of that: 1.2 N·m, tenths; intervals of two standard uncertainties."""
    assert section(made(), "What changed") == [
        "What changed",
        "at the reference before after change 95 % interval",
        "preload torque, N·m 80.3 64.2 -20.0 % -23.0 to -17.0 % changed",
        "friction -5.0 % -7.2 to -2.8 % changed",
        "spring force, N 1850 1554 -16.0 % -20.0 to -12.0 % changed",
        "largest doubt, preload torque: noise",
        "largest doubt, friction: plate temperature (build sheet)",
        "largest doubt, spring force: bench repeatability",
    ]
    assert section(made(), "Ramps") == [
        "Ramps, friction surface and oil, held against the doubt of the fits alone",
        "at the reference before after change 95 % interval",
        "ramp bias, drive 0.4521 0.4530 0.20 % -0.84 to 1.24 % as before",
        "friction slope, sliding speed, s/m -0.100 -0.020 0.080 0.038 to 0.122 changed",
    ]
    text = text_of(comparison_document(made(changes={})), 100)
    assert "What changed" not in text
    assert "Ramps, friction" not in text


def test_tested_intervals_say_what_they_are_of_and_where() -> None:
    """Every change has the interval of its test, at 60 °C and 4 rad/s; what is carried over has its own
    number; quantities with one doubt share its line."""
    tested = {"tested_low": -0.24, "tested_high": -0.16}
    changes = {
        "preload_torque": change(80.3, 64.2, -0.2, 0.015, carried=64.2, **tested),
        "spring_force": change(1850.0, 1554.0, -0.16, 0.02, unit="N", carried=1553.7, **tested),
        "gear_friction": change(0.02, 0.021, 0.05, 0.04, unit="1", tested_low=-0.1, tested_high=0.2),
    }
    result = made(changes=changes, reference={"temperature_degC": 60.0, "speed_difference_rad_s": 4.0})
    assert section(result, "What changed", 240) == [
        "What changed",
        "at 60 °C, 4 rad/s before after change interval",
        "preload torque, N·m 80.3 64.2 -20.0 % -24.0 to -16.0 % changed",
        "spring force, N 1850 1554 -16.0 % -24.0 to -16.0 % changed",
        # 1.5 and 2 % of 64.2 and 1553.7: hundredths and units
        (
            "carried over from before by that change: preload torque 64.20 N·m, spring force 1554 N; the "
            "numbers of each result itself rest on its own sheet"
        ),
        (
            "each interval is that of its test: all questions share 5 % of false alarms, and most of that "
            "goes to a loss of preload, whose end is the nearer one; the 95 % intervals of each alone are "
            "in the "
            "document"
        ),
        "largest doubt, preload torque, spring force: noise",
    ]
    assert section(result, "Ramps", 240)[-1] == (
        "each interval is that of its test: all of these questions share 5 % of false alarms"
    )
    # where one of them has none, all are the 95 % interval of each
    mixed = made(changes={**changes, "ramp_bias_drive": change(0.45, 0.46, 0.02, 0.01, unit="1")})
    assert "95 % interval" in section(mixed, "What changed", 240)[1]
    half = made(changes={"preload_torque": change(80.3, 64.2, -0.2, 0.015, tested_low=-0.24)})
    assert "-23.0 to -17.0 %" in section(half, "What changed", 240)[2]


@pytest.mark.parametrize(
    ("fields", "said"),
    [
        ({}, "mean wear of a face 22.8 ± 1.6"),
        ({"face_wear_m": 0.0, "face_wear_low_m": -3.1e-6}, "mean wear of a face 0.0 ± 1.6"),
        ({"face_wear_m": -1.1e-6}, "no wear of a face is seen, by doubt alone -1.1 ± 1.6"),
        ({"shim_change_m": 0.2e-3}, "over 8 faces of a pack, with +200 µm of shim"),
    ],
)
def test_wear_is_told_in_micrometres(fields: dict[str, float], said: str) -> None:
    """With its interval; below zero there is doubt alone, and a shim that was added is said."""
    wear = made().wear
    assert wear is not None
    result = made(wear={**wear.model_dump(), **fields})
    (line,) = section(result, "Height lost", 300)
    assert line.startswith("Height lost at the spring 182 µm; ")
    assert said.replace(" ± 1.6", " µm") in line


def test_the_next_event_is_answered_limit_by_limit() -> None:
    """Loss in per cent, wear in micrometres; chances without pretence at the ends."""
    assert section(made(), "Will it last", 240) == [
        "Will it last the next event? NO",
        (
            "after one more stretch like that between both states (312.4 km), if wear goes on in a straight "
            "line as there:"
        ),
        "- preload torque 48.1 ± 2.6 N·m; the limit, from 70 N·m, is held with a chance of below 1 %",
        "- preload loss 40.0 ± 3.0 %; the limit, up to 15 %, is held with a chance of below 1 %",
        "- wear of a face 45.6 ± 3.1 µm; the limit, up to 60 µm, is held with a chance of 96 %",
    ]
    event = made().next_event
    assert event is not None
    several = made(next_event={**event.model_dump(), "events_between": 4, "distance_m": None})
    assert section(several, "Will it last", 240)[1] == (
        "after one more event like the 4 between both states, if wear goes on in a straight line as there:"
    )
    assert "Will it last" not in text_of(comparison_document(made(next_event=None)), 100)


def test_corner_entry_is_told_in_a_table() -> None:
    """95 % of 7.84 N·m are four standard uncertainties: 2 N·m, tenths."""
    assert section(made(), "Locking torque at corner entry") == [
        "Locking torque at corner entry, 0.30 rad/s speed difference, 60 °C",
        "engine braking before after change, N·m 95 % interval",
        "0.0 N·m 84.1 68.0 -16.1 -20.0 to -12.2 tested",
        "-150.0 N·m 131.7 117.3 -14.4 -18.3 to -10.5 extrapolated",
    ]
    assert "corner entry" not in text_of(comparison_document(made(conditions=[])), 100)


@pytest.mark.parametrize(
    ("fields", "said"),
    [
        (
            {},
            " To show 5 % so surely, test each state 3 times, refitted in between.",
        ),
        (
            {"visits_for_5_percent": None},
            " No number of refits shows a loss of 5 % with these doubts.",
        ),
        (
            {"visits_for_5_percent": 1},
            "",
        ),
    ],
)
def test_what_would_be_shown_is_said(fields: dict[str, Any], said: str) -> None:
    """And by how many visits; nothing where it is not known."""
    start = (
        "A loss of preload of 4.1 % or more would be shown with a chance of 95 %; false alarms are held at "
        "5 % over all questions."
    )
    assert section(made(**fields), "A loss", 400) == [start + said]
    assert "would be shown" not in text_of(comparison_document(made(detectable_loss=None)), 100)


def test_limits_and_lists_follow() -> None:
    """Where a limit is judged elsewhere the heading says so."""
    read = made(read_at={"preload_torque": 24.6, "ramp_bias_drive": None})
    lines = section(read, "Limits")
    assert lines[0] == "Limits (ISO 14253-1); preload torque as read at 24.6 °C, ramp bias, drive as read"
    # half of 2.4 N·m: tenths
    assert lines[2] == "preload torque 64.2 (61.8 to 66.6) from 70 N·m from 72.4 2.4 not conforming"
    text = text_of(comparison_document(made()), 200)
    for told in (
        "What that says\n  - The spring has set.",
        "What both results share\n  - one press stated both forces",
        "Read with care\n  - the record before is itself to be read with care: zero drift",
        "Not determined, and what would determine it\n  - ramp bias, coast: needs slip under coast torque",
    ):
        assert told in text


@pytest.fixture
def axes() -> Axes:
    """Axes of their own figure."""
    return Figure(figsize=(5, 4)).add_subplot()


def test_changes_stand_in_rows_with_the_interval_of_their_test(axes: Axes) -> None:
    """In per cent of before; filled where changed, grey words where not; the first at the top."""
    result = made(
        changes={
            "preload_torque": change(80.3, 64.2, -0.2, 0.015, tested_low=-0.27, tested_high=-0.15),
            "spring_force": change(1850.0, 1850.0, 0.01, 0.02, unit="N"),
        }
    )
    figures.changes(result, axes)
    bars = [one.lines[2][0].get_segments()[0].tolist() for one in axes.containers]
    assert bars == [
        [[pytest.approx(-27.0), 0.0], [pytest.approx(-15.0), 0.0]],
        [[pytest.approx(-3.0), 1.0], [pytest.approx(5.0), 1.0]],
    ]
    assert [one.lines[0].get_markerfacecolor() for one in axes.containers] == [INK, PAPER]
    assert [(text.xy, text.get_color()) for text in axes.texts] == [((1.0, 0), INK), ((1.0, 1), MUTED)]
    assert axes.get_ylim() == (1.6, -0.6)
    assert list(axes.get_yticks()) == [0, 1]
    assert not axes.spines["left"].get_visible()
    (zero,) = (line for line in axes.get_lines() if list(line.get_xdata()) == [0.0, 0.0])
    assert zero.get_zorder() < axes.containers[0].lines[0].get_zorder()


def test_corner_entry_bears_the_interval_of_its_change(axes: Axes) -> None:
    """From before, by the change's limits: 84.1 − 20.02 to 84.1 − 12.18 N·m."""
    figures.corner_change(made(), axes)
    (bars,) = (one for one in axes.collections if isinstance(one, LineCollection))
    ends = [segment.tolist() for segment in bars.get_segments()]
    assert ends == [
        [[0.0, pytest.approx(64.08)], [0.0, pytest.approx(71.92)]],
        [[-150.0, pytest.approx(113.38)], [-150.0, pytest.approx(121.22)]],
    ]
    assert to_hex(bars.get_colors()[0]) == STATE_COLOURS["after"]
    before, after = axes.get_lines()[:2]
    assert (before.get_color(), before.get_marker(), before.get_linestyle()) == (
        STATE_COLOURS["before"],
        "o",
        "-",
    )
    assert (after.get_color(), after.get_marker()) == (STATE_COLOURS["after"], "s")
    assert after.is_dashed()
    assert before.get_zorder() > bars.get_zorder()
    assert axes.get_ylim()[0] == 0.0


def difference(
    change: Any, *, reach: float = 0.5, tested: Any = True, heats: tuple[float, ...] = (60.0,)
) -> SimpleNamespace:
    """A difference over −200 to 400 N·m and 1 to 3 rad/s that is known within so much."""
    torque, speed = [-200.0, 0.0, 200.0, 400.0], [1.0, 2.0, 3.0]
    shape = (4, 3, len(heats))
    value = np.broadcast_to(change(np.array(torque)[:, None, None], np.array(heats)), shape).astype(float)
    whole = np.broadcast_to(np.asarray(tested), shape)
    table = SimpleNamespace(
        change_Nm=value.tolist(), low_Nm=(value - reach).tolist(), high_Nm=(value + reach).tolist(),
        tested=whole.tolist(),
    )  # fmt: skip
    return SimpleNamespace(
        input_torque_Nm=torque, speed_difference_rad_s=speed, temperature_degC=list(heats),
        branches={"loading": table, "unloading": table, "mean": table},
    )  # fmt: skip


def contours(axes: Axes) -> tuple[ContourSet, ContourSet]:
    """The areas and the lines of a difference."""
    sets = [one for one in axes.collections if isinstance(one, ContourSet)]
    return next(one for one in sets if one.filled), next(one for one in sets if not one.filled)


def test_losses_and_gains_have_a_scale_each_darker_the_larger(axes: Axes) -> None:
    """Middles of −5, −3, −1, 1 and 2.5 N·m: shares of the largest, 5, from 4 to 96 hundredths of a scale."""
    found = difference(lambda torque, heat: torque / 100.0)
    levels = np.array([-6.0, -4.0, -2.0, 0.0, 2.0, 3.0])
    figures.difference(found, axes, levels=levels)
    areas, lines = contours(axes)
    shades = [to_hex(colour) for colour in areas.get_facecolor()]
    losses, gains = scale(), gain_scale()
    assert shades == [
        to_hex(one) for one in (losses(0.96), losses(0.592), losses(0.224), gains(0.224), gains(0.5))
    ]
    # the line of no change is the broadest
    wide = dict(zip(lines.levels, lines.get_linewidths(), strict=True))
    assert all(wide[0.0] > 2.0 * wide[level] for level in levels if level)
    assert {text.get_text() for text in axes.texts} == {"-2", "0", "+2", "+3"}
    assert {text.get_rotation() for text in axes.texts} == {0.0}
    assert all(to_hex(text.get_bbox_patch().get_facecolor()) == PAPER for text in axes.texts)
    # all proven and tested: nothing to explain
    figures.difference(difference(lambda torque, heat: -3.0 - torque / 1e4), fresh := Figure().add_subplot())
    assert fresh.get_legend() is None


def test_levels_of_a_difference_serve_both_branches_and_all_temperatures(axes: Axes) -> None:
    """−2 − 1 N·m at 60 °C to 4 + 1.4 N·m at 74 °C: 8.4 N·m in nine parts, by ones."""
    found = difference(lambda torque, heat: torque / 100.0 + (heat - 65.0) / 5.0 * 1.0, heats=(60.0, 72.0))
    figures.difference(found, axes, temperature=1)
    assert contours(axes)[0].levels.tolist() == [-3, -2, -1, 0, 1, 2, 3, 4, 5, 6]


def test_dots_lie_where_the_interval_holds_no_change(axes: Axes) -> None:
    """T/100 N·m within 0.5 N·m: in doubt from −50 to 50 N·m, and between them white lies over the colours."""
    figures.difference(difference(lambda torque, heat: torque / 100.0), axes)
    assert axes.get_legend() is not None
    dotted = next(one for one in axes.collections if isinstance(one, ContourSet) and any(one.hatches or []))
    assert dotted.hatches == ["..."]
    reach = np.concatenate([path.vertices for path in dotted.get_paths()])
    assert (reach[:, 0].min(), reach[:, 0].max()) == pytest.approx((-50.0, 50.0), abs=0.1)
    assert dotted.get_facecolor()[0].tolist() == [1.0, 1.0, 1.0, 0.5]
    (told,) = axes.get_legend().get_texts()
    assert told.get_text() == "no change proven (95 %)"
    # doubt of many N·m: all of it
    wide = Figure().add_subplot()
    figures.difference(difference(lambda torque, heat: torque / 100.0, reach=40.0), wide)
    dotted = next(one for one in wide.collections if isinstance(one, ContourSet) and any(one.hatches or []))
    reach = np.concatenate([path.vertices for path in dotted.get_paths()])
    assert (reach[:, 0].min(), reach[:, 0].max()) == (-200.0, 400.0)


def test_what_was_not_tested_in_both_is_hatched_in_a_difference(axes: Axes) -> None:
    """By the branch's own table, transposed as it is drawn; a change that is proven has no dots."""
    tested = (np.array([-200.0, 0.0, 200.0, 400.0]) <= 0.0)[:, None, None]
    figures.difference(
        difference(lambda torque, heat: torque * 0.0 - 3.0 - torque / 1e4, tested=tested), axes
    )
    (told,) = axes.get_legend().get_texts()
    assert told.get_text() == "not tested in both"
    (patch,) = (one for one in axes.patches if isinstance(one, PathPatch))
    assert patch.get_path().get_extents().extents.tolist() == [0.0, 1.0, 400.0, 3.0]


def test_a_picture_has_a_panel_for_each_part(complete_map: LockingMap) -> None:
    """5.4 by 4.8 inches each; a second row for the difference, at the temperature nearest the reference."""
    reference = {"temperature_degC": 60.0, "speed_difference_rad_s": 4.0}
    whole = comparison_figure(made(), complete_map, complete_map, reference=reference)
    assert whole.get_size_inches().tolist() == pytest.approx([16.2, 4.8])
    bare = comparison_figure(made(conditions=[]), complete_map, complete_map, reference=reference)
    assert bare.get_size_inches().tolist() == pytest.approx([10.8, 4.8])


def test_both_maps_are_drawn_in_their_colours(complete_map: LockingMap, axes: Axes) -> None:
    """Solid and dashed; strong where tested, over a thin line all along."""
    figures.before_after(
        complete_map, complete_map, axes, speed_difference=4.0, temperature=60.0, names=("new", "worn")
    )
    lines = [line for line in axes.get_lines() if len(line.get_xdata()) > 2]
    assert [line.get_color() for line in lines] == [
        STATE_COLOURS[k] for k in ("before", "before", "after", "after")
    ]
    assert [line.is_dashed() for line in lines] == [False, False, True, True]
    for strong, thin in (lines[:2], lines[2:]):
        assert strong.get_linewidth() > 2.0 * thin.get_linewidth()
        assert strong.get_zorder() > thin.get_zorder()
    assert [text.get_text() for text in axes.get_legend().get_texts()] == [
        "new", "95 % band, new", "worn", "95 % band, worn",
    ]  # fmt: skip
    assert axes.get_ylim()[0] == 0.0


def test_pictures_of_a_page_have_their_numbers(complete_map: LockingMap) -> None:
    """Each with unit and dates in its title: the curves of both states, and what changed to the place of its
    doubt; nothing that changed, no such picture."""
    reference = {"speed_difference_rad_s": 4.0, "temperature_degC": 60.0}
    curves, moved = comparison.comparison_figures(made(), complete_map, complete_map, reference=reference)
    assert (curves.name, moved.name) == ("before-after", "changes")
    dates = "Unit Q17, 2026-03-15 and 2026-06-02"
    assert curves.title == f"{dates}: locking torque at 60 °C and 4 rad/s"
    assert curves.shows == "Locking torque over input torque of unit Q17, 2026-03-15 and 2026-06-02."
    assert curves.table is not None
    assert curves.table.head == (
        "Input torque [N·m]", "Before [N·m]", "Before, 95 % limits [N·m]", "After [N·m]",
        "After, 95 % limits [N·m]",
    )  # fmt: skip
    for _, before, ends, after, others in curves.table.rows:
        assert (before, ends) == (after, others)
    assert moved.title == f"{dates}: what changed"
    assert moved.size == (4.5, pytest.approx(1.1 + 0.4 * 4))
    assert moved.shows == (
        "Relative changes: preload torque -20.0 %; friction -5.0 %; spring force -16.0 %; "
        "ramp bias, drive +0.2 %."
    )
    assert moved.table is not None
    assert [row[1:] for row in moved.table.rows] == [
        ("−20.0", "−23.0 to −17.0"), ("−5.0", "−7.2 to −2.8"), ("−16.0", "−20.0 to −12.0"),
        ("0.20", "−0.84 to 1.24"),
    ]  # fmt: skip
    assert moved.table.numbers == (1, 2)
    (only,) = comparison.comparison_figures(made(changes={}), complete_map, complete_map, reference=reference)
    assert only.name == "before-after"
