"""Updates the translation catalogues from the code: `python -m alertd.testing.update_translations`."""

import io
from collections.abc import Mapping
from pathlib import Path
from typing import Final

from babel.messages.catalog import Catalog
from babel.messages.extract import extract_from_dir
from babel.messages.pofile import read_po, write_po

import alertd
from alertd.i18n import LANGUAGES
from alertd.sources.files.translations import FOLDER

_IN_CODE: Final = {"gettext": None, "gettext_noop": None, "ngettext": (1, 2)}
_IN_TEMPLATES: Final = {"_": None, "count": (1, 2)}
# Templates that a driver may see; the other pages are for offices, in English.
_TEMPLATES: Final = [(f"web/pages/templates/{name}.html", "jinja2") for name in ("base", "driver", "law", "refused")]


def messages_in_code() -> Catalog:
    """Return every message in the package and in the driver page's templates, with their files."""
    found = Catalog()
    _add(found, [("cli/**.py", "ignore"), ("**.py", "python")], _IN_CODE)  # terminal output is English
    _add(found, _TEMPLATES, _IN_TEMPLATES)
    return found


def read_catalogue(language: str) -> Catalog:
    """Read a language's catalogue. Raises an error of Babel for an invalid one."""
    with (FOLDER / f"{language}.po").open("rb") as file:
        return read_po(file, locale=language, abort_invalid=True)


def messages_in_templates() -> Catalog:
    """Return the messages of the templates alone."""
    found = Catalog()
    _add(found, _TEMPLATES, _IN_TEMPLATES)
    return found


def _add(found: Catalog, readers: list[tuple[str, str]], keywords: Mapping[str, tuple[int, ...] | None]) -> None:
    """Add messages. An unreadable template raises: otherwise its messages would leave every catalogue."""
    rows = extract_from_dir(
        str(Path(alertd.__file__).parent),
        readers,
        options_map={"web/pages/templates/**": {"silent": "false"}},
        keywords=keywords,
        comment_tags=("Translators:",),
    )
    for module, _, message, comments, context in rows:
        found.add(message, locations=[(f"alertd/{module}", 0)], auto_comments=comments, context=context)


def main() -> None:
    """Add new messages untranslated and remove obsolete ones; no fuzzy matching."""
    template = messages_in_code()
    for language in LANGUAGES:
        if (FOLDER / f"{language}.po").exists():
            catalogue = read_catalogue(language)
            catalogue.update(template, no_fuzzy_matching=True, update_creation_date=False)
            (FOLDER / f"{language}.po").write_bytes(_as_file(catalogue))


def _as_file(catalogue: Catalog) -> bytes:
    """Return a catalogue's file as bytes, without the header that names the installed version of Babel."""
    content = io.BytesIO()
    write_po(content, catalogue, width=118, sort_by_file=True, ignore_obsolete=True, include_lineno=False)
    lines = content.getvalue().splitlines(keepends=True)
    return b"".join(line for line in lines if not line.startswith(b'"Generated-By:'))


if __name__ == "__main__":
    main()
