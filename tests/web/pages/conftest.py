"""The demo's storm behind real pages, planned once, and a browser that looks at them."""

import shutil
from collections.abc import Callable, Iterator
from contextlib import suppress
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from alertd.settings.read import read_settings
from alertd.testing.clock import ManualClock
from alertd.testing.fake_open_meteo import FakeOpenMeteo
from alertd.testing.server import PageServer

DEMO = Path(__file__).resolve().parents[3] / "fixtures" / "demo"
MORNING = datetime(2027, 1, 14, 10, 30, tzinfo=UTC)
# What a browser would otherwise ask of its maker's servers is switched off.
FLAGS = (
    "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-sync",
    "--disable-background-networking", "--disable-component-update",
)  # fmt: skip
PHONE, DESKTOP = {"width": 360, "height": 740}, {"width": 1280, "height": 900}


@pytest.fixture(scope="session")
def storm() -> Iterator[FakeOpenMeteo]:
    with FakeOpenMeteo(now_utc=MORNING) as server:
        yield server


@pytest.fixture(scope="session")
def served(storm: FakeOpenMeteo, tmp_path_factory: pytest.TempPathFactory) -> Iterator[PageServer]:
    """Four trips of the demo, planned at 03:30; the drivers of 04:45 and 05:45 have their texts."""
    folder = tmp_path_factory.mktemp("served")
    settings = read_settings(DEMO / "alertd.toml")
    settings = replace(
        settings,
        forecast=settings.forecast.with_keys(open_meteo_url=storm.base_url),
        plan=replace(settings.plan, compare_h=3.0),  # enough to have a planned departure and others to show
        store=folder / "alertd.db",
        cache=folder / "http",
        archive=None,
        notices=replace(settings.notices, before_rolling=timedelta(hours=2.5)),
    )
    with PageServer(settings, ManualClock(MORNING)) as server:
        yield server


# For one module at a time: while Playwright runs, its event loop is this thread's, and no asyncio test could have one.
@pytest.fixture(scope="module")
def browser() -> Iterator[object]:
    program = shutil.which("chromium")
    if program is None:
        pytest.skip("no Chromium on this machine (apt-get install chromium)")
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
        opened = playwright.chromium.launch(executable_path=program, args=list(FLAGS))
        yield opened
        opened.close()


@pytest.fixture
def open_page(browser: object) -> Iterator[Callable]:
    """`open_page(url, viewport=..., color_scheme=..., java_script_enabled=...)`: a page of a browser of its own."""
    contexts = []

    def opened(url: str, **how: object) -> object:
        context = browser.new_context(**({"viewport": PHONE} | how))
        contexts.append(context)
        page = context.new_page()
        page.faults = []
        page.on("pageerror", lambda fault: page.faults.append(str(fault)))
        page.on("console", lambda output: page.faults.append(output.text) if output.type == "error" else None)
        page.goto(url)
        return page

    yield opened
    for context in contexts:
        context.close()


@pytest.fixture
def until() -> Callable:
    """`until(page, expression)`: wait for it to hold. Playwright's own waiting evaluates text inside the page, which
    the pages' policy forbids."""

    from playwright.sync_api import Error

    def wait(page: object, expression: str, within_s: float = 30.0) -> None:
        for _ in range(round(within_s / 0.1)):
            with suppress(Error):  # a page that loads anew meanwhile
                if page.evaluate(expression):
                    return
            page.wait_for_timeout(100)
        raise AssertionError(f"never came true: {expression}")

    return wait
