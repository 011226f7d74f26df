"""Coefficients of postings from records that were made with known ones: the model's own, and the formula's."""

import numpy as np
import pytest

from alertd.rules.posting.fit import PostingRecord, fit_posting, shifted
from alertd.rules.posting.hazard import HABIT_SIGMA, ZoneWeather, off_rate, on_rate, posted_state, run_state

HABITS = {"often": 0.9, "usual": 0.0, "rare": -0.9}


def winters(hours: int, rng: np.random.Generator) -> ZoneWeather:
    """One zone and many hours of storms of a day and a half, of many strengths, three days apart."""
    hour = np.arange(hours)
    rate = np.where(hour % 72 < 36, rng.gamma(1.0, 0.3, hours // 72 + 1)[hour // 72], 0.0).astype(np.float32)[
        None, None
    ]
    nothing = np.zeros_like(rate)
    return ZoneWeather(
        snowfall_mmwe_h=rate, uncleared_mmwe=2.5 * rate, day_mmwe=10.0 * rate, wind_mps=nothing, glaze=nothing,
        ice=nothing, known=np.ones(rate.shape, dtype=bool),
    )  # fmt: skip


def records(days: int, seed: int = 1) -> list[PostingRecord]:
    """A look at each zone once a storm: the estimate of a zone of any habit, and what its own habit posts."""
    rng = np.random.default_rng(seed)
    out = []
    for zone, u in HABITS.items():
        weather = winters(72 * days, rng)
        on, off = on_rate(weather), off_rate(weather)
        estimate = posted_state(on, off)[0, 0]
        own = run_state(on * np.float32(np.exp(u)), off)[0, 0]
        for day in range(days):
            hour = 72 * day + int(rng.integers(2, 40))
            posted = bool(rng.random() < own[hour])
            out.append(
                PostingRecord(zone=zone, level="r1", day=str(day), probability=float(estimate[hour]), posted=posted)
            )
    return out


def test_habits_of_zones_come_back_from_the_models_own_winters() -> None:
    fit = fit_posting(records(600))
    found = {c.name: c.value + fit.levels[0].value for c in fit.zones}
    for zone, u in HABITS.items():
        assert found[zone] == pytest.approx(u, abs=0.3)
    assert fit.after > fit.before


def test_few_records_leave_a_coefficient_near_zero() -> None:
    """Ten of ten days posted at odds of 1: the prior of 0.7 keeps the shift small; a hundred days move it further."""

    def always(days: int) -> float:
        rows = [PostingRecord(zone="z", level="k", day=str(n), probability=0.5, posted=True) for n in range(days)]
        (zone,) = fit_posting(rows).zones
        assert zone.days_n == days
        assert 0.0 < zone.sigma < HABIT_SIGMA
        return zone.value

    assert 0.0 < always(1) < always(10) < always(100) < 3.0
    assert always(1) < 0.25


def test_levels_and_zones_are_told_apart() -> None:
    """Drawn from the formula: two zones and two levels, each level seen in each zone."""
    rng = np.random.default_rng(3)
    zones, levels = {"a": 0.6, "b": -0.6}, {"mild": 0.5, "strict": -0.5}
    rows = [
        PostingRecord(
            zone=z,
            level=k,
            day=str(day),
            probability=float(p),
            posted=bool(rng.random() < shifted(float(p), u + theta)),
        )
        for z, u in zones.items()
        for k, theta in levels.items()
        for day, p in enumerate(rng.uniform(0.05, 0.95, 800))
    ]
    fit = fit_posting(rows)
    assert {c.name: c.value for c in fit.zones} == pytest.approx(zones, abs=0.15)
    assert {c.name: c.value for c in fit.levels} == pytest.approx(levels, abs=0.15)


def test_many_trucks_on_one_day_count_as_one_record() -> None:
    one = PostingRecord(zone="z", level="k", day="1", probability=0.4, posted=True)
    assert fit_posting([one] * 50).zones[0].value == pytest.approx(fit_posting([one]).zones[0].value)


def test_without_records_there_is_no_coefficient() -> None:
    fit = fit_posting([])
    assert (fit.zones, fit.levels, fit.days_n) == ((), (), 0)
