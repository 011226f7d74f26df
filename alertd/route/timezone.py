"""Which IANA time zone a place keeps."""

from functools import lru_cache

from tzfpy import get_tz


@lru_cache(maxsize=4096)
def zone_at(lat_deg: float, lon_deg: float) -> str:
    """IANA name of the zone at a place; "Etc/UTC" at sea where none is kept. Simplified polygons, good to ~1 km."""
    return get_tz(lon_deg, lat_deg) or "Etc/UTC"
