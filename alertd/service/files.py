"""The files a plan stands on, as bytes under names of their own, and laid out again as files elsewhere."""

from collections.abc import Mapping
from pathlib import Path, PurePosixPath

from alertd.errors import ConfigError, StoreError
from alertd.service.settings import Places


def read_files(places: Places) -> dict[str, bytes]:
    """Every file that the places name, except routes. Raises ConfigError when one cannot be read."""
    out: dict[str, bytes] = {}
    for kind, paths in (("boundaries", places.boundaries), ("stops", places.stops)):
        for number, path in enumerate(paths):  # their order counts
            out[f"{kind}/{number:03}/{path.name}"] = _bytes(path)
    for kind, one in (("crossings", places.crossings), ("summits", places.summits), ("road", places.road)):
        if one is not None:
            out[f"{kind}/{one.name}"] = _bytes(one)
    out |= {f"rules/{path.name}": _bytes(path) for path in sorted(places.rules.glob("*.toml"))}
    for path in sorted(places.rigs.glob("*.toml")):
        out |= of_rig(path)
    return out


def of_rig(path: Path) -> dict[str, bytes]:
    return {f"rigs/{path.name}": _bytes(path)}


def of_route(path: Path) -> dict[str, bytes]:
    return {f"routes/{path.name}": _bytes(path)}


def lay_out(files: Mapping[str, bytes], folder: Path) -> Places:
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

    def of(kind: str) -> tuple[Path, ...]:
        return tuple(folder / name for name in sorted(files) if name.startswith(f"{kind}/"))

    def one(kind: str) -> Path | None:
        return next(iter(of(kind)), None)

    return Places(
        boundaries=of("boundaries"),
        crossings=one("crossings"),
        summits=one("summits"),
        stops=of("stops"),
        rules=folder / "rules",
        rigs=folder / "rigs",
        routes=folder / "routes",
        road=one("road"),
    )


def _bytes(path: Path) -> bytes:
    try:
        return path.read_bytes()
    except OSError as exc:
        raise ConfigError(str(path), "", f"cannot be read ({exc.strerror})", "check the name and permissions") from exc
