"""The law on a trip as a page: the border strip, and a sheet for an officer in each land. It prints."""

from datetime import datetime
from typing import Any

from alertd.i18n import Translator
from alertd.notices.text import law_text
from alertd.plan.model.plan import Plan
from alertd.sources.files.trips import TripRequest


def law_values(
    plan: Plan | None, trip: TripRequest, fleet: str, now_utc: datetime, translator: Translator
) -> dict[str, Any]:
    """Values of the page. The sheets stay in English, as the law is cited."""
    lands = () if plan is None else plan.law
    return {
        "trip": trip,
        "plan": plan,
        "fleet": fleet,
        "now": now_utc,
        "english": translator.language == "en",
        "strip": [] if plan is None else law_text.strip_lines(plan, translator),
        "sheets": [(land, law_text.sheet_rows(land)) for land in lands],
        "texts": {r.jurisdiction: r for r in plan.rules} if plan is not None else {},
        "changes": () if plan is None else plan.law_changes,
        "zone": plan.depart_zone if plan is not None else "UTC",
    }
