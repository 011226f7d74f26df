"""Every page against axe-core's rules for who sees, hears or points differently, light and dark, small and large."""

from collections.abc import Callable

import pytest

from alertd.testing.server import PageServer

PHONE, DESKTOP = {"width": 360, "height": 740}, {"width": 1280, "height": 900}
MOST_BYTES = 100_000


@pytest.fixture
def addresses(served: PageServer) -> dict[str, str]:
    board = served.base_url + "/board"
    return {
        "driver": served.link("QT-1041"),
        "driver, hold": served.link("QT-1044"),
        "no such link": served.base_url + "/d/nothing",
        "board": board,
        "trip": board + "/trips/QT-1044",
        "sign in": board + "/sign-in",
        "scores": board + "/score",
    }


@pytest.mark.parametrize(
    ("viewport", "scheme"),
    [
        pytest.param(PHONE, "light", id="phone-light"),
        pytest.param(PHONE, "dark", id="phone-dark", marks=pytest.mark.slow),
        pytest.param(DESKTOP, "light", id="desk-light", marks=pytest.mark.slow),
        pytest.param(DESKTOP, "dark", id="desk-dark", marks=pytest.mark.slow),
    ],
)
def test_no_page_has_any_finding(
    addresses: dict[str, str], open_page: Callable, viewport: dict[str, int], scheme: str
) -> None:
    axe = pytest.importorskip("axe_core_python.sync_playwright", reason="no axe-core-python here (pip)")
    for name, address in addresses.items():
        page = open_page(address, viewport=viewport, color_scheme=scheme, bypass_csp=True)
        for closed in page.locator("summary").all():
            closed.click()
        found = axe.Axe().run(page)["violations"]
        assert [(name, v["id"], [n["html"] for n in v["nodes"][:3]]) for v in found] == []
        assert page.evaluate("document.documentElement.scrollWidth") <= viewport["width"], name


def test_pages_are_small_and_fetch_nothing_from_elsewhere(
    addresses: dict[str, str], served: PageServer, open_page: Callable
) -> None:
    for name, address in addresses.items():
        page = open_page("about:blank")
        asked: list[str] = []
        page.on("request", lambda request, asked=asked: asked.append(request.url))
        answer = page.goto(address)
        page.wait_for_load_state("load")
        assert len(answer.body()) < MOST_BYTES, name
        assert [url for url in asked if not url.startswith(served.base_url)] == []


def test_print_leaves_out_what_paper_cannot_do(addresses: dict[str, str], open_page: Callable) -> None:
    page = open_page(addresses["driver"])
    page.emulate_media(media="print")
    assert not page.get_by_role("button", name="Chains on").is_visible()
    assert page.locator("h1").is_visible()
    assert page.locator(".ticks li").first.is_visible()
