"""States in which a road that looks bare is slippery. Each was read as bare or as less slippery ice before."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
import pytest

from alertd.forecast.model import Forecast, Obscured, PrecipForm
from alertd.road.corridor import RoadField, road_cells, run_corridor
from alertd.road.downscale import AIR, fog_deposit_mmwe_h
from alertd.road.friction import friction_mu
from alertd.road.lane.maintenance import SERVICES, Service
from alertd.road.lane.roadside import drift_transport_kgms
from alertd.road.road_class import WINTER_CLASSES, RoadClass, classify, gripping_class

START = datetime(2026, 1, 10, 0, tzinfo=UTC)
MEMBERS, PAST_H = 20, 48
NOBODY = SERVICES["none"]


def weather(hours: int = 96, **given: Any) -> Forecast:
    """One cell at 1000 m, every member alike: overcast, dry, -3 °C, unless given."""
    shape = (MEMBERS, 1, hours)
    values = {
        "air_temp_c": -3.0, "rh_frac": 0.8, "pressure_hpa": np.nan, "wind_mps": 3.0, "cloud_frac": 1.0,
        "shortwave_wm2": np.nan, "precip_mmwe_h": 0.0, "precip_prob_frac": np.nan, "freezing_level_m": np.nan,
        "snow_level_m": np.nan, "gust_mps": np.nan, "visibility_m": np.nan,
    }  # fmt: skip
    arrays = {n: np.broadcast_to(given.pop(n, v), shape).astype(float) for n, v in values.items()}
    form = np.broadcast_to(given.pop("precip_form", 0), shape).astype(np.int8)
    return Forecast(
        provider="stub", licence="none", issued_at=START, fetched_at=START + timedelta(hours=PAST_H), start=START,
        lat_deg=np.array([47.0]), lon_deg=np.array([-121.0]), elevation_m=np.array([1000.0]), precip_form=form,
        **arrays, **given,
    )  # fmt: skip


def run(forecast: Forecast, **given: Any) -> RoadField:
    """One column at the cell's height."""
    cells = road_cells([0.0, 100.0], [1000.0, 1000.0], [0, 0], [47.0, 47.0], [-121.0, -121.0], **given.pop("cells", {}))
    return run_corridor(forecast, cells, rng=np.random.default_rng(1), **given)


def share(field: RoadField, *classes: RoadClass, at: slice = slice(PAST_H, None)) -> float:
    """Share of members and hours with one of these classes."""
    return float(np.isin(field.road_class[:, 0, at], classes).mean())


def test_old_snow_in_the_cold_is_no_proof_of_a_bare_road() -> None:
    """48 known dry hours at -10 °C melt nothing: on some of the roads that nobody clears older snow still lies."""
    cold = weather(air_temp_c=-10.0)
    assert share(run(cold, service=NOBODY), RoadClass.SNOW) == pytest.approx(1 / 3, abs=0.05)
    assert share(run(cold), RoadClass.SNOW) == pytest.approx(0.1, abs=0.01)
    assert share(run(weather(air_temp_c=6.0)), *WINTER_CLASSES) == 0.0


def test_a_road_without_a_past_at_minus_four_is_never_dry() -> None:
    late = replace(weather(air_temp_c=-4.0), fetched_at=START)
    assert share(run(late), RoadClass.DRY, at=slice(12, None)) == 0.0


@pytest.mark.parametrize("given", [{"visibility_m": 200.0}, {}])
def test_freezing_fog_rimes_the_road(given: dict[str, float]) -> None:
    """Fog at -3 °C and 100 %, three days; without a visibility saturated air counts as fog."""
    field = run(weather(rh_frac=1.0, **given), service=NOBODY)
    assert share(field, RoadClass.RIME, at=slice(60, None)) >= 0.65
    clear = run(weather(rh_frac=1.0, visibility_m=20_000.0), service=NOBODY)
    assert float(clear.ice_mmwe.max()) < 0.5 * float(field.ice_mmwe.max())


def test_fog_settles_by_its_water() -> None:
    """Kunkel 1984: 0.10 g/m³ at 200 m. At 2 cm/s it brings 0.007 mm an hour; not while it rains or snows."""
    at = np.array([200.0, 5000.0, 200.0])
    air = np.full(3, 1.0), np.full(3, -2.0)
    deposit = fog_deposit_mmwe_h(at, np.full(3, 1.0), air, np.array([0.0, 0.0, 1.0]), np.zeros(3, dtype=bool))
    assert deposit == pytest.approx([0.0074, 0.0, 0.0], abs=2e-4)


def test_cold_fog_saturated_over_ice_rimes_in_any_wind() -> None:
    """At -12 °C air saturated over ice has 89 % over water (Buck 1996), and cloud on a pass comes with wind."""
    field = run(weather(air_temp_c=-12.0, rh_frac=0.86, visibility_m=200.0, wind_mps=12.0), service=NOBODY)
    bare = share(field, RoadClass.DRY, RoadClass.MOIST, RoadClass.WET, at=slice(60, None))
    assert bare == 0.0


@pytest.mark.parametrize("code", [Obscured.FOG, Obscured.FREEZING_FOG])
def test_a_code_of_fog_is_fog_at_any_humidity(code: Obscured) -> None:
    coded = np.full((1, 96), code, dtype=np.int8)
    field = run(weather(rh_frac=0.85, obscured=coded), service=NOBODY)
    assert share(field, RoadClass.DRY, at=slice(60, None)) == 0.0


def test_reported_blowing_snow_drifts_without_known_snow() -> None:
    """Two days without snow and a moderate wind, but the source reports blowing snow."""
    code = np.where(np.arange(96) >= 60, Obscured.BLOWING_SNOW, Obscured.NOTHING)[None].astype(np.int8)
    field = run(weather(air_temp_c=-8.0, wind_mps=7.0, obscured=code), service=NOBODY)
    assert share(field, RoadClass.SNOW, at=slice(66, None)) == 1.0


def test_a_gale_after_two_cold_dry_days_finds_old_snow_beside() -> None:
    """The snow that ploughs threw beside the road before the known past drifts on a third of the roads."""
    field = run(weather(air_temp_c=-8.0, wind_mps=np.where(np.arange(96) < 48, 3.0, 18.0)))
    assert share(field, *WINTER_CLASSES, at=slice(50, 60)) >= 0.3


def test_wind_over_snow_beside_the_road_drifts_onto_it() -> None:
    """20 mm of snow until hour 30, then a gale at -8 °C; without a gale the serviced road is clear by then."""
    hours = np.arange(96)
    fell = np.where((hours >= 20) & (hours < 30), 2.0, 0.0)

    def snowy(wind_mps: float) -> float:
        blown = np.where(hours < 48, 3.0, wind_mps)
        always = replace(SERVICES["motorway"], serviced_frac=1.0)
        field = run(weather(air_temp_c=-8.0, precip_mmwe_h=fell, wind_mps=blown), service=always)
        return share(field, RoadClass.SNOW, RoadClass.PACKED_SNOW, at=slice(52, 72))

    assert snowy(16.0) > 0.9
    assert snowy(4.0) == 0.0


def test_drift_starts_at_the_threshold_and_grows_as_tabler_found() -> None:
    """Threshold 7.7 m/s on average for dry snow (Li & Pomeroy 1997); 0.16 kg/(m s) at 16 m/s (Tabler 1991)."""
    q = drift_transport_kgms(np.array([7.0, 16.0, 16.0]), np.array([-8.0, -8.0, 1.0]))
    assert q == pytest.approx([0.0, 0.161, 0.0], abs=2e-3)


def test_meltwater_of_roadside_snow_freezes_at_night() -> None:
    """A storm to hour 30, then +5 °C by day and -5 °C by night in the sun; the lane itself is cleared by traffic."""
    hours = np.arange(96)
    day = 5.0 * np.sin((hours - 15.0) / 24.0 * 2.0 * np.pi)  # warmest at 21 UTC, an hour after noon there
    air_c = np.where(hours < 32, -3.0, day)
    fell = np.where((hours >= 20) & (hours < 30), 2.0, 0.0)
    always = replace(SERVICES["motorway"], serviced_frac=1.0)
    field = run(
        weather(air_temp_c=air_c, precip_mmwe_h=fell, cloud_frac=np.where(hours < 32, 1.0, 0.1)), service=always
    )
    nights = (hours >= 48) & (air_c < -1.0)
    icy = (field.road_class[:, 0, nights] == RoadClass.ICE).any(axis=1)
    assert 0.2 <= icy.mean() <= 0.5


def test_coded_freezing_rain_glazes_most_roads_and_all_decks() -> None:
    """12 hours at -1 °C after two mild days, so that the ground still holds +4 K."""
    hours = np.arange(96)
    rain = weather(
        air_temp_c=np.where(hours < 48, 3.0, -1.0),
        rh_frac=0.95,
        precip_mmwe_h=np.where((hours >= 48) & (hours < 60), 0.5, 0.0),
        precip_form=np.where(hours >= 48, PrecipForm.FREEZING, PrecipForm.UNSPECIFIED),
    )
    field = run(rain, cells={"on_deck": [False, True]})
    falling = field.road_class[:, :, 52:60]
    assert (falling[:, 0] == RoadClass.GLAZE).mean() >= 0.6
    assert (falling[:, 1] == RoadClass.GLAZE).all()


def test_reported_glaze_stays_after_the_freezing_rain() -> None:
    """Twelve hours of freezing rain at -1 °C end; it stays until the morning warms the road."""
    hours = np.arange(96)
    rain = weather(
        air_temp_c=np.where(hours < 48, 3.0, -1.0),
        rh_frac=0.95,
        precip_mmwe_h=np.where((hours >= 48) & (hours < 60), 0.05, 0.0),
        precip_form=np.where(hours >= 48, PrecipForm.FREEZING, PrecipForm.UNSPECIFIED),
    )
    field = run(rain)
    falling, after = field.grip_class[:, 0, 59] == RoadClass.GLAZE, field.grip_class[:, 0, 60:65]
    assert falling.mean() >= 0.6
    assert (after[falling] == RoadClass.GLAZE).all()


def test_ice_is_named_by_its_origin() -> None:
    """Thick hoar is rime, with its friction; a thin glaze is glaze, under a dusting too."""
    assert classify(-4.0, 0.0, 0.0, 0.4, hoar_mmwe=0.4) == RoadClass.RIME
    assert classify(-4.0, 0.0, 0.0, 0.4, hoar_mmwe=0.2) == RoadClass.ICE
    thin = classify(-4.0, 0.0, np.array([0.0, 0.4]), 0.04, glaze_mmwe=0.04)
    assert thin.tolist() == [RoadClass.GLAZE, RoadClass.SNOW]
    grip = gripping_class(thin, np.array([0.0, 0.4]), 0.04, glaze_mmwe=0.04)
    assert grip.tolist() == [RoadClass.GLAZE, RoadClass.GLAZE]
    assert friction_mu(RoadClass.GLAZE, 0.5) < friction_mu(RoadClass.ICE, 0.5) < friction_mu(RoadClass.RIME, 0.5)


def test_hoar_of_clear_nights_is_rime_however_thick() -> None:
    field = run(weather(air_temp_c=-4.0, rh_frac=0.99, cloud_frac=0.0, visibility_m=20_000.0), service=NOBODY)
    assert float(np.nanmax(field.ice_mmwe)) > 0.15
    assert share(field, RoadClass.ICE) == 0.0


def test_glaze_in_the_shade_outlasts_the_sun_on_the_road() -> None:
    """Freezing rain at night, then a clear day just above 0 °C: both lanes keep the glaze of the shade."""
    hours = np.arange(96)
    icing = weather(
        air_temp_c=np.where(hours < 64, -2.0, 0.5),
        cloud_frac=np.where(hours < 64, 1.0, 0.0),
        precip_mmwe_h=np.where((hours >= 50) & (hours < 56), 0.3, 0.0),
        precip_form=PrecipForm.FREEZING,
    )
    always = replace(SERVICES["motorway"], serviced_frac=1.0)
    shaded = run(icing, service=always)
    sunny = run(icing, service=always, air=replace(AIR, shaded=False))
    hidden = (shaded.grip_class == RoadClass.GLAZE) & (sunny.grip_class != RoadClass.GLAZE)
    assert hidden.any(axis=2).all()


def lying(field: RoadField, at: int) -> float:
    return float(np.isin(field.road_class[:, 0, at], (RoadClass.SNOW, RoadClass.PACKED_SNOW)).mean())


def test_a_cleared_road_does_not_stay_white_for_days() -> None:
    """20 mm of snow by hour 48 at -5 °C: 20 hours later it lies on the roads that nobody clears alone."""
    hours = np.arange(96)
    storm = weather(air_temp_c=-5.0, precip_mmwe_h=np.where((hours >= 38) & (hours < 48), 2.0, 0.0))
    usual = run(storm)
    assert lying(usual, 48) > 0.9
    assert lying(usual, 70) == pytest.approx(0.3, abs=0.05)
    assert (usual.untouched_class[:, 0, 70] == RoadClass.SNOW).all()


def test_packed_snow_is_reached_with_the_defaults() -> None:
    hours = np.arange(96)
    storm = weather(air_temp_c=-6.0, precip_mmwe_h=np.where(hours >= 40, 2.0, 0.0))
    assert share(run(storm), RoadClass.PACKED_SNOW) > 0.3


def test_more_service_never_leaves_more_snow() -> None:
    hours = np.arange(96)
    storm = weather(air_temp_c=-4.0, precip_mmwe_h=np.where((hours >= 38) & (hours < 60), 1.0, 0.0))
    by_half_life = [
        np.nanmean(run(storm, service=Service(serviced_frac=1.0, half_life_h=h)).snow_mmwe) for h in (1.0, 3.0, 9.0)
    ]
    assert by_half_life == sorted(by_half_life)
