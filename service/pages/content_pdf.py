"""A page's content as PDF: A4, numbered pages, the same sections, pictures and tables; set by typst."""

from __future__ import annotations

import json
from collections.abc import Iterator
from functools import cache
from pathlib import Path
from typing import Any, Final

from service.pages.contents import Content, Picture, Section, Table
from service.pages.languages import gettext
from service.problems import Problem
from worker.sentences import sentence

_TEMPLATE: Final = Path(__file__).parent / "templates" / "content.typ"
_STANDARD: Final = "ua-1"
_NOT_INSTALLED: Final = sentence(
    "PDF is made by the Python package typst, which is not installed here: install it with pip, or take the page as "
    "CSV or as a workbook, or print it"
)


def content_pdf(content: Content) -> bytes:
    """The PDF, as PDF/UA-1 asks: tagged, with a title, a language and a text for each picture.

    Where no font has a character of it, a box stands for that, and it does not claim to be PDF/UA-1.

    Raises a Problem 501 where the package that sets it is not installed.
    """
    try:
        import typst
    except ImportError:
        raise Problem(501, "part-missing", _NOT_INSTALLED) from None
    # All text is data: nothing of it is read as markup, and nothing is read from disk.
    told = {"content": json.dumps(_plain(content))}
    try:
        return typst.compile(
            _template(), format="pdf", sys_inputs=told, ignore_system_fonts=True, pdf_standards=_STANDARD
        )
    except typst.TypstError:
        pass
    # A name in a script that the fonts of typst lack: one of the system's may have it, though not every system.
    try:
        return typst.compile(_template(), format="pdf", sys_inputs=told, pdf_standards=_STANDARD)
    except typst.TypstError:
        # The standard forbids a sign that no font shows; a week with an empty box in a name is better than none.
        return typst.compile(_template(), format="pdf", sys_inputs=told)


@cache
def _template() -> bytes:
    return _TEMPLATE.read_bytes()


def _plain(content: Content) -> dict[str, Any]:
    return {
        "title": content.title,
        "name": content.name,
        "language": content.language,
        "page": gettext("Page %(page)s of %(pages)s", page="{page}", pages="{pages}"),
        "facts": content.facts,
        "sections": [_section(section) for section in content.sections],
    }


def _section(section: Section) -> dict[str, Any]:
    return {
        "key": section.key,
        "heading": section.heading,
        "said": [{"text": one.text, "lang": one.lang} for one in section.said],
        "pictures": [_picture(picture) for picture in section.pictures],
        "tables": [_table(table) for table in section.tables],
    }


def _picture(picture: Picture) -> dict[str, str]:
    return {"svg": str(picture.svg), "described": picture.described}


def _table(table: Table) -> dict[str, Any]:
    return {
        "caption": table.caption,
        "columns": [
            {"text": column.text, "is_figure": column.is_figure, "share_of_width": column.share_of_width}
            for column in table.columns
        ],
        "rows": list(_rows(table)),
        "has_total": table.total is not None,
    }


def _rows(table: Table) -> Iterator[list[dict[str, str | None]]]:
    for row in table.every_row:
        yield [{"text": cell.shown, "lang": cell.lang} for cell in row]
