"""Catalogues against the code: complete, current, with the same placeholders, and fit to be sent as a text message."""

import re
from pathlib import Path
from string import Formatter

import pytest
from babel import Locale
from babel.messages.catalog import Catalog, Message
from babel.messages.pofile import read_po
from jinja2 import TemplateSyntaxError

from alertd.i18n import ENGLISH, LANGUAGES, Language
from alertd.notices.text import gsm7
from alertd.notices.text.driver_parts import chain_up_steps
from alertd.sources.files.translations import FOLDER, load_translator
from alertd.testing.update_translations import main, messages_in_code, messages_in_templates, read_catalogue

OTHERS = [language for language in LANGUAGES if language != "en"]
every_other = pytest.mark.parametrize("language", OTHERS)

# What ends in a point inside a text, or is cut short, that a driver may meet: road numbers and units aside, nothing.
SHORTENED = {"max", "km", "mi", "min", "h"}
# Words that lose an accent in the alphabet of text messages and then mean something else.
CHANGED_BY_A_LOST_ACCENT = {
    "es": {"aún", "sólo", "papá", "más", "sí", "tú", "él", "mamá", "ánimo", "público", "término"},
    "fr": {"sûr", "dû", "mûr", "jeûne", "tâche", "pêcheur", "forêt", "côte", "châsse"},
}
# Read on a page only, where every letter can stand.
PAGE = {
    "alertd/notices/text/driver_parts.py", "alertd/notices/next_action.py", "alertd/web/pages/driver.py",
    "alertd/web/pages/driver_taps.py", "alertd/web/pages/driver_words.py",
    "alertd/web/pages/templates/driver.html", "alertd/web/pages/templates/refused.html",
    "alertd/web/pages/templates/law.html", "alertd/notices/text/law_text.py",
    "alertd/notices/checklists/items.py", "alertd/notices/checklists/loading.py",
    "alertd/notices/checklists/moments.py",
}  # fmt: skip
# What is the same as in English.
ALIKE: dict[str, set[str]] = {"es": set(), "fr": {"max {speed}"}}


def output(catalogue: Catalog) -> list[Message]:
    return [m for m in catalogue if m.id]


def texts(value: object) -> list[str]:
    return [value] if isinstance(value, str) else list(value)  # type: ignore[call-overload]


def places(text: str) -> set[str]:
    return {name for _, name, _, _ in Formatter().parse(text) if name is not None}


def of_page_only(message: Message) -> bool:
    return {where for where, _ in message.locations} <= PAGE


def test_every_language_but_english_has_a_catalogue_in_the_code() -> None:
    assert sorted(p.stem for p in FOLDER.glob("*.po")) == sorted(OTHERS)


@every_other
def test_catalogue_has_every_message_of_the_code_and_no_other(language: str) -> None:
    catalogue = read_catalogue(language)
    assert {m.id for m in output(catalogue)} == {m.id for m in output(messages_in_code())}
    assert not catalogue.obsolete
    for message in output(catalogue):
        assert not message.fuzzy, message.id
        assert all(texts(message.string)), message.id


@every_other
def test_placeholders_and_ends_are_those_of_the_english(language: str) -> None:
    for message in output(read_catalogue(language)):
        wanted = places(texts(message.id)[-1])
        for text in texts(message.string):
            assert places(text) == wanted, text
            assert text.endswith(" ") == texts(message.id)[0].endswith(" "), text
            assert text == text.lstrip(), text
            assert text.isprintable(), text


@every_other
def test_texts_for_phones_lose_nothing_but_accents(language: str) -> None:
    """3GPP TS 23.038: what the alphabet lacks is replaced before sending, so it must read well without."""
    for message in output(read_catalogue(language)):
        if of_page_only(message):
            continue
        for text in texts(message.string):
            assert "?" not in gsm7.to_gsm7(text), text
            assert not {c for c in text if c in gsm7.EXTENDED} - set("{}"), text  # two septets each
            words = re.findall(r"[^\W\d_]+", re.sub(r"\{\w+\}", "", text.lower()))
            assert not CHANGED_BY_A_LOST_ACCENT[language].intersection(words), text


@every_other
def test_nothing_is_abbreviated_but_units(language: str) -> None:
    for message in output(read_catalogue(language)):
        for text in texts(message.string):
            short = re.findall(r"\b([^\W\d_]{1,4})\.(?=\s*[a-zà-ÿ])", text)
            assert {w.lower() for w in short} <= SHORTENED, text


@every_other
def test_numbers_choose_their_form(language: str) -> None:
    translator = load_translator(language)  # type: ignore[arg-type]
    one, four = translator.ngettext("{n} tire", "{n} tires", 1), translator.ngettext("{n} tire", "{n} tires", 4)
    assert (one, four) == {"es": ("1 llanta", "4 llantas"), "fr": ("1 pneu", "4 pneus")}[language]


def test_english_is_the_code_itself() -> None:
    english = load_translator("en")
    assert english.gettext("{n} h", n=3) == "3 h"
    assert (english.days, english.months) == (ENGLISH.days, ENGLISH.months)
    assert english.ngettext("{n} tire", "{n} tires", 4) == ENGLISH.ngettext("{n} tire", "{n} tires", 4) == "4 tires"


@pytest.mark.parametrize("language", LANGUAGES)
def test_labels_of_the_page_are_there_in_every_language(language: str) -> None:
    translator = load_translator(language)  # type: ignore[arg-type]
    labels = {m.id: translator.translate(m.id) for m in output(messages_in_templates()) if isinstance(m.id, str)}
    assert {"Got it", "Chains on", "Be ready to chain until you know more."} <= set(labels)
    assert len(labels) > 50
    same = {english for english, text in labels.items() if english == text}
    assert same == (set(labels) if language == "en" else ALIKE[language])
    checklist = zip(chain_up_steps(translator), chain_up_steps(ENGLISH), strict=True)
    assert all((line == english) is (language == "en") for line, english in checklist)


def test_a_template_that_cannot_be_read_takes_no_message_out(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "web/pages/templates").mkdir(parents=True)
    (tmp_path / "web/pages/templates/driver.html").write_text('{% if %}{{ _("Got it") }}', encoding="utf-8")
    monkeypatch.setattr("alertd.testing.update_translations.alertd.__file__", str(tmp_path / "__init__.py"))
    with pytest.raises(TemplateSyntaxError):
        messages_in_templates()


def contents(folder: Path) -> dict[str, object]:
    """Each catalogue's header comment and messages: what a reviewer looks at, whatever wrote the file."""
    found: dict[str, object] = {}
    for language in OTHERS:
        with (folder / f"{language}.po").open("rb") as file:
            catalogue = read_po(file, locale=language)
        messages = [
            (m.id, m.string, m.context, m.locations, m.auto_comments, m.user_comments, sorted(m.flags))
            for m in output(catalogue)
        ]
        found[language] = (catalogue.header_comment, catalogue.revision_date, messages)
    return found


def test_update_leaves_current_catalogues_alone(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Else every run would be a change to review. The bytes may differ between versions of Babel."""
    for language in OTHERS:
        (tmp_path / f"{language}.po").write_bytes((FOLDER / f"{language}.po").read_bytes())
    monkeypatch.setattr("alertd.sources.files.translations.FOLDER", tmp_path)
    monkeypatch.setattr("alertd.testing.update_translations.FOLDER", tmp_path)
    main()
    assert contents(tmp_path) == contents(FOLDER)


def test_update_names_no_version_of_babel(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A new release of Babel would else change every catalogue."""
    for language in OTHERS:
        content = (FOLDER / f"{language}.po").read_text(encoding="utf-8")
        head, _, tail = content.partition('"MIME-Version')
        older = f'{head}"Generated-By: Babel 1.0\\n"\n"MIME-Version{tail}'
        (tmp_path / f"{language}.po").write_text(older, encoding="utf-8")
    monkeypatch.setattr("alertd.sources.files.translations.FOLDER", tmp_path)
    monkeypatch.setattr("alertd.testing.update_translations.FOLDER", tmp_path)
    main()
    assert not any("Generated-By" in (tmp_path / f"{language}.po").read_text(encoding="utf-8") for language in OTHERS)


@pytest.mark.parametrize("language", LANGUAGES)
def test_names_of_days_and_months_are_those_of_cldr(language: Language) -> None:
    """Unicode CLDR as Babel ships it, without the full stops that a text message has no room for."""
    translator, locale = load_translator(language), Locale.parse(language)
    days, months = locale.days["format"]["abbreviated"], locale.months["format"]["abbreviated"]
    assert translator.days == tuple(days[i].rstrip(".") for i in range(7))
    assert translator.months == tuple(months[i].rstrip(".") for i in range(1, 13))
