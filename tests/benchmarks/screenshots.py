"""Takes the pictures of the README: `python tests/benchmarks/screenshots.py [--all FOLDER]`.

Serves the invented storm of 03:30 on loopback and opens two pages in the machine's Chromium, in light mode: the
driver's page on a phone (360 by 740 pixels) and the board on a desk (1280 by 900). `--all` takes every page instead, on
a phone, a desk and paper, in light and dark mode, to look at them. Needs `pip install '.[test]'` and
Chromium; the fonts of the machine decide how the text looks.
"""

import io
import shutil
import sys
import tempfile
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

from PIL import Image
from playwright.sync_api import Browser, sync_playwright

from alertd.notices.reports.brief import BriefInput, compile_brief
from alertd.notices.reports.brief_html import brief_page
from alertd.settings.read import read_settings
from alertd.testing.clock import ManualClock
from alertd.testing.fake_open_meteo import FakeOpenMeteo
from alertd.testing.server import PageServer

ROOT = Path(__file__).resolve().parents[2]
PICTURES = ROOT / "shared" / "guide" / "pictures"
MORNING = datetime(2027, 1, 14, 10, 30, tzinfo=UTC)
TRIP = "QT-1041"
HELD = "QT-1044"
PAPER = {"width": 725, "height": 980}  # a letter page without its margins, in CSS pixels
PHONE, DESKTOP = {"width": 360, "height": 740}, {"width": 1280, "height": 900}
# No call of the browser leaves this machine.
FLAGS = ("--headless", "--no-sandbox", "--disable-gpu", "--disable-sync", "--disable-background-networking")
COLORS_N = 64  # a palette of this size shows text and lines without visible loss


def main(folder: Path, *, every: bool) -> None:
    program = shutil.which("chromium")
    if program is None:
        sys.exit("no Chromium on this machine (apt-get install chromium)")
    folder.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory() as work, FakeOpenMeteo(now_utc=MORNING) as storm:
        settings = read_settings(ROOT / "fixtures" / "demo" / "alertd.toml")
        settings = replace(
            settings,
            forecast=settings.forecast.with_keys(open_meteo_url=storm.base_url),
            store=Path(work) / "alertd.db",
            cache=Path(work) / "http",
            archive=None,
        )
        with PageServer(settings, ManualClock(MORNING)) as server, sync_playwright() as playwright:
            browser = playwright.chromium.launch(executable_path=program, args=list(FLAGS))
            board = f"{server.base_url}/board"
            pages = {"driver": server.link(TRIP), "board": board}
            if every:
                brief = Path(work) / "brief.html"
                brief.write_text(brief_of(server), encoding="utf-8")
                pages |= {"trip": f"{board}/trips/{HELD}", "hold": server.link(HELD), "scores": f"{board}/score"}
                take_all(browser, pages | {"brief": brief.as_uri()}, folder)
            else:
                for name, viewport in (("driver", PHONE), ("board", DESKTOP)):
                    page = browser.new_page(viewport=viewport, color_scheme="light")
                    page.goto(pages[name])
                    save(page.screenshot(), folder / f"{name}.png")
            browser.close()


def brief_of(server: PageServer) -> str:
    given = BriefInput(
        fleet=server.settings.fleet, plans=tuple(server.planner.latest.plans.values()), not_planned=(), now=MORNING,
        zone=server.settings.brief_zone,
    )  # fmt: skip
    return brief_page(compile_brief(given))


def take_all(browser: Browser, pages: dict[str, str], folder: Path) -> None:
    """Whole pages, and how many sheets of paper each print takes."""
    for name, url in pages.items():
        for size, viewport in (("phone", PHONE), ("desk", DESKTOP)):
            for scheme in ("light", "dark"):
                page = browser.new_page(viewport=viewport, color_scheme=scheme)
                page.goto(url)
                save(page.screenshot(full_page=True), folder / f"{name}-{size}-{scheme}.png")
                page.close()
        page = browser.new_page(viewport=PAPER)
        page.goto(url)
        page.emulate_media(media="print")
        save(page.screenshot(full_page=True), folder / f"{name}-print.png")
        sheets = page.evaluate("document.documentElement.scrollHeight") / PAPER["height"]
        print(f"{name}: {sheets:.1f} sheets")
        page.close()


def save(png: bytes, path: Path) -> None:
    """Writes the picture with a small palette, without dithering."""
    small = Image.open(io.BytesIO(png)).convert("RGB").quantize(COLORS_N, dither=Image.Dither.NONE)
    small.save(path, optimize=True)
    print(f"{path}: {path.stat().st_size:,} bytes")


if __name__ == "__main__":
    every = "--all" in sys.argv
    folders = [Path(a) for a in sys.argv[1:] if a != "--all"]
    main(folders[0] if folders else PICTURES, every=every)
