"""The scores: Finley's tornado forecasts of 1884 come out as published, and few cases are said to be few."""

from collections.abc import Iterator
from datetime import UTC, datetime

import pytest

from alertd.notices.reports.scores import ENOUGH_N, Case, lines, plain_result, sample_note, score_cases, score_json
from alertd.notices.reports.scores_html import score_page

AT = datetime(2027, 1, 14, 14, 0, tzinfo=UTC)


def cases(n: int, text: bool, happened: bool | None, lead_h: float = 4.0, p: float | None = None) -> Iterator[Case]:
    for i in range(n):
        yield Case(
            lead_h=lead_h, probability=p if p is not None else float(text), called=text, happened=happened,
            because="nobody saw it", day=f"2027-01-{1 + i % 20:02d}",
        )  # fmt: skip


def test_finleys_forecasts_score_as_published() -> None:
    """28 hits, 72 false alarms, 23 misses, 2680 correct negatives; POD 0.549, FAR 0.720, CSI 0.228 (Murphy 1996,
    The Finley affair, Weather and Forecasting 11, 3-20). Brier by hand: 95 wrong of 2803."""
    finley = [*cases(28, True, True), *cases(72, True, False), *cases(23, False, True), *cases(2680, False, False)]
    result = score_json(score_cases("tornadoes", "rule", finley))["whole"]
    assert (result["pod"], result["far"], result["csi"]) == (
        pytest.approx(0.549, abs=5e-4), pytest.approx(0.720, abs=5e-4), pytest.approx(0.228, abs=5e-4),
    )  # fmt: skip
    assert result["brier"] == pytest.approx(95 / 2803, abs=5e-5)
    assert [(b["cases"], round(b["happened"], 3)) for b in result["bins"]] == [(2703, 0.009), (100, 0.28)]


def test_first_comes_a_sentence_that_a_dispatcher_understands() -> None:
    """40 calls, 31 of them right, 2 missed, in the shortest lead time; older calls of the same trips do not count."""
    last = [*cases(31, True, True, 1.0), *cases(9, True, False, 1.0), *cases(2, False, True, 1.0)]
    words = "Of {called} trips told to chain, {hits} needed chains; {misses} that needed them were not told."
    one = score_cases("Chains", "rule", [*last, *cases(50, True, False, 20.0)], words)
    expected = "0 to 3 h ahead: of 40 trips told to chain, 31 needed chains; 2 that needed them were not told."
    assert plain_result(one) == lines(one)[1].strip() == expected
    page = score_page("Fleet", [one], AT, AT, "America/Denver", 0.5)
    assert page.index(expected) < page.index("POD")
    assert plain_result(score_cases("x", "rule", [])) == ""


def test_what_nobody_can_tell_is_counted_and_changes_no_score() -> None:
    known = [*cases(20, True, True), *cases(20, False, False)]
    without, with_ = score_cases("x", "rule", known), score_cases("x", "rule", [*known, *cases(7, True, None)])
    assert with_.left_out == (("nobody saw it", 7),)
    assert score_json(with_)["whole"] == score_json(without)["whole"]
    assert "7  nobody saw it" in "\n".join(lines(with_))


def test_lead_times_are_apart_and_a_lead_on_the_edge_counts_once() -> None:
    one = score_cases(
        "x", "rule", [*cases(2, True, True, 3.0), *cases(1, True, True, 30.0), *cases(1, True, True, 2.9)]
    )
    assert [s.n for s in one.by_lead] == [1, 2, 0, 0, 1]
    assert one.whole.n == 4


@pytest.mark.parametrize(("yes", "no", "enough"), [(5, 25, True), (4, 40, False), (10, 19, False), (0, 0, False)])
def test_few_cases_are_said_to_be_few_and_not_drawn(yes: int, no: int, enough: bool) -> None:
    one = score_cases("Chains", "the rule of truth", [*cases(yes, True, True, p=0.8), *cases(no, False, False, p=0.1)])
    assert one.whole.enough is enough
    page = score_page("Fleet <b>", [one], AT, AT, "America/Denver", 0.5)
    assert ("<svg" in page) is enough
    assert ("TOO FEW" in sample_note(one) or "Nothing can be said" in sample_note(one)) is not enough
    assert "the rule of truth" in page
    assert "Fleet &lt;b&gt;" in page
    assert "nan" not in page.split("<svg")[0]
    assert ENOUGH_N == 30
