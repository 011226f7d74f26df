from pathlib import Path

import pytest

from alertd.errors import ConfigError
from alertd.rules.rig import AxleRole
from alertd.sources.files.rig import read_rig, read_rigs

ROOT = Path(__file__).parents[3]
BAD = ROOT / "fixtures/rigs_bad"

MISTAKES = {
    "unknown_key": ("horse_power", "unknown key", "write horsepower"),
    "missing_chains": ("chains", "missing", "add chains = { singles = 5, doubles = 0 }"),
    "chains_in_quotes": ("chains.singles", '"5" is wrong', "a whole number"),
    "loads_and_gross_differ": ("axles", "loads sum to 63,000 lb but gross is 80,000 lb", "correct a load"),
    "no_drive_axle": ("axles", "no drive axle", 'role = "drive"'),
    "axles_out_of_order": ("axles", "the first is not a steer axle", "front to rear"),
    "trailer_on_power_unit": ("axles[3].unit", "0 for a trailer axle", "towed units count from 1"),
    "unit_left_out": ("axles", "units come as [0, 0, 2]", "no unit left out"),
    "two_loads": ("axles[1].load_lb", "missing, or given with load_kg", "give one"),
    "no_gross": ("gross_lb", "missing, or given with gross_kg", "gross_lb = 80000"),
    "unknown_role": ("axles[2].role", '"driven" is not one of the words', 'write "drive"'),
    "nan_load": ("axles[1].load_lb", "nan is wrong", "within that bound"),
}


@pytest.mark.parametrize("name", MISTAKES)
def test_mistake_is_told_in_one_line_with_file_key_and_mend(name: str) -> None:
    path = BAD / f"{name}.toml"
    key, problem, mend = MISTAKES[name]
    with pytest.raises(ConfigError) as caught:
        read_rig(path)
    error = caught.value
    assert (error.where, error.field) == (str(path), key)
    assert problem in error.problem
    assert mend in error.hint
    assert "\n" not in str(error)


def test_every_bad_file_has_its_check() -> None:
    assert {p.stem for p in BAD.glob("*.toml")} == set(MISTAKES)


# Axles, drive axles and towed units as the trade counts them (the law notes' table of vehicles).
@pytest.mark.parametrize(
    ("name", "axles_n", "drive_n", "towed_n"),
    [
        ("straight-truck-4x2", 2, 1, 0),
        ("straight-truck-6x4", 3, 2, 0),
        ("bobtail-6x4", 3, 2, 0),
        ("tractor-4x2-semi", 4, 1, 1),
        ("tractor-6x4-van-53", 5, 2, 1),
        ("doubles-4x2", 5, 1, 2),
        ("doubles-6x4", 6, 2, 2),
        ("tractor-6x4-tridem", 6, 2, 1),
        ("bobtail-4x2", 2, 1, 0),
        ("tractor-8x6-tridem", 7, 3, 1),
        ("tractor-6x2-lift", 6, 1, 1),
        ("triples-4x2", 7, 1, 3),
        ("triples-6x4", 8, 2, 3),
        ("truck-6x4-full-trailer", 5, 2, 1),
        ("car-trailer", 4, 1, 1),
    ],
)
def test_preset_has_the_axles_of_its_kind(name: str, axles_n: int, drive_n: int, towed_n: int) -> None:
    rig = read_rig(ROOT / f"config/rigs/{name}.toml")
    assert rig.id == name
    assert (len(rig.axles), len(rig.axle_indices(AxleRole.DRIVE)), rig.towed_units) == (axles_n, drive_n, towed_n)
    assert rig.gross_mass_kg <= rig.rated_mass_kg


def test_preset_axle_loads_keep_the_federal_limits() -> None:
    # 23 CFR 658.17: single axle 20,000 lb, tandem 34,000 lb; three axles over 9 ft by its formula (e) 42,750 lb:
    # 500 (9 * 3 / 2 + 12 * 3 + 36), rounded down to 42,500 as the rule rounds to the nearest 500.
    for rig in read_rigs(ROOT / "config/rigs").values():
        tandem = rig.axle_indices(AxleRole.DRIVE)
        limit_lb = {1: 20_000, 2: 34_000, 3: 42_500}[len(tandem)]
        assert sum(rig.axles[i].load_kg for i in tandem) / 0.45359237 <= limit_lb + 0.5


def test_pounds_and_horsepower_become_si() -> None:
    rig = read_rig(ROOT / "config/rigs/tractor-6x4-van-53.toml")
    assert round(rig.gross_mass_kg, 1) == 35_380.2  # 78,000 lb, NIST SP 811: 1 lb = 0.45359237 kg
    assert round(rig.power_w) == 335_565  # 450 hp at 745.699 872 W, NIST SP 811
    assert round(rig.drive_share, 4) == round(33_400 / 78_000, 4)


def test_kilograms_are_taken_as_they_are(tmp_path: Path) -> None:
    text = (ROOT / "config/rigs/straight-truck-4x2.toml").read_text()
    for lb, kg in (("gross_lb = 32000", "gross_kg = 14500"), ("load_lb = 12000", "load_kg = 5200"),
                   ("load_lb = 20000", "load_kg = 9300")):  # fmt: skip
        text = text.replace(lb, kg)
    path = tmp_path / "metric.toml"
    path.write_text(text)
    rig = read_rig(path)
    assert rig.gross_mass_kg == 14_500
    assert [a.load_kg for a in rig.axles] == [5200, 9300]
