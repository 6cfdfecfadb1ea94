"""Results in a notebook."""

from __future__ import annotations

import re
from types import ModuleType

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
