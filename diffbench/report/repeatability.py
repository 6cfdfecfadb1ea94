"""Repeatability: one line a quantity, the tests for outlying repeats, the table to paste."""

from __future__ import annotations

from diffbench.answers.repeatability import Outlying, Repeatability
from diffbench.report.document import Document, Literally, Section, Sentence, bare, items
from diffbench.report.rounding import interval_text, number_text, with_unit
from diffbench.report.wording import label, printable

PER_CENT = 100.0


def repeatability_document(result: Repeatability) -> Document:
    """What a refit moves; the table for the rig file stands alone at the end."""
    groups = ", ".join(printable(group, limit=60) for group in result.groups)
    head = f"Repeatability from {len(result.repeats)} visits of {groups}"
    rows, tests = [], []
    for name, q in result.quantities.items():
        u = q.repeatability
        share = PER_CENT * q.relative
        low, high = (
            share * end / u if u > 0.0 else 0.0 for end in (q.repeatability_low, q.repeatability_high)
        )
        rows.append(
            (
                label(name),
                with_unit(number_text(q.mean, u), q.unit),
                number_text(u, u),
                f"{number_text(share, share)} % ({interval_text(low, high, share)})",
                number_text(q.limit, q.limit),
            )
        )
        tests.append((label(name), *(_test(test) for test in q.tests)))
    quantities = ("", "mean", "s_r", "s_r, relative (95 %)", "limit r = 2.8 s_r")
    unknown = result.not_determined.items()
    sections = (
        Section("", (Sentence(head),)),
        Section("", (bare(rows, head=quantities),)),
        Section("Outlying repeats", (bare(tests, head=("", "Cochran", "Grubbs")),)),
        items("", map(printable, result.findings)),
        items("", (f"{label(name)}: {printable(why)}" for name, why in unknown)),
        Section("", (Sentence("For the rig file:"),)),
        Section("", (Literally(result.paste),)),
    )
    return Document("Repeatability of a bench", sections)


def _test(test: Outlying) -> str:
    if test.statistic is None or test.critical_5 is None:
        return f"not tested: {printable(test.reason)}"
    text = f"{test.finding}, {test.statistic:.2f} (5 % at {test.critical_5:.2f})"
    return text if test.which is None else f"{text}: {printable(test.which, limit=60)}"
