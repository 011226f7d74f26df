"""Finds an archived plan, and prints the result of its replay."""

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

from rich.console import Console

from alertd.cli.paths import settings_path
from alertd.errors import ConfigError, InputError
from alertd.plan.serialize import FORMAT, canonical
from alertd.planning.replays.replay import ReplayResult
from alertd.settings.read import read_settings
from alertd.store.archive import Archive, is_plan_id
from alertd.store.store import Store

MAX_SHOWN = 40


def find_plan(what: str, archive: Path | None, config: str | None) -> tuple[Archive, str]:
    """The archive and the id in it: of a plan's id, or of a folder that holds one plan. Raises InputError."""
    if is_plan_id(what):
        return Archive(archive if archive is not None else _settings_archive(config)), what
    folder = Path(what)
    if not folder.is_dir():
        raise InputError("replay", "", f"{what} is neither a plan's id nor a folder", "write plan_... or an archive")
    plans = Archive(folder).plans()
    if len(plans) != 1:
        held = f"holds {len(plans)} plans" if plans else "holds no plan"
        mend = f"name one: alertd replay {plans[-1]} --archive {what}" if plans else "name an archive of alertd"
        raise InputError(what, "", held, mend)
    return Archive(folder), plans[0]


def _settings_archive(config: str | None) -> Path:
    settings = read_settings(settings_path(config))
    if settings.archive is None:
        raise ConfigError(
            str(settings.where), "daemon.archive", "is empty, so nothing is kept", "name a folder, or give --archive"
        )
    return settings.archive


def stored_text(config: str | None) -> Callable[[str], str | None]:
    """Reads the JSON of a plan from the store of the settings; None without settings, store or plan."""

    def text(plan_id: str) -> str | None:
        try:
            place = read_settings(settings_path(config)).store
        except ConfigError:
            return None
        if isinstance(place, Path) and not place.is_file():
            return None
        with Store(place) as store:
            stored = store.plan(plan_id)
        return None if stored is None else canonical({"format": FORMAT, **json.loads(stored.body)["plan"]})

    return text


def replay_json(done: ReplayResult, plan_id: str) -> dict[str, Any]:
    return {
        "plan_id": plan_id,
        "made_with": done.made_with,
        "same": not done.differences,
        "differences": [{"path": d.path, "old": d.old, "new": d.new} for d in done.differences],
    }


def show_replay(done: ReplayResult, plan_id: str, console: Console) -> None:
    if not done.differences:
        console.print(f"{plan_id}: same, byte for byte", highlight=False, soft_wrap=True)
        return
    differing = f"{len(done.differences)} fields differ"
    console.print(f"{plan_id}: {differing} from the plan made with alertd {done.made_with}", highlight=False)
    for d in done.differences[:MAX_SHOWN]:
        console.print(f"  {d.path}: {_short(d.old)} -> {_short(d.new)}", highlight=False, soft_wrap=True)
    if len(done.differences) > MAX_SHOWN:
        console.print(f"  and {len(done.differences) - MAX_SHOWN} more; --json lists all", highlight=False)


def _short(value: Any) -> str:
    text = json.dumps(value, ensure_ascii=False)
    return text if len(text) <= 100 else text[:97] + "..."
