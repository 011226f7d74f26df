"""A trip's language reaches its driver's texts, from the trips file to the store; without one, the fleet's holds."""

import csv
from collections.abc import Callable, Iterator
from dataclasses import replace
from datetime import datetime
from pathlib import Path

import pytest

from alertd.i18n import LANGUAGES
from alertd.notices.model import Audience
from alertd.service.cycle import run_cycle
from alertd.settings.file_model import NoticesFile
from alertd.settings.languages import Languages
from alertd.settings.model import Settings
from alertd.store.store import Store
from alertd.testing.clock import ManualClock
from alertd.testing.fake_open_meteo import FakeOpenMeteo

TAIL = {"en": "Read parked.", "es": "Lea estacionado.", "fr": "Lire garé."}


@pytest.fixture
def api(morning: datetime) -> Iterator[FakeOpenMeteo]:
    with FakeOpenMeteo(now_utc=morning) as server:
        yield server


def with_languages(trips: Path, to: Path, languages: list[str]) -> Path:
    """The demo's trips with a language each, "" where there are no more."""
    rows = list(csv.DictReader(trips.read_text(encoding="utf-8").splitlines()))
    with to.open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, [*rows[0], "language"])
        writer.writeheader()
        for i, row in enumerate(rows):
            writer.writerow({**row, "language": languages[i] if i < len(languages) else ""})
    return to


async def test_drivers_read_the_trips_language_else_the_fleets(
    make_settings: Callable[..., Settings],
    api: FakeOpenMeteo,
    morning: datetime,
    tmp_path: Path,
    open_planner: Callable,
) -> None:
    settings = make_settings(forecasts=api.base_url)
    trips = with_languages(Path(str(settings.trips)), tmp_path / "trips.csv", ["es", "en"])
    settings = replace(settings, trips=trips, languages=Languages(driver="fr"))
    with Store(tmp_path / "alertd.db") as store:
        async with open_planner(settings, ManualClock(morning)) as planning:
            outcome = await run_cycle(planning, store, morning)
        result = {}
        for plan, language in zip(outcome.plans, ("es", "en", "fr", "fr"), strict=False):
            texts = [n.text for n in store.notices(plan.trip_id) if n.audience is Audience.DRIVER]
            result[plan.trip_id] = [text.endswith(TAIL[language]) for text in texts]
    assert any(result.values())
    assert all(all(fits) for fits in result.values())


def test_the_settings_choose_languages_and_units() -> None:
    assert NoticesFile().languages() == Languages()
    chosen = NoticesFile(driver_language="es", dispatcher_language="fr", units="metric").languages()
    translators = chosen.translators_for("")
    assert (translators.driver.language, translators.office.language, translators.driver.metric) == ("es", "fr", True)
    assert chosen.translators_for("en").driver.language == "en"


def test_every_language_can_be_named_by_a_trip() -> None:
    assert [Languages().translators_for(language).driver.language for language in LANGUAGES] == list(LANGUAGES)


def test_units_are_those_of_the_land_unless_the_operator_says() -> None:
    def units(languages: Languages, *lands: str) -> tuple[bool, bool]:
        driver = languages.translators_for("", lands).driver
        return driver.metric, driver.by_signs

    assert units(Languages(), "US-WA", "CA-BC") == (False, True)
    assert units(Languages(), "CH", "IT") == (True, True)
    assert units(Languages(units="us"), "CH") == (False, False)
    assert units(Languages(units="metric"), "US-WA") == (True, False)


def test_language_is_the_lands_unless_trip_or_operator_says() -> None:
    assert Languages().translators_for("", ("ES",)).driver.language == "es"
    assert Languages().translators_for("fr", ("ES",)).driver.language == "fr"
    assert Languages(driver="en").translators_for("", ("ES",)).driver.language == "en"
    assert Languages().translators_for("", ("US-WA",)).driver.language == "en"
