"""What people see: results and answers as documents that terminal, page and notebook set; figures; files."""

from typing import TYPE_CHECKING

from diffbench.first_use import names_on_first_use

__all__ = [
    "BROWSERS",
    "NAMES",
    "Card",
    "Document",
    "Figure",
    "Literally",
    "Section",
    "Sentence",
    "Table",
    "browser",
    "card_files",
    "card_glossary",
    "card_of",
    "card_pdf",
    "comparison_document",
    "comparison_figure",
    "conformity_document",
    "corner_document",
    "corner_figure",
    "curve_map",
    "draw",
    "html_of",
    "item",
    "judged",
    "ladder_figure",
    "limit_marks",
    "listing",
    "printed",
    "put_picture",
    "record_document",
    "refresh_line",
    "repeatability_document",
    "result_page",
    "say_in",
    "shim_document",
    "slip_document",
    "split_document",
    "summary",
    "text_of",
    "trend_document",
    "verdict",
    "without_refresh",
    "workbook_of",
    "write_results",
]

if TYPE_CHECKING:
    from diffbench.report.card import Card, card_of, card_pdf, curve_map, limit_marks
    from diffbench.report.comparison import comparison_document, comparison_figure
    from diffbench.report.document import Document, Figure, Literally, Section, Sentence, Table, item
    from diffbench.report.drawing import draw, put_picture
    from diffbench.report.files import (
        BROWSERS,
        NAMES,
        browser,
        card_files,
        printed,
        without_refresh,
        write_results,
    )
    from diffbench.report.glossary import card_glossary
    from diffbench.report.history import listing, record_document
    from diffbench.report.judgement import judged
    from diffbench.report.messages import say_in
    from diffbench.report.page import html_of, refresh_line, result_page
    from diffbench.report.repeatability import repeatability_document
    from diffbench.report.result import conformity_document, summary, verdict
    from diffbench.report.shims import ladder_figure, shim_document
    from diffbench.report.terminal import text_of
    from diffbench.report.trackside import corner_document, corner_figure, slip_document, split_document
    from diffbench.report.trend import trend_document
    from diffbench.report.workbook import workbook_of

__getattr__, __dir__ = names_on_first_use(
    __name__,
    {
        "card": ("Card", "card_of", "card_pdf", "curve_map", "limit_marks"),
        "comparison": ("comparison_document", "comparison_figure"),
        "document": ("Document", "Figure", "Literally", "Section", "Sentence", "Table", "item"),
        "drawing": ("draw", "put_picture"),
        "files": (
            "BROWSERS",
            "NAMES",
            "browser",
            "card_files",
            "printed",
            "without_refresh",
            "write_results",
        ),
        "glossary": ("card_glossary",),
        "history": ("listing", "record_document"),
        "judgement": ("judged",),
        "messages": ("say_in",),
        "page": ("html_of", "refresh_line", "result_page"),
        "repeatability": ("repeatability_document",),
        "result": ("conformity_document", "summary", "verdict"),
        "shims": ("ladder_figure", "shim_document"),
        "terminal": ("text_of",),
        "trackside": ("corner_document", "corner_figure", "slip_document", "split_document"),
        "trend": ("trend_document",),
        "workbook": ("workbook_of",),
    },
)
