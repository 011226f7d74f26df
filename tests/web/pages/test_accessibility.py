"""Every page against axe-core's rules for who sees, hears or points differently: light, dark, small, on paper."""

import re
from collections.abc import Callable
from datetime import UTC, datetime

import pytest

from alertd.notices.reports.brief import BriefInput, compile_brief
from alertd.notices.reports.brief_html import brief_page
from alertd.notices.reports.scores import Case, score_cases
from alertd.notices.reports.scores_html import score_page
from alertd.testing.server import PageServer
from alertd.web.pages.base import Pages

PHONE, DESKTOP, NARROW = {"width": 360, "height": 740}, {"width": 1280, "height": 900}, {"width": 320, "height": 640}
MOST_BYTES = 120_000
AT = datetime(2027, 1, 14, 14, 0, tzinfo=UTC)
# What a test of every run looks at on a phone; the slow ones look at all pages in every way.
MAIN = ("driver", "driver, hold", "board", "trip", "scores")


@pytest.fixture
def addresses(served: PageServer) -> dict[str, str]:
    board = served.base_url + "/board"
    return {
        "driver": served.link("QT-1041"),
        "driver, hold": served.link("QT-1044"),
        "driver, law": served.link("QT-1041") + "/law",
        "no such link": served.base_url + "/d/nothing",
        "board": board,
        "board, filtered": board + "?look=1&short=1",
        "trip": board + "/trips/QT-1044",
        "trip, law": board + "/trips/QT-1044/law",
        "sign in": board + "/sign-in",
        "scores": board + "/score",
    }


@pytest.fixture
def written(served: PageServer) -> dict[str, str]:
    """Pages that this server does not show by itself: the brief, a form to sign in, scores with enough cases."""
    given = BriefInput(
        fleet="Fleet", plans=tuple(served.planner.latest.plans.values()), not_planned=(), now=served.clock(),
        zone="America/Denver",
    )  # fmt: skip
    cases = [
        Case(lead_h=1.0 + i % 3, probability=p, called=p >= 0.5, happened=i % 10 < 10 * p, because="", day="2027-01-14")
        for p in (0.1, 0.4, 0.8)
        for i in range(20)
    ]
    sentence = "Of {called} trips told to chain, {hits} needed chains; {misses} that needed them were not told."
    scores = [score_cases("Chains needed", "posted or reported", cases, sentence)]
    form = Pages().render("sign_in.html", {"problem": "That is no token.", "fleet": "Fleet", "needs": True})
    return {
        "brief": brief_page(compile_brief(given)),
        "sign-in form": bytes(form.body).decode(),
        "scores with cases": score_page("Fleet", scores, AT, AT, "America/Denver", 0.5),
    }


@pytest.fixture
def look(
    addresses: dict[str, str], written: dict[str, str], served: PageServer, open_page: Callable
) -> Callable[..., object]:
    """`look(name, **how)`: the page opened in a browser, with everything that can be unfolded open."""

    def opened(name: str, **how: object) -> object:
        if name in addresses:
            page = open_page(addresses[name], **how)
        else:
            page = open_page("about:blank", **how)
            page.route("**/shown", lambda route: route.fulfill(body=written[name], content_type="text/html"))
            page.goto(served.base_url + "/shown")
        for closed in page.locator("summary").all():
            closed.click()
        return page

    return opened


@pytest.mark.parametrize(
    ("viewport", "scheme", "media", "main_only"),
    [
        pytest.param(PHONE, "light", "screen", True, id="phone-light-main"),
        *(
            pytest.param(viewport, scheme, media, False, id=name, marks=pytest.mark.slow)
            for name, viewport, scheme, media in (
                ("phone-light", PHONE, "light", "screen"),
                ("phone-dark", PHONE, "dark", "screen"),
                ("desk-light", DESKTOP, "light", "screen"),
                ("desk-dark", DESKTOP, "dark", "screen"),
                ("narrow", NARROW, "light", "screen"),
                ("paper", DESKTOP, "dark", "print"),
            )
        ),
    ],
)
def test_no_page_has_any_finding(
    addresses: dict[str, str],
    written: dict[str, str],
    look: Callable[..., object],
    viewport: dict[str, int],
    scheme: str,
    media: str,
    main_only: bool,
) -> None:
    """axe-core: https://github.com/dequelabs/axe-core; no wider than 320 px: WCAG 2.2, 1.4.10."""
    axe = pytest.importorskip("axe_core_python.sync_playwright", reason="no axe-core-python here (pip)")
    found = []
    for name in MAIN if main_only else (*addresses, *written):
        page = look(name, viewport=viewport, color_scheme=scheme, bypass_csp=True)
        page.emulate_media(media=media)
        violations = axe.Axe().run(page)["violations"]
        found += [(name, v["id"], [n["html"] for n in v["nodes"][:3]]) for v in violations]
        if page.evaluate("document.documentElement.scrollWidth") > viewport["width"]:
            found.append((name, "wider than the screen", []))
        page.close()
    assert found == []


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


@pytest.mark.parametrize("name", ["trip", "brief", "driver"])
def test_a_trip_and_the_summary_of_a_brief_are_one_sheet(
    addresses: dict[str, str], written: dict[str, str], open_page: Callable, name: str
) -> None:
    """A letter sheet, as the browser makes a PDF of it: the trip and the driver's page with two passes and a hold, the
    brief of four trips without the details that follow on sheets of their own."""
    page = open_page(addresses.get(name, "about:blank"), viewport=DESKTOP, color_scheme="dark", bypass_csp=True)
    if name in written:
        page.set_content(written[name].replace("</style>", ".behind{display:none}</style>"))
    pdf = page.pdf(prefer_css_page_size=True)
    assert len(re.findall(rb"/Type\s*/Page\b", pdf)) == 1
