"""How well rain and snow are told apart, against reports of people and of observers: by hand, from the checkout's root.

    python tests/benchmarks/score_phase.py

Reads ../shared/observations: reports around Lake Tahoe (Mountain Rain or Snow project, 2020-21, people's reports with
interpolated air temperature and humidity; on these the calibration was fitted, so its own score is in-sample and the
score with storms left out stands beside it) and one day of North American surface reports (1995-03-18, trained
observers, mostly low ground; not used for fitting). Pressure is the standard atmosphere's at the reported height.

Accuracy calls snow at P >= 0.5. POD: part of the snow that was called; FAR: part of the calls that were rain. Mixed
reports are left out of both and counted below. People report snow more readily than rain.
"""

import csv
import sys
from datetime import date
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from alertd.road.humidity import isa_pressure_hpa, svp_water_hpa, wet_bulb_c
from alertd.road.precip_phase import (
    MOUNTAIN_REPORTS,
    TRAINED_OBSERVERS,
    Calibration,
    jennings_trivariate,
    snow_chance,
    wang_wet_bulb,
)

OBSERVATIONS = Path(__file__).resolve().parents[3] / "shared" / "observations"
TAHOE = OBSERVATIONS / "phase_reports_tahoe_2020_2021.csv"
SURFACE = OBSERVATIONS / "surface_reports_1995-03-18_half.csv"
BOX_C = (-3.0, 5.0)
FOLDS = 8
PULL = 60.0  # weight of the prior, in the units of the log likelihood; see phase.Calibration


def read(path: Path) -> list[dict[str, str]]:
    if not path.exists():
        raise SystemExit(f"{path} is not there: this score needs the observations beside the checkout")
    with path.open(newline="", encoding="utf-8") as f:
        return list(csv.DictReader(f))


def row(name: str, p: Any, snow: Any) -> None:
    call, seen = p >= 0.5, snow > 0.5
    pod = (call & seen).sum() / max(seen.sum(), 1)
    far = (call & ~seen).sum() / max(call.sum(), 1)
    brier = np.mean((p - snow) ** 2)
    print(f"  {name:34s} accuracy {np.mean(call == seen):.3f}  Brier {brier:.4f}  POD {pod:.3f}  FAR {far:.3f}")


def compare(t: Any, rh: Any, p: Any, snow: Any) -> None:
    print(f"  {snow.size} reports of rain or snow, snow in {snow.mean():.1%}; Brier of climatology {snow.var():.3f}")
    published = snow_chance(t, rh, p, calibration=None)
    row("snow at or below 0 °C", (t <= 0.0) * 1.0, snow)
    row("snow at or below 2 °C", (t <= 2.0) * 1.0, snow)
    row("snow at wet bulb 1.5 °C or below", (wet_bulb_c(t, rh, p) <= 1.5) * 1.0, snow)
    row("Jennings 2018, as published", published.jennings, snow)
    row("Wang 2019, as published", published.wang, snow)
    row("their mean, as published", published.mean, snow)
    row("their mean, calibrated (default)", snow_chance(t, rh, p).mean, snow)
    row("their mean, trained observers", snow_chance(t, rh, p, calibration=TRAINED_OBSERVERS).mean, snow)


LEAST_REPORTS = 10  # of a region; fewer say nothing
DRAWS = 2000
# Parts of the surface reports by state.
PARTS = {
    "Washington, Oregon, Idaho": ("WA", "OR", "ID"),
    "California, Nevada": ("CA", "NV"),
    "New York, New England": ("NY", "ME", "NH", "VT", "MA", "CT", "RI"),
    "Upper Midwest and plains": ("MN", "WI", "IA", "SD", "ND", "NE", "MI"),
    "Alaska": ("AK",),
}


def regions(name: str, groups: dict[str, Any], t: Any, rh: Any, p: Any, snow: Any) -> None:
    """Accuracy and Brier score by region, with 90 % of the Brier score over reports drawn again."""
    how = {"published": None, "mountain": MOUNTAIN_REPORTS, "trained": TRAINED_OBSERVERS}
    chance = {word: snow_chance(t, rh, p, calibration=c).mean for word, c in how.items()}
    print(f"{name}, by region: right, Brier (90 %)")
    rng = np.random.default_rng(3)
    for region, mask in groups.items():
        k = np.flatnonzero(mask)
        if k.size < LEAST_REPORTS:
            print(f"  {region:28s} {k.size:4d} reports: too few")
            continue
        drawn = rng.integers(0, k.size, (DRAWS, k.size))
        parts = []
        for word, q in chance.items():
            error = (q[k] - snow[k]) ** 2
            low, high = np.quantile(error[drawn].mean(axis=1), (0.05, 0.95))
            right = np.mean((q[k] >= 0.5) == (snow[k] > 0.5))
            parts.append(f"{word} {right:.3f} {error.mean():.3f} ({low:.3f}-{high:.3f})")
        print(f"  {region:28s} {k.size:4d} reports  " + "   ".join(parts))


def fit(t: Any, rh: Any, p: Any, snow: Any) -> Calibration:
    """The penalised fit behind phase.Calibration, by Newton steps with numeric slopes."""
    tw = wet_bulb_c(t, rh, p)
    jennings, wang = jennings_trivariate(t, rh, p), wang_wet_bulb(tw)

    def loss(v: Any) -> float:
        c = Calibration(shift=v[0], slope=v[1], dry_per_k=v[2])
        q = np.clip(0.5 * (c(jennings, t - tw) + c(wang, t - tw)), 1e-9, 1.0 - 1e-9)
        fits = -np.sum(np.log(np.where(snow > 0.5, q, 1.0 - q)))
        return float(fits + 0.5 * PULL * (v[0] ** 2 + 4.0 * (v[1] - 1.0) ** 2 + 4.0 * v[2] ** 2))

    v, h = np.array([0.0, 1.0, 0.0]), 1e-3
    unit = np.eye(3) * h
    for _ in range(12):
        slope = np.array([(loss(v + e) - loss(v - e)) / (2 * h) for e in unit])
        bend = np.array(
            [[(loss(v + a + b) - loss(v + a - b) - loss(v - a + b) + loss(v - a - b)) / (4 * h * h) for b in unit]
             for a in unit]
        )  # fmt: skip
        v = v - np.linalg.solve(bend, slope)
    return Calibration(shift=v[0], slope=v[1], dry_per_k=v[2])


def left_out(group: Any, t: Any, rh: Any, p: Any, snow: Any) -> Any:
    out = np.empty(snow.size)
    for g in np.unique(group):
        rest, here = group != g, group == g
        c = fit(t[rest], rh[rest], p[rest], snow[rest])
        out[here] = snow_chance(t[here], rh[here], p[here], calibration=c).mean
    return out


def tahoe() -> None:
    rows = read(TAHOE)
    result = [r for r in rows if r["phase"] in ("Rain", "Snow")]
    t, rh, z = (np.array([float(r[k]) for r in result]) for k in ("tair", "rh", "elev"))
    rh, p = np.clip(rh / 100.0, 0.05, 1.0), isa_pressure_hpa(z)
    snow = np.array([r["phase"] == "Snow" for r in result], dtype=float)
    day = np.array([date.fromisoformat(r["utc_datetime"][:10]).toordinal() for r in result])
    order = np.unique(day)
    storm = dict(zip(order, np.cumsum(np.diff(order, prepend=order[0]) > 2), strict=True))
    fold = np.random.default_rng(0).permutation(max(storm.values()) + 1)[[storm[d] for d in day]] % FOLDS
    box = (t >= BOX_C[0]) & (t <= BOX_C[1])
    print(f"Tahoe 2020-21, air {BOX_C[0]:g} to {BOX_C[1]:g} °C")
    compare(t[box], rh[box], p[box], snow[box])
    data = t[box], rh[box], p[box], snow[box]
    row(f"  refitted, storms left out ({FOLDS} parts)", left_out(fold[box], *data), snow[box])
    quarter = np.digitize(z[box], np.quantile(z[box], (0.25, 0.5, 0.75)))
    row("  refitted, heights left out", left_out(quarter, *data), snow[box])
    state, height = np.array([r["state"] for r in result])[box], z[box]
    groups = {name: state == name for name in ("California", "Nevada")}
    edges_m = np.quantile(height, (0.0, 0.25, 0.5, 0.75, 1.0))
    for low, high in pairwise(edges_m):
        groups[f"{low:.0f} to {high:.0f} m"] = (height >= low) & (height <= high)
    regions("Tahoe", groups, *data)
    c = fit(*data)
    print(f"  fit: shift {c.shift:.3f} slope {c.slope:.3f} dry_per_k {c.dry_per_k:.3f}; in use: {MOUNTAIN_REPORTS}")
    print("Tahoe, how often it was snow by what the published and the calibrated mean said")
    published, ours = snow_chance(*data[:3], calibration=None).mean, snow_chance(*data[:3]).mean
    edges = (0.0, 0.05, 0.1, 0.2, 0.35, 0.5, 0.65, 0.8, 0.9, 1.001)
    for low, high in pairwise(edges):
        parts = []
        for name, q in (("published", published), ("calibrated", ours)):
            k = (q >= low) & (q < high)
            seen = f"{snow[box][k].mean():.2f}" if k.any() else "  - "
            parts.append(f"{name} {k.sum():4d} reports, snow in {seen}")
        print(f"  {low:4.2f}-{min(high, 1.0):4.2f}  " + "   ".join(parts))
    print("Tahoe, any temperature")
    compare(t, rh, p, snow)
    warm = wet_bulb_c(t, rh, p) > 5.0
    print(f"  wet bulb above 5 °C: {warm.sum()} reports, snow in {snow[warm].mean():.1%}")
    mixed = [r for r in rows if r["phase"] == "Mixed"]
    mt, mrh, mz = (np.array([float(r[k]) for r in mixed]) for k in ("tair", "rh", "elev"))
    q = snow_chance(mt, np.clip(mrh / 100.0, 0.05, 1.0), isa_pressure_hpa(mz)).mean
    print(f"  {q.size} mixed reports, not scored: mean P(snow) {q.mean():.2f}, between 0.2 and 0.8 in "
          f"{np.mean((q > 0.2) & (q < 0.8)):.0%}")  # fmt: skip


def surface() -> None:
    rows = [r for r in read(SURFACE) if r["air_c"] and r["dewpoint_c"] and r["elev_m"]]
    t, td, z = (np.array([float(r[k]) for r in rows]) for k in ("air_c", "dewpoint_c", "elev_m"))
    rh, p = np.clip(svp_water_hpa(td) / svp_water_hpa(t), 0.05, 1.0), isa_pressure_hpa(z)
    kind = np.array([r["phase"] for r in rows])
    box = (t >= BOX_C[0]) & (t <= BOX_C[1]) & np.isin(kind, ("rain", "snow"))
    print(f"surface reports 1995-03-18, air {BOX_C[0]:g} to {BOX_C[1]:g} °C (mean height {z[box].mean():.0f} m)")
    compare(t[box], rh[box], p[box], (kind[box] == "snow") * 1.0)
    state = np.array([r["region"].split()[1] if len(r["region"].split()) > 2 else "" for r in rows])[box]
    groups = {name: np.isin(state, codes) for name, codes in PARTS.items()}
    groups |= {f"only {code}": state == code for code in ("NH", "OR")}
    regions("surface reports", groups, t[box], rh[box], p[box], (kind[box] == "snow") * 1.0)
    for name in ("freezing", "ice pellets"):
        k = kind == name
        if k.any():
            chance = snow_chance(t[k], rh[k], p[k]).mean
            print(f"  {k.sum()} {name}, air {t[k].min():.1f} to {t[k].max():.1f} °C: temperature alone says P(snow) "
                  f"{chance.min():.2f} to {chance.max():.2f}; only the source's own word can tell")  # fmt: skip


if __name__ == "__main__":
    tahoe()
    surface()
