"""Forecasts of earlier planning runs, kept on disk for the hours that have passed since.

A source without past hours forecast them when they were still ahead. The last forecast of each hour stays here, by
source and places, for the daemon and for single plans with the same cache folder.
"""

import hashlib
import logging
import os
import tempfile
from collections.abc import Sequence
from contextlib import suppress
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any, Final
from zipfile import BadZipFile

import numpy as np
from numpy.typing import NDArray

from alertd.forecast.model import Forecast
from alertd.forecast.past import FILLED_FIELDS, KeptForecast, as_kept

log = logging.getLogger(__name__)

KEPT_FOLDER: Final = "kept-forecasts"  # in the folder of cached answers
FILES_KEPT: Final = timedelta(days=3)  # [A] longer than they serve
PAST_KEPT: Final = timedelta(hours=50)
AHEAD_KEPT: Final = timedelta(hours=24)  # [A] a daemon that stops for longer has no own forecast of the time between
SAME_HEIGHT_M: Final = 50.0  # [A] of a cell; a grid that moved has other cells for the same places


class KeptForecasts:
    """Kept forecasts in a folder; in memory alone without one. Disk failures never raise: they are logged once."""

    def __init__(self, folder: Path | None) -> None:
        self._folder = folder
        self._memory: dict[str, KeptForecast] = {}
        self._reported = False

    def update(self, forecasts: Sequence[Forecast], now_utc: datetime) -> tuple[KeptForecast, ...]:
        """Add forecasts of one member each; return what is kept for their sources and places, theirs included."""
        return tuple(self._updated(f, now_utc) for f in forecasts if f.air_temp_c.shape[0] == 1)

    def _updated(self, forecast: Forecast, now_utc: datetime) -> KeptForecast:
        key = _key(forecast)
        new = as_kept(forecast)
        start = now_utc.astimezone(UTC).replace(minute=0, second=0, microsecond=0) - PAST_KEPT
        hours = (PAST_KEPT + AHEAD_KEPT) // timedelta(hours=1)
        merged = new.between(start, hours)
        before = self._memory.get(key) or self._read(key, forecast.provider)
        if before is not None and before.elevation_m.shape == new.elevation_m.shape:
            same = ~(np.abs(before.elevation_m - new.elevation_m) > SAME_HEIGHT_M)
            earlier = before.between(start, hours)
            # Hours that the new forecast does not give, from cells that have not moved.
            take = np.isnan(merged.issued_epoch_s) & np.isfinite(earlier.issued_epoch_s) & same[:, None]
            merged = KeptForecast(
                provider=new.provider,
                start=start,
                elevation_m=new.elevation_m,
                values=np.where(take, earlier.values, merged.values),
                issued_epoch_s=np.where(take, earlier.issued_epoch_s, merged.issued_epoch_s),
            )
        self._memory[key] = merged
        self._write(key, merged)
        return merged

    def _path(self, key: str) -> Path | None:
        return None if self._folder is None else self._folder / f"{key}.npz"

    def _read(self, key: str, provider: str) -> KeptForecast | None:
        path = self._path(key)
        if path is None or not path.is_file():
            return None
        try:
            with path.open("rb") as file, np.load(file, allow_pickle=False) as stored:
                parts: dict[str, NDArray[Any]] = {name: stored[name] for name in stored.files}
            kept = KeptForecast(
                provider=provider,
                start=datetime.fromtimestamp(float(parts["start_epoch_s"]), UTC),
                elevation_m=parts["elevation_m"].astype(np.float64),
                values=parts["values"].astype(np.float64),
                issued_epoch_s=parts["issued_epoch_s"].astype(np.float64),
            )
        except (OSError, ValueError, KeyError, EOFError, BadZipFile) as exc:
            self._report(f"kept forecasts {path} cannot be read ({exc}); planning without them")
            return None
        shape = (len(FILLED_FIELDS), kept.elevation_m.size, kept.issued_epoch_s.shape[-1])
        return kept if kept.values.shape == shape and kept.issued_epoch_s.shape == shape[1:] else None

    def _write(self, key: str, kept: KeptForecast) -> None:
        path = self._path(key)
        if path is None:
            return
        temporary = ""
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
            handle, temporary = tempfile.mkstemp(dir=path.parent, suffix=".tmp")
            with os.fdopen(handle, "wb") as file:
                np.savez_compressed(
                    file,
                    start_epoch_s=kept.start.timestamp(),
                    elevation_m=kept.elevation_m,
                    values=kept.values.astype(np.float32),
                    issued_epoch_s=kept.issued_epoch_s,
                )
            os.replace(temporary, path)
        except OSError as exc:
            with suppress(OSError):
                Path(temporary).unlink(missing_ok=True)
            self._report(f"kept forecasts {path} cannot be written ({exc.strerror}); continuing without them")

    def prune(self, *, written_before: datetime) -> int:
        """Remove files that no plan has written since; return how many."""
        removed = 0
        for path in sorted(self._folder.glob("*")) if self._folder is not None else ():
            with suppress(OSError):
                if datetime.fromtimestamp(path.stat().st_mtime, UTC) < written_before:
                    path.unlink()
                    removed += 1
        return removed

    def _report(self, text: str) -> None:
        if not self._reported:
            self._reported = True
            log.warning("%s", text)


def _key(forecast: Forecast) -> str:
    """Of a source and places, to the metre."""
    places = np.round(np.stack([forecast.lat_deg, forecast.lon_deg]), 5).tobytes()
    digest = hashlib.blake2b(places, digest_size=12).hexdigest()
    name = "".join(c if c.isalnum() else "-" for c in forecast.provider)
    return f"{name}-{digest}"
