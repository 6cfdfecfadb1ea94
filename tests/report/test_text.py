"""The result in the terminal.

Golden texts stand in ``tests/golden``. After a change that is meant:
``python tests/report/test_text.py`` writes them anew; read the difference before you commit it.
"""

from __future__ import annotations

import importlib.util
import re
import subprocess
import sys
from pathlib import Path
from types import ModuleType

import pytest

from diffbench.report import summary, text_of
from diffbench.report.terminal import columns_of
from diffbench.results import Characterisation, Gain, NextTest

GOLDEN = Path(__file__).parents[1] / "golden"
RESULTS = ("complete", "doubtful", "two_builds")
WIDTHS = (80, 100)


def told(result: Characterisation, *, width: int = 100, colour: bool = False) -> str:
    return text_of(summary(result), width, colour=colour)


def golden(result: str, width: int) -> Path:
    return GOLDEN / f"summary-{result.replace('_', '-')}-{width}.txt"


@pytest.mark.parametrize("width", WIDTHS)
@pytest.mark.parametrize("result", RESULTS)
def test_summary_is_as_agreed(synthetic: ModuleType, result: str, width: int) -> None:
    """The whole text, letter by letter."""
    expected = golden(result, width).read_text(encoding="utf-8")
    assert told(getattr(synthetic, result)(), width=width) + "\n" == expected


@pytest.mark.parametrize("width", [60, 72, 80, 100, 132])
@pytest.mark.parametrize("result", [*RESULTS, "hostile"])
def test_no_line_is_wider_than_asked_for(synthetic: ModuleType, result: str, width: int) -> None:
    """Whatever the names are: wide characters, 10,000 of them, or characters that steer a terminal."""
    text = told(getattr(synthetic, result)(), width=width)
    assert max(columns_of(line) for line in text.splitlines()) <= width
    assert "\x1b" not in text
    assert "\u202e" not in text


def test_colour_changes_nothing_but_colour(doubtful: Characterisation) -> None:
    """Without its styles the coloured text is the plain one, and the verdict is set off."""
    coloured = told(doubtful, colour=True)
    assert re.sub(r"\x1b\[[\d;]*m", "", coloured) == told(doubtful)
    assert "\x1b[1;35mOUT OF LIMITS\x1b[0m" in coloured


def test_verdict_and_key_numbers_come_first(complete: Characterisation) -> None:
    """Within the first ten lines: who, the verdict, preload and ramps with interval and largest doubt."""
    head = told(complete).splitlines()[:10]
    assert head[0].startswith("Unit K04, build K04-spring")
    assert head[1].startswith("GOOD  preload torque")
    assert any(
        re.search(r"preload torque\s+83\.2 N·m\s+80\.7 to 85\.8\s+86 % bench repeatability", line)
        for line in head
    )


def test_what_is_not_determined_says_what_it_needs_once(doubtful: Characterisation) -> None:
    """The list of next steps does not say again what the list of open quantities says."""
    text = " ".join(told(doubtful).split())
    assert text.count("needs the spring force at installed height, from a press") == 1
    assert text.count("add a bias sweep under coast torque") == 1


def test_runs_that_help_come_with_what_they_bring(complete: Characterisation) -> None:
    """The largest falls first, four of them, each rounded to two digits; the rest is counted."""
    gains = [
        Gain(quantity="preload_torque", unit="N·m", u_now=1.25, u_then=0.8918),
        Gain(quantity="stribeck_speed", unit="m/s", u_now=0.003105, u_then=0.0007678),
        Gain(quantity="viscous_coefficient", unit="N·m·s/rad", u_now=0.0358, u_then=0.0130),
        Gain(quantity="static_friction_excess", unit="1", u_now=0.0175, u_then=0.003059),
        Gain(quantity="friction_temperature_coefficient", unit="1/K", u_now=1.5e-4, u_then=8e-5),
    ]
    result = complete.model_copy(update={"next_tests": [NextTest(run="a speed sweep", gains=gains)]})
    line = " ".join(told(result).split())
    assert (
        "a speed sweep: static friction excess 0.018 to 0.0031; Stribeck speed 0.0031 to 0.00077 m/s; "
        "viscous drag coefficient 0.036 to 0.013 N·m·s/rad; friction slope, temperature 0.00015 to 8.0e-5 "
        "1/K; and 1 more"
    ) in line
    assert "Which run would help most" not in told(complete)


def test_every_common_encoding_can_print_it(doubtful: Characterisation, complete: Characterisation) -> None:
    """The program's own words stay within Western code pages, so that a pipe on any system takes them."""
    for result in (complete, doubtful):
        assert told(result).encode("cp1252").decode("cp1252") == told(result)


def test_terminal_needs_no_drawing_library() -> None:
    """The summary imports neither matplotlib nor jinja2: a result is printed at once."""
    code = (
        "import sys; from diffbench.report import summary, text_of\n"
        "print([m for m in ('matplotlib', 'jinja2', 'pandas', 'lmfit', 'scipy') if m in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


def _write_golden() -> None:
    spec = importlib.util.spec_from_file_location("synthetic", Path(__file__).with_name("synthetic.py"))
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    for result in RESULTS:
        for width in WIDTHS:
            text = told(getattr(module, result)(), width=width) + "\n"
            golden(result, width).write_text(text, encoding="utf-8", newline="\n")


if __name__ == "__main__":
    _write_golden()
