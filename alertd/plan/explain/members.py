"""The numbers of every member at one place, and the choice between chaining ahead and deciding at the sign."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from alertd.plan.chain_up.legs import Leg
from alertd.plan.chain_up.prices import ChainPrices, prices_for
from alertd.plan.chain_up.solution import Solution
from alertd.plan.params import PlanParams
from alertd.plan.road_ahead.pavement_codes import GRIP_OF_CODE
from alertd.plan.road_ahead.rig_grip import code_mu, rig_margin
from alertd.road.road_class import RoadClass


@dataclass(frozen=True, slots=True, kw_only=True)
class MemberAtPlace:
    """One member at the hour of its passing.

    friction_rank: 0 the slickest, 1 the best grip that its surface may have.
    untouched: True without ploughs and salt.
    grade: of the steepest climb or descent of the section, whichever needs more grip.
    mu, needed_mu: friction at hand and needed there without chains; NaN where the surface is not known.
    slips: the rig slips here without chains.
    posting_frac: the largest probability of a level here.
    descent_frac: share of drivers who chain for the descent.
    need_frac: chains needed here: the largest of posting, grip, descent, closure and unknown road.
    stretch_need_frac, stretch_slips: the same anywhere on the stretch.
    loss_s: of going on unchained over the stretch, see `ChainPrices`.
    """

    member: int
    friction_rank: float
    untouched: bool
    surface: str
    grade: float
    mu: float
    needed_mu: float
    slips: bool
    posting_frac: float
    descent_frac: float
    need_frac: float
    stretch_need_frac: float
    stretch_slips: bool
    loss_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class ChainChoice:
    """The choice on a stretch.

    hang_s, remove_s, slower_s: parts of the cost of chaining ahead.
    probability, worth: means over the members.
    showers: no place on it is likely enough by itself, so nobody chains ahead.
    unchained_s, chained_s, expected_s: of the trip, later than on a dry road. share: see `chained_share`.
    chain_probability: of the trip.
    """

    prices: ChainPrices
    hang_s: float
    remove_s: float
    slower_s: float
    probability: float
    worth: float
    showers: bool
    unchained_s: float
    chained_s: float
    chain_probability: float
    share: float
    expected_s: float


def members_at(
    solution: Solution, section: int, leg: Leg | None, posting: NDArray[np.float64], params: PlanParams
) -> tuple[MemberAtPlace, ...]:
    """All members at one section; without a leg the stretch is that section.

    posting: the largest probability of a level there, (member,).
    """
    hourly_need, encounter = solution.encounter.hourly_need, solution.encounter
    here = slice(section, section + 1) if leg is None else slice(leg.first, leg.last + 1)
    code = solution.code[:, section]
    friction = hourly_need.corridor.field.quantiles.friction
    mu = code_mu(code, friction)
    grades = (hourly_need.sections.up_grade[section], hourly_need.sections.down_grade[section])
    margins = np.stack([rig_margin(hourly_need.rig, (), GRIP_OF_CODE[code], mu, grade) for grade in grades])
    worst = np.nan_to_num(margins, nan=np.inf).argmin(axis=0)
    friction, untouched = np.asarray(friction), np.asarray(hourly_need.corridor.field.untouched)
    most = solution.need[:, here].max(axis=1)
    slips = np.asarray(solution.grip_shortfall[:, here].any(axis=1))
    loss_s = prices_for(hourly_need.rig, params).loss_s(most, slips)
    return tuple(
        MemberAtPlace(
            member=m,
            friction_rank=float(friction[m]),
            untouched=bool(untouched[m]),
            surface=_label(solution, m, section),
            grade=float(grades[worst[m]]),
            mu=float(mu[m]),
            needed_mu=float(mu[m] - margins[worst[m], m]),
            slips=bool(solution.grip_shortfall[m, section]),
            posting_frac=float(posting[m]),
            descent_frac=float(encounter.descent[m, section]),
            need_frac=float(solution.need[m, section]),
            stretch_need_frac=float(most[m]),
            stretch_slips=bool(slips[m]),
            loss_s=float(loss_s[m]),
        )
        for m in range(hourly_need.members)
    )


def _label(solution: Solution, member: int, section: int) -> str:
    return RoadClass(int(solution.road_class[member, section])).label


def choice_on(solution: Solution, leg: Leg, params: PlanParams) -> ChainChoice:
    """The choice on a leg, and the minutes of the trip."""
    prices = prices_for(solution.encounter.hourly_need.rig, params)
    late_s = [max(x, solution.unchained_s) - solution.unhindered_s for x in (solution.unchained_s, solution.chained_s)]
    slower_s = max(params.chained_run_m * (1.0 / params.chained_mps - 1.0 / params.unchained_run_mps), 0.0)
    return ChainChoice(
        prices=prices,
        hang_s=prices.ahead_s - params.remove_s - slower_s,
        remove_s=params.remove_s,
        slower_s=slower_s,
        probability=leg.probability,
        worth=leg.worth,
        showers=leg.showers,
        unchained_s=late_s[0],
        chained_s=late_s[1],
        chain_probability=solution.chain_odds,
        share=solution.chained_share,
        expected_s=late_s[0] + solution.chained_share * (late_s[1] - late_s[0]),
    )
