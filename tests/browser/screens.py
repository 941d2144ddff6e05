"""Pictures of all pages, to be looked at: `python -m tests.browser.screens FOLDER [PAGE ...]`.

Each page as a desk shows it in light and dark, on a phone, on a wall, and as it prints. Without `--demo` the demo's
shop is played first; the folder of one that is there already is copied.
"""

from __future__ import annotations

import argparse
import tempfile
from pathlib import Path

from playwright.sync_api import ViewportSize

from tests.browser.browsing import DESK, PHONE, SHEET, WALL, Browsing, Scheme, chromium_running
from tests.browser.demo import built_once, served_copy
from tests.browser.places import PLACES, Place, subjects

SCREENS: tuple[tuple[str, ViewportSize, Scheme], ...] = (
    ("light", DESK, "light"),
    ("dark", DESK, "dark"),
    ("phone", PHONE, "light"),
    ("wall", WALL, "light"),
)


def main() -> None:
    """Write the pictures."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path, help="where the pictures go")
    parser.add_argument("pages", nargs="*", metavar="PAGE", help="names of pages; all when none is named")
    parser.add_argument("--demo", type=Path, help="a folder with the demo's shop, as the tests build it")
    parser.add_argument("--language", default="en-GB", help="of the pages")
    asked = parser.parse_args()
    if unknown := set(asked.pages) - {place.name for place in PLACES}:
        parser.error(f"there is no page {', '.join(sorted(unknown))}; there are {', '.join(p.name for p in PLACES)}")
    places = [place for place in PLACES if not asked.pages or place.name in asked.pages]
    asked.folder.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory() as scratch:
        folder = asked.demo or built_once(Path(scratch))
        with served_copy(folder, Path(scratch) / "served") as demo, chromium_running() as browser:
            browsing, ids = Browsing(browser, demo), subjects(demo.read)
            for place in places:
                _take(browsing, place, place.address.format_map(ids), asked.folder, asked.language)


def _take(browsing: Browsing, place: Place, address: str, folder: Path, language: str) -> None:
    page = browsing.page(place.role, language=language)
    page.goto(address, wait_until="networkidle")
    for name, viewport, scheme in SCREENS:
        page.set_viewport_size(viewport)
        page.emulate_media(color_scheme=scheme)
        page.screenshot(path=folder / f"{place.name}-{name}.png", full_page=True)
    page.set_viewport_size(SHEET)
    page.emulate_media(media="print", color_scheme="light")
    page.screenshot(path=folder / f"{place.name}-print.png", full_page=True)
    page.pdf(path=folder / f"{place.name}.pdf", format="A4", prefer_css_page_size=True)
    for fault in browsing.faults.seen:
        print(f"{place.name}: {fault}")  # noqa: T201
    browsing.close()


if __name__ == "__main__":
    main()
