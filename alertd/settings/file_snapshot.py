"""The files that a plan depends on, as bytes under their own names, and written again elsewhere."""

from collections.abc import Collection, Mapping
from pathlib import Path, PurePosixPath
from typing import Any, get_type_hints

from alertd.errors import ConfigError, StoreError
from alertd.settings.model import PlacePaths

RIGS = "rigs"  # begins the name of a rig's file, whose stem is the rig's id
GATHERED = ("zones", "heights", "roadside")  # written by `alertd gather`, and not there before its first run


def read_files(places: PlacePaths) -> dict[str, bytes]:
    """Every file that the places name, except routes. Raises ConfigError when one cannot be read."""
    out: dict[str, bytes] = {}
    for kind, named in _kinds():
        value = getattr(places, kind)
        if named == tuple[Path, ...]:
            out |= {f"{kind}/{n:03}/{path.name}": _bytes(path) for n, path in enumerate(value)}  # their order counts
        elif named is Path:
            out |= {f"{kind}/{path.name}": _bytes(path) for path in sorted(value.glob("*.toml"))}
        elif value is not None and (kind not in GATHERED or value.is_file()):
            out[f"{kind}/{value.name}"] = _bytes(value)
    return out


def read_gathered(places: PlacePaths) -> dict[str, bytes]:
    """What `alertd gather` has written, as far as it is there. Raises ConfigError when it cannot be read."""
    named = [(kind, getattr(places, kind)) for kind in GATHERED]
    return {f"{kind}/{path.name}": _bytes(path) for kind, path in named if path is not None and path.is_file()}


def _kinds() -> list[tuple[str, Any]]:
    """What places there are: a Path is a folder, one that may be None a file, a tuple some files."""
    return [(name, kind) for name, kind in get_type_hints(PlacePaths).items() if name != "routes"]


def of_rig(path: Path) -> dict[str, bytes]:
    return {f"{RIGS}/{path.name}": _bytes(path)}


def of_rigs(files: Mapping[str, bytes], rigs: Collection[str]) -> dict[str, bytes]:
    """The files without those of other rigs: a fleet may have a file for each of its trucks. rigs: their ids."""
    named = {f"{RIGS}/{rig}.toml" for rig in rigs}
    return {name: content for name, content in files.items() if name in named or not name.startswith(f"{RIGS}/")}


def of_route(path: Path) -> dict[str, bytes]:
    return {f"routes/{path.name}": _bytes(path)}


def write_files(files: Mapping[str, bytes], folder: Path) -> PlacePaths:
    """Write files under a folder, and say where each lies. Raises StoreError for a name that leads out of it."""
    for name, content in files.items():
        parts = PurePosixPath(name).parts
        if not 2 <= len(parts) <= 3 or ".." in parts or parts[0] == "/":
            raise StoreError(f"kept file {name!r}: is no name that alertd gives; use an archive that alertd wrote")
        path = folder.joinpath(*parts)
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_bytes(content)
        except OSError as exc:
            raise StoreError(f"{path}: cannot be written ({exc.strerror}); make room there") from exc

    found: dict[str, Any] = {"routes": folder / "routes"}
    for kind, named in _kinds():
        paths = tuple(folder / name for name in sorted(files) if name.startswith(f"{kind}/"))
        one = folder / kind if named is Path else next(iter(paths), None)
        found[kind] = paths if named == tuple[Path, ...] else one
    return PlacePaths(**found)


def _bytes(path: Path) -> bytes:
    try:
        return path.read_bytes()
    except OSError as exc:
        raise ConfigError(str(path), "", f"cannot be read ({exc.strerror})", "check the name and permissions") from exc
