"""`--explain` and `--at`: the chain in the order the numbers flow, and the plan's advice as its last line."""

import json
import re
from collections.abc import Callable
from datetime import datetime
from pathlib import Path

import pytest
from click.testing import Result

from alertd.cli.stretch_rows import VERB
from alertd.plan.model.stretches import Advice
from alertd.testing.fake_open_meteo import ApiFault, FakeOpenMeteo, FaultKind

Alertd = Callable[..., Result]
ORDER = [
    "passed", "forecast", "members", "moved", "at road", "P(snow)", "falls", "pavement", "road", "grip", "posting",
    "need", "stretch", "compared",
]  # fmt: skip


@pytest.fixture
def asked(write_config: Callable[..., Path], storm_soon: FakeOpenMeteo, soon: datetime, demo: Path) -> list[object]:
    config = write_config(forecasts=storm_soon.base_url)
    return ["plan", demo / "i90-west.gpx", "--rig", "quillback-17", "--depart", soon.isoformat(), "--config", config]


def test_each_stretch_is_explained_and_ends_with_the_advice(
    alertd: Alertd, asked: list[object], tmp_path: Path
) -> None:
    kept = tmp_path / "kept"
    plan = json.loads(alertd(*asked, "--keep", kept, "--json").stdout)
    result = alertd("replay", kept, "--explain")
    assert result.exit_code == 0, result.stderr
    _, *blocks = result.stdout.split("\n\n")
    assert len(blocks) == len(plan["stretches"]) > 0
    for block, stretch in zip(blocks, plan["stretches"], strict=True):
        lines = block.strip().splitlines()
        labels = [line[3:13].strip() for line in lines[1:-1]]
        named = [label for label in dict.fromkeys(labels) if label in ORDER]
        assert named == [label for label in ORDER if label in named]
        assert {"forecast", "at road", "P(snow)", "pavement", "grip", "need", "compared"} <= set(named)
        assert {"cleared", "untouched"} <= set(labels)
        assert lines[-1].strip() == f"so: advice of the stretch: {VERB[Advice(stretch['advice'])]}"
        (need, *_) = re.findall(r"need anywhere on the stretch (\d\.\d+) ", block)
        assert float(need) == pytest.approx(stretch["probability"], abs=6e-4)  # printed to 3 digits, stored to 4
        assert "open-meteo" in block
        assert "°C" in block


def test_the_advice_follows_by_hand_from_what_is_printed(alertd: Alertd, asked: list[object]) -> None:
    """Member by member: need, grip and loss; then prices, chances, minutes, advice. Only printed digits count."""
    result = alertd(*asked, "--explain")
    assert result.exit_code == 0, result.stderr
    _, *blocks = result.stdout.split("\n\n")
    assert blocks
    for block in blocks:
        text = " ".join(block.split())
        rows = re.findall(
            r"(\S+) of (\S+) on [+-]\S+% \| (\S+) \| (\S+) \| (\S+) \| (\S+) (slips|grips) \| (\S+) min", text
        )
        assert len(rows) > 20
        figure = r"(-?\d+\.\d+)"
        (prices,) = re.findall(
            rf"chaining ahead {figure} min: hang {figure}, remove {figure}, slower run {figure}; .*?sign {figure} min "
            rf"more, or slipped {figure} more",
            text,
        )
        ahead, hang, remove, slower, sign, slip = map(float, prices)
        assert ahead == pytest.approx(hang + remove + slower, abs=0.02)
        needs, losses = [], []
        for has, asks, posting, descent, here, anywhere, grips, lost in rows:
            slips_here = float(has) < float(asks) - 5e-4
            alone = max(float(posting), float(descent), float(slips_here))
            assert float(here) >= alone - 1e-4  # closure and unknown road may need more
            assert float(anywhere) >= float(here) - 1e-4
            assert grips == "slips" or not slips_here
            by_hand = max(float(anywhere) * (ahead + sign), (grips == "slips") * (ahead + slip))
            assert float(lost) == pytest.approx(by_hand, abs=0.05)
            needs.append(float(anywhere))
            losses.append(by_hand)
        probability, worth = sum(needs) / len(needs), sum(losses) / len(losses) / ahead
        (need, compared) = re.findall(r"need anywhere (\S+), .*?by chaining ahead: (\d\.\d+)", text)[0]
        assert (float(need), float(compared)) == pytest.approx((probability, worth), abs=2e-3)
        limits = {name: float(value) for name, value in re.findall(r"(?:<|>=) (\w+) (\d*\.?\d+)", text)}
        held = [float(v) for v in re.findall(r"(\d\.\d+) (?:<|>=) hold_probability", text)]
        advice = Advice.READY
        if "showers" not in text and (probability >= limits["chain_probability"] or worth >= limits["chain_worth"]):
            advice = Advice.CHAIN
        if max(held) >= limits["hold_probability"] or "barred" in text:
            advice = Advice.HOLD
        assert text.endswith(f"so: advice of the stretch: {VERB[advice]}")
        minutes = re.findall(
            rf"{figure} without chains, {figure} chained, chance {figure}, .*? share of {figure}: mean {figure}", text
        )[0]
        unchained, chained, chance, share, mean = map(float, minutes)
        assert 0.0 <= share <= chance + 1e-3
        assert mean == pytest.approx(unchained + share * (chained - unchained), abs=0.2)


def test_a_place_is_explained_by_its_miles_as_data_too(alertd: Alertd, asked: list[object]) -> None:
    result = alertd(*asked, "--at", "30", "--json")
    assert result.exit_code == 0, result.stderr
    reported = json.loads(result.stdout)
    (place,) = reported["places"]
    assert reported["format"] == "alertd.explained/1"
    assert place["distance_m"] == pytest.approx(30 * 1609.344, abs=130.0)
    assert place["advice"] in {reported["trip_advice"], "ready", "chain", "hold"}
    text = alertd(*asked, "--at", "30")
    assert "mile 30." in text.stdout or "mile 29.9" in text.stdout
    assert text.stdout.rstrip().splitlines()[-1].strip().startswith("so: ")


def test_without_a_forecast_it_says_so_and_ends_with_status_3(
    alertd: Alertd, asked: list[object], storm_soon: FakeOpenMeteo
) -> None:
    storm_soon.set_fault(ApiFault(kind=FaultKind.LIMIT_DAY))
    result = alertd(*asked, "--explain")
    assert result.exit_code == 3, result.stderr
    assert "no source answered" in result.stdout
    assert "not known" in result.stdout
    assert f"advice of the stretch: {VERB[Advice.READY]}" in result.stdout
    assert "nan" not in result.stdout


@pytest.mark.parametrize("miles", ["-1", "5000"])
def test_miles_off_the_route_are_refused_in_one_line(
    miles: str, mistake: Callable[..., str], asked: list[object]
) -> None:
    line = mistake(*asked, "--at", miles)
    assert line.startswith(f"--at: {miles} is not on this route of 1")
    assert line.endswith("give miles from its start")
