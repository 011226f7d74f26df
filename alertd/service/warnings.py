"""Weather warnings along a route: asks at its places, and says what could not be learnt."""

import asyncio
from collections import Counter
from dataclasses import dataclass

from alertd.errors import SourceError
from alertd.plan.closures import Closure
from alertd.plan.warnings import WeatherAlert, place_warnings, places_to_ask
from alertd.route.line import Route
from alertd.sources.answer import Answer
from alertd.sources.nws_alerts import NwsAlerts


@dataclass(frozen=True, slots=True, kw_only=True)
class Warned:
    """The warnings on a route, and what must be said of those not known. known: none is missing or old."""

    closures: tuple[Closure, ...] = ()
    notes: tuple[str, ...] = ()
    known: bool = False


async def warnings_along(route: Route, source: NwsAlerts) -> Warned:
    """Never fails for the source: what it did not say is a note, and no place stands in for another."""
    samples = places_to_ask(route)

    async def ask(i: int) -> Answer[tuple[WeatherAlert, ...]] | SourceError:
        try:
            return await source.at(float(route.lat_deg[i]), float(route.lon_deg[i]))
        except SourceError as exc:
            return exc

    answers = await asyncio.gather(*(ask(i) for i in samples))
    told = {i: a.value if isinstance(a, Answer) else () for i, a in zip(samples, answers, strict=True)}
    missed = Counter(a.problem for a in answers if isinstance(a, SourceError))
    old = Counter(a.not_refreshed for a in answers if isinstance(a, Answer) and a.stale)
    all_n = len(samples)
    notes = [
        *(f"Weather warnings not known{_part(n, all_n)} ({why}): ask before leaving" for why, n in missed.items()),
        *(f"Weather warnings may have changed{_part(n, all_n)}: {why}" for why, n in old.items()),
    ]
    placed = await asyncio.to_thread(place_warnings, route, told)
    return Warned(closures=placed, notes=tuple(notes), known=not notes)


def _part(n: int, all_n: int) -> str:
    return "" if n == all_n else f" at {n} of the {all_n} places asked about on the way"
