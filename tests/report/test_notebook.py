"""Results in a notebook."""

from __future__ import annotations

import re
from types import ModuleType

import numpy as np
import pytest

from diffbench.report.doubt import interval_names
from diffbench.report.rounding import typeset
from diffbench.report.wording import key_names, shown
from diffbench.results import Characterisation, LockingMap


def test_a_characterisation_shows_itself(complete: Characterisation) -> None:
    """Unit, verdict, every key number, and a figure; ids of two showings do not collide."""
    first, second = complete._repr_html_(), complete._repr_html_()
    assert "Unit K04" in first
    assert "Good: preload torque" in first
    for name in key_names(complete)[0]:
        assert typeset(shown(name, complete.parameters[name]).full) in first
    assert first.count("<svg") == 1
    ids = [set(re.findall(r'\bid="([^"]+)"', html)) for html in (first, second)]
    assert ids[0]
    assert not ids[0] & ids[1]


def test_a_map_shows_itself(complete_map: LockingMap) -> None:
    """What it covers, and its contours."""
    html = complete_map._repr_html_()
    assert "Locking-torque map of unit K04, build K04-spring" in html
    assert "<svg" in html
    assert "input torque [N·m]" in html


def test_hostile_names_stay_text(synthetic: ModuleType, complete_map: LockingMap) -> None:
    """As on the page."""
    html = synthetic.hostile()._repr_html_()
    assert "<script" not in html
    document = complete_map.document.model_copy(update={"build": synthetic.HOSTILE, "unit": "<b>"})
    html = LockingMap(document)._repr_html_()
    assert "<script" not in html
    assert "<b>" not in html


def boxes(html: str) -> list[list[float]]:
    """Sizes of the drawings in a piece of HTML [inch]."""
    return [
        [float(side) / 72.0 for side in box.split()[2:]] for box in re.findall(r'viewBox="([^"]*)"', html)
    ]


def test_a_notebook_s_figures_have_room_for_their_rows(
    complete: Characterisation, complete_map: LockingMap
) -> None:
    """Six inches wide; 0.44 of each interval below 1.25 of legend and axis; contours 4.2 high."""
    keys = interval_names(complete)[0]
    (found,) = boxes(complete._repr_html_())
    assert found == pytest.approx([6.0, 1.25 + 0.44 * len(keys)], abs=0.01)
    (found,) = boxes(complete_map._repr_html_())
    assert found == pytest.approx([6.0, 4.2], abs=0.01)


def test_a_map_in_a_notebook_says_what_it_covers(complete_map: LockingMap) -> None:
    """Ends and nodes of each axis at four digits, the share that was tested, and the middle temperature."""
    html = complete_map._repr_html_()
    torque, speed, heat = complete_map.axes
    for name, axis in (
        ("Input torque [N·m]", torque),
        ("Speed difference [rad/s]", speed),
        ("Temperature [°C]", heat),
    ):
        cells = f"{axis[0]:.4g} to {axis[-1]:.4g}".replace("-", "\u2212")
        assert re.search(
            rf"{re.escape(name)}</t[hd]>\s*<td[^>]*>{re.escape(cells)}</td>\s*<td[^>]*>{axis.size}<", html
        )
    share = 100.0 * np.mean(complete_map.tested["loading"])
    middle = heat[heat.size // 2]
    assert f"Additive preload law; {share:.0f} % of the nodes are tested while loading" in html
    assert f"locking torque in N·m at {middle:.0f} °C, loading, hatched where it is an extrapolation." in html
