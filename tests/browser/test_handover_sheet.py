"""The hand-over on paper."""

from __future__ import annotations

from io import BytesIO

from pypdf import PdfReader

from tests.browser.browsing import Browsing


def test_the_hand_over_prints_as_one_sheet_of_a4(browsing: Browsing) -> None:
    page = browsing.page("foreman")
    page.goto("/handover")
    sheets = PdfReader(BytesIO(page.pdf(prefer_css_page_size=True))).pages
    assert [(round(float(one.mediabox.width)), round(float(one.mediabox.height))) for one in sheets] == [(595, 842)]
    text = sheets[0].extract_text()
    for part in ("Notes", "Runs that have not ended", "Not judged yet", "In rework", "Open findings", "Last services"):
        # A font may write two letters as one.
        assert part in text.replace("ﬁ", "fi"), part
