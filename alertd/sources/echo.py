"""Whether an answer is for the place that was asked about."""

import numpy as np

EARTH_RADIUS_KM = 6371.0


def apart_km(lat1_deg: float, lon1_deg: float, lat2_deg: float, lon2_deg: float) -> float:
    """Great-circle distance by the haversine formula."""
    a, b, c, d = np.radians([lat1_deg, lon1_deg, lat2_deg, lon2_deg])
    h = np.sin((c - a) / 2) ** 2 + np.cos(a) * np.cos(c) * np.sin((d - b) / 2) ** 2
    return float(2 * EARTH_RADIUS_KM * np.arcsin(np.sqrt(np.clip(h, 0.0, 1.0))))
