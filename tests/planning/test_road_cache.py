"""What a new forecast does not change is not computed again, and the numbers are those of a whole run."""

import os
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from hashlib import sha256
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from alertd.forecast.model import WEATHER_FIELDS, Forecast, Obscured
from alertd.planning.corridors.field_shelf import PREFIX, FieldShelf, open_shelf
from alertd.planning.road_cache import MAX_KEPT, RoadFieldCache, _digest
from alertd.road.corridor import RoadCells, RoadField, member_quantiles, road_cells, run_corridor

START = datetime(2026, 1, 10, tzinfo=UTC)
CELLS, MEMBERS, HOURS = 3, 4, 30
Q = member_quantiles(MEMBERS, np.random.default_rng(1))


def forecast(start: datetime = START, **given: Any) -> Forecast:
    shape = (MEMBERS, CELLS, HOURS)
    rng = np.random.default_rng(2)
    arrays: dict[str, Any] = {n: np.full(shape, np.nan) for n in WEATHER_FIELDS}
    arrays |= {"air_temp_c": rng.normal(-1.0, 2.0, shape), "rh_frac": np.full(shape, 0.9),
               "wind_mps": np.full(shape, 3.0), "cloud_frac": np.full(shape, 0.8),
               "precip_mmwe_h": rng.exponential(0.5, shape), "precip_form": np.zeros(shape, dtype=np.int8)}  # fmt: skip
    return Forecast(
        provider="stub", licence="", issued_at=start, fetched_at=start, start=start,
        lat_deg=np.linspace(47.0, 47.3, CELLS), lon_deg=np.full(CELLS, -121.0), elevation_m=np.full(CELLS, 900.0),
        **(arrays | given),
    )  # fmt: skip


def cells(shift_m: float = 0.0) -> RoadCells:
    n = np.arange(9)
    return road_cells(n * 250.0, 800.0 + 60.0 * n + shift_m, n // 3, 47.0 + n * 0.01, -121.0 + n * 0.0)


class Runs:
    """Runs the real road and remembers which columns were asked for."""

    def __init__(self, result: Forecast, road: RoadCells) -> None:
        self.result, self.road, self.ran = result, road, -1

    def __call__(self, previous: RoadField | None, changed: NDArray[np.bool_] | None) -> RoadField:
        self.ran = self.road.columns_n if changed is None else int(changed.sum())
        return run_corridor(self.result, self.road, quantiles=Q, previous=previous, changed=changed)


def ask(fields: RoadFieldCache, result: Forecast, road: RoadCells) -> tuple[RoadField, int]:
    runs = Runs(result, road)
    return fields.field(result, road, Q, runs), runs.ran


def warmer(result: Forecast, cell: int) -> Forecast:
    t = result.air_temp_c.copy()
    t[:, cell, 10:] += 1.0
    return replace(result, air_temp_c=t)


def same(a: RoadField, b: RoadField) -> bool:
    names = ("road_class", "surface_temp_c", "air_temp_c", "water_mmwe", "snow_mmwe", "ice_mmwe", "snowfall_mmwe_h")
    return all(np.array_equal(getattr(a, n), getattr(b, n), equal_nan=True) for n in names)


def test_the_same_forecast_runs_no_column_again() -> None:
    fields, road = RoadFieldCache(), cells()
    first, ran = ask(fields, forecast(), road)
    again, ran_again = ask(fields, forecast(), road)
    assert (ran, ran_again) == (road.columns_n, 0)
    assert same(first, again)


def test_an_unchanged_field_gives_the_same_corridor() -> None:
    fields, road = RoadFieldCache(), cells()
    clock_z = np.linspace(-1.0, 1.0, forecast().air_temp_c.shape[0])
    first = fields.corridor(road, ask(fields, forecast(), road)[0], clock_z)
    again = fields.corridor(cells(), ask(fields, forecast(), cells())[0], clock_z.copy())
    assert again is first
    assert fields.corridor(road, first.field, -clock_z) is not first
    changed = fields.corridor(road, ask(fields, warmer(forecast(), 1), road)[0], clock_z)
    assert changed is not first


def test_only_columns_of_a_changed_cell_run_with_equal_results() -> None:
    fields, road = RoadFieldCache(), cells()
    first, _ = ask(fields, forecast(), road)
    result = warmer(forecast(), 1)
    part, ran = ask(fields, result, road)
    assert ran == int((road.cell_idx == 1).sum())
    assert same(part, run_corridor(result, road, quantiles=Q))
    assert not same(part, first)


def test_a_code_of_fog_alone_runs_its_cell_again() -> None:
    fields, road, code = RoadFieldCache(), cells(), np.zeros((CELLS, HOURS), dtype=np.int8)
    ask(fields, forecast(obscured=code), road)
    foggy = code.copy()
    foggy[1] = Obscured.FREEZING_FOG
    _, ran = ask(fields, forecast(obscured=foggy), road)
    assert ran == int((road.cell_idx == 1).sum())


def test_a_kept_field_never_hides_a_change_that_is_taken_back() -> None:
    fields, road = RoadFieldCache(), cells()
    first, _ = ask(fields, forecast(), road)
    ask(fields, warmer(forecast(), 2), road)
    back, ran = ask(fields, forecast(), road)
    assert ran > 0
    assert same(back, first)


def test_later_hours_or_another_road_run_whole() -> None:
    fields, road = RoadFieldCache(), cells()
    ask(fields, forecast(), road)
    assert ask(fields, forecast(START + timedelta(hours=1)), road)[1] == road.columns_n
    assert ask(fields, forecast(), cells(10.0))[1] == road.columns_n


def test_what_the_notes_say_is_of_the_forecast_at_hand() -> None:
    fields, road = RoadFieldCache(), cells()
    ask(fields, forecast(), road)
    late = replace(forecast(), fetched_at=START + timedelta(hours=5))
    field, ran = ask(fields, late, road)
    assert ran == 0
    assert any("5 past hours" in note for note in field.notes)


def test_a_forecast_that_gains_a_past_runs_whole() -> None:
    """Whether unseen snow may lie depends on the past hours, and so do all columns."""
    fields, road = RoadFieldCache(), cells()
    ask(fields, forecast(), road)
    late = replace(forecast(), fetched_at=START + timedelta(hours=48))
    field, ran = ask(fields, late, road)
    assert ran == road.columns_n
    assert same(field, run_corridor(late, road, quantiles=Q))


def bytes_of(field: RoadField) -> int:
    return sum(v.nbytes for n in field.__slots__ if isinstance(v := getattr(field, n), np.ndarray))


def test_a_second_cycle_of_many_roads_computes_none() -> None:
    fields, roads = RoadFieldCache(), [cells(float(k)) for k in range(3 * MAX_KEPT)]
    cycles = [[ask(fields, forecast(), road)[1] for road in roads] for _ in range(2)]
    assert cycles == [[road.columns_n for road in roads], [0 for _ in roads]]


def test_fields_are_kept_up_to_their_bytes() -> None:
    each_n = bytes_of(ask(RoadFieldCache(), forecast(), cells())[0])
    fields = RoadFieldCache(most_bytes=5 * each_n)
    for k in range(6):
        ask(fields, forecast(), cells(float(k)))
    assert ask(fields, forecast(), cells(1.0))[1] == 0
    assert ask(fields, forecast(), cells(0.0))[1] == cells().columns_n


def test_only_the_newest_corridors_hold_their_answers() -> None:
    """What plans computed from a field is several times its size."""
    fields, clock_z = RoadFieldCache(), np.zeros(MEMBERS)

    def corridor(k: int) -> Any:
        return fields.corridor(cells(float(k)), ask(fields, forecast(), cells(float(k)))[0], clock_z)

    made = [corridor(k) for k in range(MAX_KEPT + 1)]
    assert corridor(MAX_KEPT) is made[MAX_KEPT]
    assert corridor(0) is not made[0]
    assert corridor(0).field is made[0].field


def test_a_field_of_earlier_hours_is_dropped() -> None:
    """It is of no use again, and a new forecast each hour would fill the bytes with them."""
    fields, road = RoadFieldCache(), cells()
    ask(fields, forecast(), road)
    ask(fields, forecast(START + timedelta(hours=1)), road)
    assert ask(fields, forecast(), road)[1] == road.columns_n


def on_disk(folder: Path, **limits: int) -> FieldShelf:
    return FieldShelf(folder / "fields", **({"least_free_bytes": 0} | limits))


def test_a_field_on_the_shelf_is_the_same_and_read_only(tmp_path: Path) -> None:
    field, _ = ask(RoadFieldCache(), forecast(obscured=np.ones((CELLS, HOURS), dtype=np.int8)), cells())
    shelf = on_disk(tmp_path)
    for mapped in (shelf.put("a", field), shelf.get("a")):
        assert mapped is not None
        for name in (n for n in field.__slots__ if n != "quantiles"):
            one, other = getattr(field, name), getattr(mapped, name)
            if isinstance(one, np.ndarray):
                assert (one.dtype, one.shape, one.tobytes()) == (other.dtype, other.shape, other.tobytes())
                assert not other.flags.writeable
            else:
                assert one == other
        assert all(np.array_equal(getattr(Q, n), getattr(mapped.quantiles, n)) for n in Q.__slots__)
    assert shelf.get("b") is None


def test_a_shelf_keeps_fields_that_memory_does_not(tmp_path: Path) -> None:
    fields, roads = RoadFieldCache(2, 0, shelf=on_disk(tmp_path)), [cells(float(k)) for k in range(7)]
    first = [ask(fields, forecast(), road)[0] for road in roads]
    again = [ask(fields, forecast(), road) for road in roads]
    assert [ran for _, ran in again] == [0] * 7
    assert all(same(a, b) for a, (b, _) in zip(first, again, strict=True))
    part, ran = ask(fields, warmer(forecast(), 1), roads[0])
    assert 0 < ran < roads[0].columns_n
    assert same(part, run_corridor(warmer(forecast(), 1), roads[0], quantiles=Q))


def test_between_cycles_fields_are_in_files_alone(tmp_path: Path) -> None:
    fields, clock_z, roads = (
        RoadFieldCache(shelf=on_disk(tmp_path)),
        np.zeros(MEMBERS),
        [cells(float(k)) for k in (0, 1)],
    )
    before = [ask(fields, forecast(), road)[0] for road in roads]
    made = [fields.corridor(road, field, clock_z) for road, field in zip(roads, before, strict=True)]
    fields.rest()
    after = [ask(fields, forecast(), road) for road in roads]
    assert [ran for _, ran in after] == [0, 0]
    assert not any(field.road_class.flags.owndata for field, _ in after)
    assert fields.corridor(roads[1], after[1][0], clock_z) is not made[1]
    assert all(same(a, b) for a, (b, _) in zip(before, after, strict=True))


def test_without_a_shelf_fields_stay_in_memory() -> None:
    fields = RoadFieldCache()
    ask(fields, forecast(), cells())
    fields.rest()
    assert ask(fields, forecast(), cells())[1] == 0


def test_processes_share_the_fields_of_a_shelf(tmp_path: Path) -> None:
    ours, theirs = (RoadFieldCache(1, shelf=on_disk(tmp_path)) for _ in range(2))
    ask(ours, forecast(), cells())
    assert ask(theirs, forecast(), cells())[1] == cells().columns_n  # ours is still in memory alone
    ask(ours, forecast(), cells(1.0))
    found, ran = ask(RoadFieldCache(1, shelf=on_disk(tmp_path)), forecast(), cells())
    assert ran == 0
    assert same(found, run_corridor(forecast(), cells(), quantiles=Q))


def test_a_road_without_tunnels_has_one_name_everywhere() -> None:
    """A missing column as an array is the address of an object, which each process has elsewhere."""
    assert cells().is_tunnel is None
    assert _digest(None) == sha256(b"None").digest()[:16]


def test_fields_of_other_settings_are_not_taken(tmp_path: Path) -> None:
    """Two roads of the same line, one of them ploughed more often."""
    fields, runs = RoadFieldCache(1, shelf=on_disk(tmp_path)), Runs(forecast(), cells())
    fields.field(forecast(), cells(), Q, runs, rules="seldom")
    runs.ran = -1
    fields.field(forecast(), cells(), Q, runs, rules="often")
    assert runs.ran == cells().columns_n


def test_a_disk_without_room_costs_time_only(tmp_path: Path) -> None:
    (tmp_path / "fields").write_text("no folder")
    shelves = (
        on_disk(tmp_path),
        on_disk(tmp_path / "a", most_bytes=10),
        on_disk(tmp_path / "b", least_free_bytes=1 << 60),
    )
    for shelf in shelves:
        fields, roads = RoadFieldCache(1, 0, shelf=shelf), [cells(float(k)) for k in range(3)]
        cycles = [[ask(fields, forecast(), road)[1] for road in roads] for _ in range(2)]
        assert cycles == [[road.columns_n for road in roads]] * 2
    assert not [*tmp_path.glob("*/fields/*")]


def test_a_damaged_file_is_computed_again(tmp_path: Path) -> None:
    fields = RoadFieldCache(1, shelf=on_disk(tmp_path))
    ask(fields, forecast(), cells())
    ask(fields, forecast(), cells(1.0))
    (file,) = (tmp_path / "fields").iterdir()
    whole = file.read_bytes()
    for bad in (b"", whole[:5], whole[:200], whole[: len(whole) // 2], b"x" * len(whole)):
        file.unlink()
        file.write_bytes(bad)
        assert ask(RoadFieldCache(1, shelf=on_disk(tmp_path)), forecast(), cells())[1] == cells().columns_n


def test_files_are_removed_in_time(tmp_path: Path) -> None:
    """With the hours that they are of, beyond the bytes, at the end, and after a crash."""
    left = tmp_path / f"{PREFIX}1-2"
    left.mkdir()
    os.utime(left, (0, 0))
    with open_shelf(tmp_path) as opened:
        assert not left.exists()
        shelf = FieldShelf(opened.folder, least_free_bytes=0)
        fields, later = RoadFieldCache(1, shelf=shelf), START + timedelta(hours=1)
        for start, files_n in ((START, 2), (later, 2)):
            for k in range(3):
                ask(fields, forecast(start), cells(float(k)))
            assert len([*opened.folder.iterdir()]) == files_n
        size_n = next(opened.folder.iterdir()).stat().st_size
        small = FieldShelf(opened.folder, most_bytes=3 * size_n, least_free_bytes=0)
        for k in range(5):
            small.put(f"f{k}", ask(RoadFieldCache(), forecast(), cells(float(k)))[0])
        assert sorted(p.name for p in opened.folder.iterdir()) == ["f2", "f3", "f4"]
    assert not opened.folder.exists()


def test_a_field_that_ends_earlier_is_dropped() -> None:
    """While a truck is under way, the hours of its road begin at one time and end later with each forecast."""
    fields, road = RoadFieldCache(), cells()
    whole = forecast()
    for hours in (HOURS - 2, HOURS - 1, HOURS):
        shorter = replace(whole, **{n: getattr(whole, n)[:, :, :hours] for n in WEATHER_FIELDS})
        field, ran = ask(fields, shorter, road)
        assert ran == road.columns_n
        assert [kept.field is field for kept in fields._kept.values()] == [True]
