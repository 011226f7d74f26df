"""Asks each source once, for `alertd check --sources`."""

from alertd.cli.checking.finding import Finding
from alertd.clock import Clock, system_clock
from alertd.planning.planner import create_planner
from alertd.planning.sentinel import ask_all, known_place
from alertd.settings.model import Settings


async def check_sources(settings: Settings, clock: Clock = system_clock) -> list[Finding]:
    """What each source gives at one place of the first route. Raises ConfigError for a mistake in the settings."""
    async with create_planner(settings, clock) as planner:
        place = await known_place(planner)
        if place is None:
            text = f"{settings.places.routes}: no route to take a place from; add a GPX file"
            return [Finding(file=str(settings.places.routes), level="wrong", text=text)]
        found = await ask_all(planner, place, clock())
    return [Finding(file=f.source, level=f.level, text=f"{f.source}: {f.text}") for f in found]
