"""Catalogues against the code: `python -m alertd.testing.catalogues` brings every catalogue up to date with it."""

from pathlib import Path
from typing import Final

from babel.messages.catalog import Catalog
from babel.messages.extract import extract_from_dir
from babel.messages.pofile import write_po

import alertd
from alertd.sources.catalogues import FOLDER, read_catalogue
from alertd.tongue import LANGUAGES

_KEYWORDS: Final = {"say": None, "marked": None, "count": (1, 2)}


def messages_in_code() -> Catalog:
    """Every message that the package says or marks, with the modules that do."""
    found, package = Catalog(), Path(alertd.__file__).parent
    rows = extract_from_dir(str(package), [("**.py", "python")], keywords=_KEYWORDS, comment_tags=("Translators:",))
    for module, _, message, comments, context in rows:
        found.add(message, locations=[(f"alertd/{module}", 0)], auto_comments=comments, context=context)
    return found


def main() -> None:
    """New messages come in empty, messages no longer said go out; nothing is guessed."""
    template = messages_in_code()
    for language in LANGUAGES:
        if (FOLDER / f"{language}.po").exists():
            catalogue = read_catalogue(language)
            catalogue.update(template, no_fuzzy_matching=True, update_creation_date=False)
            with (FOLDER / f"{language}.po").open("wb") as file:
                write_po(file, catalogue, width=118, sort_by_file=True, ignore_obsolete=True, include_lineno=False)


if __name__ == "__main__":
    main()
