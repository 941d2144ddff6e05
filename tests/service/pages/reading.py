"""Pages as a person gets them: asked for as a browser asks, their texts, their fields, their links."""

from __future__ import annotations

import re
from html import unescape
from typing import Any

from werkzeug.test import TestResponse

from tests.service.conftest import Door

HTML = {"Accept": "text/html"}
FORM = "application/x-www-form-urlencoded"


def opened_page(door: Door, path: str, *, key: str = "admin", status: int = 200, **query: Any) -> TestResponse:
    """A page that must have a status."""
    answer = door.ask("GET", path, key=key, headers=dict(HTML), query_string=query or None)
    assert (answer.status_code, answer.mimetype) == (status, "text/html"), answer.text
    return answer


def sent_form(door: Door, path: str, fields: Any, *, key: str = "admin", status: int = 303) -> TestResponse:
    """The answer to a form that is sent, which must have a status."""
    answer = door.ask("POST", path, key=key, headers=dict(HTML), data=fields, content_type=FORM)
    assert answer.status_code == status, answer.text
    return answer


def words_of(answer: TestResponse) -> str:
    """What a page says in its main part, without its marks."""
    main = answer.text.partition("<main")[2].partition("</main>")[0]
    return " ".join(unescape(re.sub(r"<[^>]+>", " ", f"<main{main}")).split())


def rows_of(answer: TestResponse) -> list[list[str]]:
    """The cells of the tables of a page, heads of the rows too."""
    rows = re.findall(r"<tr[^>]*>(.*?)</tr>", answer.text.partition("<tbody>")[2], re.DOTALL)
    return [[_bare(cell) for cell in re.findall(r"<t[dh][^>]*>(.*?)</t[dh]>", row, re.DOTALL)] for row in rows]


def _bare(marked: str) -> str:
    return " ".join(unescape(re.sub(r"<[^>]+>", "", marked)).split())


def links_of(answer: TestResponse) -> dict[str, str]:
    """The links of a page: text -> address."""
    return {
        _bare(text): unescape(address)
        for address, text in re.findall(r'<a [^>]*href="([^"]+)"[^>]*>(.*?)</a>', answer.text, re.DOTALL)
    }


def fields_of(answer: TestResponse) -> dict[str, Any]:
    """What the fields of a page's form hold, as a browser would send them; a field that may be sent often is a list."""
    form = re.findall(r'<form[^>]*method="post".*?</form>', answer.text.partition("<main")[2], re.DOTALL)[0]
    found: dict[str, Any] = {}
    for tag in re.findall(r"<input [^>]*>", form):
        told = dict(re.findall(r'([\w-]+)="([^"]*)"', tag))
        if told.get("type") in ("checkbox", "radio"):
            if " checked" in tag:
                found.setdefault(told["name"], []).append(unescape(told["value"]))
        else:
            found[told["name"]] = unescape(told.get("value", ""))
    for name, text in re.findall(r'<textarea [^>]*name="(\w+)"[^>]*>(.*?)</textarea>', form, re.DOTALL):
        found[name] = unescape(text)
    for name, options in re.findall(r'<select [^>]*name="(\w+)"[^>]*>(.*?)</select>', form, re.DOTALL):
        chosen = re.findall(r'value="([^"]*)" selected', options) or re.findall(r'value="([^"]*)"', options)
        found[name] = unescape(chosen[0])
    return found


def alert_of(answer: TestResponse) -> str:
    """What a page says is wrong with what was sent."""
    return unescape(re.findall(r'role="alert"[^>]*>(.*?)</p>', answer.text, re.DOTALL)[0])


def faults_at(answer: TestResponse, name: str) -> list[str]:
    """What a page says is wrong with a field, to which the field points."""
    if f'aria-describedby="{name}-fault"' not in answer.text:
        return []
    (told,) = re.findall(rf'<ul class="faults" id="{name}-fault"[^>]*>(.*?)</ul>', answer.text, re.DOTALL)
    return [unescape(one) for one in re.findall(r"<li[^>]*>(.*?)</li>", told, re.DOTALL)]
