"""The catalogue of the pages' texts: `python -m tests.texts` gathers them anew, and `--check` says what is amiss.

Every text of the pages, and every form of the sentences that they show, is gathered into
`service/pages/translations/pages.pot`, and each language's catalogue beside it is brought up to it: what it says
already stays, what is new stands there empty. `python -m tests.texts fr` begins a new language.
"""

from __future__ import annotations

import argparse
import io
import re
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any, Final

from babel.messages.catalog import Catalog, Message
from babel.messages.extract import extract_from_file
from babel.messages.pofile import read_po, write_po

from worker.cautions import CAUTIONS

ROOT: Final = Path(__file__).parents[1]
TRANSLATIONS: Final = ROOT / "service" / "pages" / "translations"
TEMPLATE: Final = TRANSLATIONS / "pages.pot"
#: Where texts are: the folder, the files of it, how babel reads them.
_SOURCES: Final = (
    ("service", "*.py", "python"), ("service/pages/templates", "*.html", "jinja2"), ("worker", "*.py", "python"),
)  # fmt: skip
#: The functions that take texts, each with the places of those among its arguments. The last two make sentences.
_KEYWORDS: Final[dict[str, Any]] = {
    "gettext": None, "ngettext": (1, 2), "marked": None, "_": None, "sentence": None, "counted": (2, 3),
}  # fmt: skip
#: A template that cannot be read is a fault, not one without texts.
_OPTIONS: Final = {"jinja2": {"silent": "false", "trimmed": "true"}, "python": {}}
#: A comment that begins so goes with its text.
_COMMENT: Final = "For translators:"
_PLACEHOLDER: Final = re.compile(r"%\((\w+)\)[a-z]|%%|%")
_WIDTH: Final = 110
#: Lines of a head that tell of the day, the machine or the library.
_OF_THE_DAY: Final = (
    '"Project-Id-Version', '"Report-Msgid-Bugs-To', '"POT-Creation-Date', '"PO-Revision-Date', '"Last-Translator',
    '"Language-Team', '"Generated-By',
)  # fmt: skip


def gathered() -> Catalog:
    """All texts of the pages as they are in the code now."""
    catalogue = _empty(None)
    for folder, pattern, method in _SOURCES:
        for path in sorted((ROOT / folder).rglob(pattern)):
            place = path.relative_to(ROOT).as_posix()
            found = extract_from_file(method, path, _KEYWORDS, (_COMMENT,), _OPTIONS[method])
            for line, text, comments, context in found:
                catalogue.add(text, None, [(place, line)], auto_comments=comments, context=context)
    # The worker knows no languages; of what it says, this concerns whoever stands at the machine.
    for caution in CAUTIONS:
        catalogue.add(caution, None, [("worker/cautions.py", 1)])
    return catalogue


def languages() -> list[str]:
    """The languages that there is a catalogue of."""
    return sorted(path.stem for path in TRANSLATIONS.glob("*.po"))


def held(language: str) -> Catalog:
    """The catalogue of a language as it is committed; one without texts where there is none."""
    path = TRANSLATIONS / f"{language}.po"
    if not path.exists():
        return _empty(language)
    with path.open("rb") as lines:
        return read_po(lines, locale=language)


def brought_up(language: str, texts: Catalog) -> Catalog:
    """The catalogue of a language with exactly these texts: a translation is kept with its text, never guessed."""
    known, catalogue = held(language), _empty(language)
    for message in texts:
        if not message.id:
            continue
        old = known.get(message.id if isinstance(message.id, str) else message.id[0])
        # As read, an entry that has got a plural since is another text.
        said = old.string if old is not None and old.id == message.id else ""
        comments = list(old.user_comments) if old is not None else []
        catalogue.add(message.id, said, message.locations, auto_comments=message.auto_comments, user_comments=comments)
    return catalogue


def as_file(catalogue: Catalog) -> str:
    """A catalogue as it is committed: the same texts give the same bytes, on any machine and day."""
    written = io.BytesIO()
    is_template = catalogue.locale is None
    write_po(written, catalogue, width=_WIDTH, omit_header=is_template, include_lineno=False, sort_by_file=True)
    lines = written.getvalue().decode().lstrip().splitlines(keepends=True)
    return "".join(line for line in lines if not line.startswith(_OF_THE_DAY))


def untranslated(catalogue: Catalog) -> list[str]:
    """What of a catalogue is not said in its language, or not with the same placeholders."""
    return [f"{message.id!r}: {wrong}" for message in catalogue if message.id for wrong in _wrong(message)]


def _wrong(message: Message) -> Iterator[str]:
    asked = message.id if isinstance(message.id, tuple) else (message.id,)
    said = message.string if isinstance(message.string, tuple) else (message.string,)
    if message.fuzzy:
        yield "is marked as a guess"
    if not all(said):
        yield "is not said"
        return
    wanted = set().union(*map(_placeholders, asked))
    for one in said:
        if not _placeholders(one) <= wanted or (len(said) == 1 and _placeholders(one) != wanted):
            yield f"has the placeholders {sorted(_placeholders(one))} in place of {sorted(wanted)}"


def _placeholders(text: str) -> set[str]:
    return {found[0] for found in _PLACEHOLDER.finditer(text)}


def _empty(language: str | None) -> Catalog:
    return Catalog(locale=language, project="Cutledger", version="", header_comment="", fuzzy=False)


def main() -> int:
    """Write the catalogues, or check them; returns the exit status."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("languages", nargs="*", help="codes of languages to begin")
    parser.add_argument("--check", action="store_true", help="write nothing; say what is not as it would be written")
    asked = parser.parse_args()
    texts = gathered()
    files = {TEMPLATE: as_file(texts)}
    for language in sorted({*languages(), *asked.languages}):
        catalogue = brought_up(language, texts)
        files[TRANSLATIONS / f"{language}.po"] = as_file(catalogue)
        print(f"{language}: {len(untranslated(catalogue))} of {len(catalogue)} texts are amiss")  # noqa: T201
    stale = [path for path, content in files.items() if not path.exists() or path.read_text() != content]
    if not asked.check:
        TRANSLATIONS.mkdir(exist_ok=True)
        for path in stale:
            path.write_text(files[path])
        return 0
    for path in stale:
        print(f"{path.relative_to(ROOT)} is not what the code says; make texts")  # noqa: T201
    return 1 if stale else 0


if __name__ == "__main__":
    sys.exit(main())
