"""`alertd score --archive`: scores kept forecasts, run through the present chain, against what was observed."""

import json
from pathlib import Path

import click

from alertd.cli.paths import settings_to_read
from alertd.notices.reports.archive_scores import archive_json, archive_lines

PROGRESS_EVERY = 100


def score_archive_command(folder: str, as_json: bool, config: str | None) -> None:
    """Print the scores of a recording or of the CSV form."""
    from alertd.planning.recordings.recorded import read_archive
    from alertd.planning.recordings.score import score_archive
    from alertd.planning.recordings.truth import RULE
    from alertd.planning.weather import WeatherSources

    settings = settings_to_read(config)
    f = settings.forecast
    sources = WeatherSources(
        providers=(), members=f.members, seed=f.seed, stale_h=f.stale_h, road=f.road, weights=dict(f.weights)
    )

    def progress(done: int) -> None:
        if done % PROGRESS_EVERY == 0:
            click.echo(f"{done} forecasts run", err=True)

    found = score_archive(read_archive(Path(folder)), sources, progress)
    about = {
        "forecasts": found.runs_n,
        "without_source": found.unusable_n,
        "places": list(found.places),
        "station_reports": found.reports_n,
        "road_reports": found.surfaces_n,
    }
    if as_json:
        click.echo(json.dumps(archive_json(found.scores, RULE, about), ensure_ascii=False, indent=1))
        return
    names = ", ".join(found.places) if len(found.places) <= 8 else f"{len(found.places)} places"
    text = (
        f"{found.runs_n} forecasts for {names or 'no place'}; {found.reports_n} station reports, {found.surfaces_n} of "
        "road sensors"
    )
    missed = [f"{found.unusable_n} of them had no answer of any source and are left out"] if found.unusable_n else []
    click.echo("\n".join(archive_lines(found.scores, RULE, [text, *missed])))
