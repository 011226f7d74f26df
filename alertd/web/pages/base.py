"""Shared parts of all pages: templates, style sheet, headers, forms and the same-origin check."""

import hashlib
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any, Final
from urllib.parse import parse_qs, urlsplit

from fastapi import APIRouter, Request, Response
from fastapi.responses import HTMLResponse
from jinja2 import Environment, PackageLoader, StrictUndefined

from alertd.i18n import ENGLISH
from alertd.notices.charts.palette import DARK, LIGHT
from alertd.notices.text import phrases
from alertd.web.problems import ProblemError

FOLDER: Final = Path(__file__).parent / "static"
MAX_FORM_BYTES: Final = 16 * 1024
# Own files only, nothing inline, no framing.
CSP: Final = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; connect-src 'self'; worker-src 'self'; "
    "form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
)
HEADERS: Final = {
    "Content-Security-Policy": CSP,
    "Cache-Control": "no-store",
    "X-Robots-Tag": "noindex, nofollow",
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "same-origin",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
}
SECRET_PATH: Final = {"Referrer-Policy": "no-referrer"}  # where the URL itself grants access
_TYPES: Final = {"css": "text/css", "js": "text/javascript", "svg": "image/svg+xml"}


def _style() -> bytes:
    """The style sheet, preceded by the palette of the charts."""

    def colors(c: Mapping[str, str]) -> str:
        return "".join(f"--{role}:{value};" for role, value in c.items())

    dark = f"@media (prefers-color-scheme:dark){{:root{{{colors(DARK)}}}}}"
    paper = f"@media print{{:root{{{colors(LIGHT)}}}}}"
    # The pictures written into a page have their colors from here: its policy forbids a style of their own.
    roles = "".join(
        f".alertd-picture .f-{r}{{fill:var(--{r})}}.alertd-picture .s-{r}{{stroke:var(--{r})}}"
        f".swatch.{r}{{background:var(--{r})}}"
        for r in LIGHT
    )
    plain = (FOLDER / "style.css").read_text(encoding="utf-8")
    text = ".alertd-picture text{font-family:system-ui,'DejaVu Sans',sans-serif;fill:var(--ink)}"
    return f":root{{{colors(LIGHT)}}}{dark}{paper}{text}{roles}\n{plain}".encode()


class Pages:
    """Templates and files. translate: by language, the function that translates a template's message and inserts its
    values."""

    def __init__(self, translate: Callable[[str], Callable[..., str]] = lambda language: ENGLISH.gettext) -> None:
        self._files = {
            name: _style() if name == "style.css" else (FOLDER / name).read_bytes()
            for name in (
                "style.css",
                "icon.svg",
                "chain-side.svg",
                "chain-tails.svg",
                "driver.js",
                "board.js",
                "worker.js",
            )
        }
        self._translate = translate
        self._env = Environment(
            loader=PackageLoader("alertd.web.pages", "templates"),
            autoescape=True,
            undefined=StrictUndefined,
            trim_blocks=True,
            lstrip_blocks=True,
        )
        self._env.globals["file"] = self._asset_url
        self._env.filters |= {
            "mph": phrases.mph, "miles": phrases.miles, "minutes": phrases.minutes, "percent": phrases.percent,
            "stop_words": phrases.stop_words, "age": phrases.age,
        }  # fmt: skip
        self._env.globals |= {"clock": phrases.clock_time, "day_clock": phrases.day_clock, "likely": phrases.likely}
        self._env.globals |= {
            "held_until": phrases.held_until,
            "snow_depth": phrases.snow_depth,
            "may_be_white": phrases.may_be_white,
            "SIGNS": phrases.SIGNS,
            "forecast_age": phrases.forecast_age,
            "rule_text_age": phrases.rule_text_age,
        }
        self._env.globals |= {"why_held": phrases.why_held}

    def _asset_url(self, name: str) -> str:
        """URL of a file with a hash of its content, so that browsers may cache it until it changes."""
        return f"/pages/{name}?v={hashlib.sha256(self._files[name]).hexdigest()[:12]}"

    def render(
        self,
        template: str,
        values: Mapping[str, Any],
        *,
        language: str = "en",
        status: int = 200,
        headers: Mapping[str, str] | None = None,
    ) -> HTMLResponse:
        text = self._env.get_template(template).render(_=self._translate(language), language=language, **values)
        return HTMLResponse(text, status_code=status, headers={**HEADERS, **(headers or {})})

    def router(self) -> APIRouter:
        """Router of the static files that pages reference."""
        router = APIRouter(include_in_schema=False)

        @router.get("/pages/{name}")
        async def file(name: str) -> Response:
            if name not in self._files:
                raise ProblemError(404, "no such file", name)
            kept = {**HEADERS, "Cache-Control": "public, max-age=31536000, immutable"}
            if name == "worker.js":  # browsers check for a new worker themselves; it serves the driver's pages only
                kept |= {"Cache-Control": "no-cache", "Service-Worker-Allowed": "/d/"}
            return Response(self._files[name], media_type=_TYPES[name.rpartition(".")[2]], headers=kept)

        return router


async def form_of(request: Request) -> dict[str, str]:
    """A form's fields, with the last value of each. Raises ProblemError."""
    if request.headers.get("content-type", "").split(";")[0].strip() != "application/x-www-form-urlencoded":
        raise ProblemError(415, "not a form", "send it as application/x-www-form-urlencoded")
    body = bytearray()
    async for chunk in request.stream():
        body += chunk
        if len(body) > MAX_FORM_BYTES:
            raise ProblemError(413, "too large", f"a form takes at most {MAX_FORM_BYTES} bytes")
    try:
        sent = parse_qs(body.decode(), keep_blank_values=True, max_num_fields=100)
    except ValueError as exc:
        raise ProblemError(400, "not a form", "its fields cannot be read") from exc
    return {name: values[-1].strip() for name, values in sent.items()}


def check_same_origin(request: Request, *, secret_path: bool = False) -> None:
    """Raise ProblemError for a POST that a page of another site may have sent.

    Checks Sec-Fetch-Site where the browser sends it (over TLS and on loopback), otherwise Origin, which must be this
    host. With secret_path only its reader knows the URL, and no-referrer makes browsers send Origin: null or none.
    """
    site, origin = request.headers.get("sec-fetch-site"), request.headers.get("origin")
    if site is not None:
        good = site == "same-origin"
    elif origin in (None, "null"):
        good = secret_path
    else:
        good = urlsplit(origin).netloc.lower() == request.headers.get("host", "").lower()
    if not good:
        raise ProblemError(403, "sent from elsewhere", "open the page here and send it from there")
