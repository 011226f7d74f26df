"""Takes the pictures of the README: `python tests/benchmarks/screenshots.py`.

Serves the invented storm of 03:30 on loopback and opens two pages in the machine's Chromium, in light mode: the
driver's page on a phone (360 by 740 pixels) and the board on a desk (1280 by 900). Needs `pip install '.[test]'` and
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
from playwright.sync_api import sync_playwright

from alertd.settings.read import read_settings
from alertd.testing.clock import ManualClock
from alertd.testing.fake_open_meteo import FakeOpenMeteo
from alertd.testing.server import PageServer

ROOT = Path(__file__).resolve().parents[2]
PICTURES = ROOT / "shared" / "guide" / "pictures"
MORNING = datetime(2027, 1, 14, 10, 30, tzinfo=UTC)
TRIP = "QT-1041"
PHONE, DESKTOP = {"width": 360, "height": 740}, {"width": 1280, "height": 900}
# No call of the browser leaves this machine.
FLAGS = ("--headless", "--no-sandbox", "--disable-gpu", "--disable-sync", "--disable-background-networking")
COLORS_N = 64  # a palette of this size shows text and lines without visible loss


def main(folder: Path) -> None:
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
            for name, url, viewport in (
                ("driver", server.link(TRIP), PHONE),
                ("board", f"{server.base_url}/board", DESKTOP),
            ):
                page = browser.new_page(viewport=viewport, color_scheme="light")
                page.goto(url)
                save(page.screenshot(), folder / f"{name}.png")
            browser.close()


def save(png: bytes, path: Path) -> None:
    """Writes the picture with a small palette, without dithering."""
    small = Image.open(io.BytesIO(png)).convert("RGB").quantize(COLORS_N, dither=Image.Dither.NONE)
    small.save(path, optimize=True)
    print(f"{path}: {path.stat().st_size:,} bytes")


if __name__ == "__main__":
    main(Path(sys.argv[1]) if len(sys.argv) > 1 else PICTURES)
