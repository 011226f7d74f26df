"""Determines the chains for a stretch: one set that meets every law whose control may be posted on it."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import NamedTuple

from alertd.plan.model.stretches import Posting
from alertd.plan.params import PlanParams
from alertd.plan.road_ahead.chain_need import SAME_PROBABILITY, LawSpan, LevelForRig
from alertd.route.jurisdictions import OPEN_SEA
from alertd.rules.clause import Confidence
from alertd.rules.requirements import Hanging, TireDemand, cover, strictest, unknown_law
from alertd.rules.rig import AxleRole, IdentityKey, Rig


@dataclass(frozen=True, slots=True, kw_only=True)
class ChainSet:
    """Chains for a stretch, with the expected controls and the speed limit of their laws.

    hanging: tires and chains.
    speed_limit_mps: the lowest legal speed with chains on, None without one.
    speed_section: section of that limit.
    barred: the reason why the rig may not pass, "" if it may.
    """

    hanging: Hanging
    postings: tuple[Posting, ...]
    speed_limit_mps: float | None
    speed_section: str
    barred: str


def chains_for(
    rig: Rig, laws: Sequence[LawSpan], posted: Callable[[LawSpan, LevelForRig], float], params: PlanParams
) -> ChainSet:
    """The chains for a stretch on the land of these laws; `posted` is the probability of a level anywhere on it.

    Each jurisdiction contributes its strictest level that is likely enough for "be ready". Where only grip, a descent
    or missing weather calls for chains, its mildest chain level applies. Where no rule is on file, the most that a
    neighbour asks applies; where the rules on file ask nothing, or that level chains no drive axle, common practice.
    """
    postings, chosen = [], []
    for law in laws:
        likely, barring = [], []
        for n, x in enumerate(law.levels):
            p, demand = posted(law, x), x.demand
            if p < params.ready_probability - SAME_PROBABILITY:
                continue
            likely.append(n)
            if demand.barred and p >= params.barred_probability:
                barring.append(n)
            postings.append(
                Posting(
                    jurisdiction=demand.jurisdiction,
                    level_id=x.level.id,
                    legal_name=x.level.legal_name,
                    probability=p,
                    tires_n=demand.tires_min,
                    section=demand.section,
                    confidence=demand.confidence,
                    doubt=demand.doubt,
                )
            )
        chosen.append(_Likely(law, tuple(likely), tuple(barring)))
    asked = _asked(IdentityKey(rig), tuple(chosen))
    return ChainSet(
        hanging=asked.hanging,
        postings=tuple(postings),
        speed_limit_mps=asked.speed_limit_mps,
        speed_section=asked.speed_section,
        barred=asked.barred,
    )


class _Likely(NamedTuple):
    """The levels of a law that are likely enough, and those that then bar the rig, by index."""

    law: LawSpan
    levels: tuple[int, ...]
    barring: tuple[int, ...]


class _Asked(NamedTuple):
    """What likely levels ask for; see ChainSet."""

    hanging: Hanging
    speed_limit_mps: float | None
    speed_section: str
    barred: str


@lru_cache(maxsize=1024)
def _asked(for_rig: IdentityKey[Rig], chosen: tuple[_Likely, ...]) -> _Asked:
    """What these levels ask for together. Many departures differ in probabilities but not in the likely levels."""
    rig = for_rig.value
    demands, bars, limit, section = [], [], None, ""
    for law, likely, barring in chosen:
        if not law.levels:
            unknown = law.rules is None and law.span.name != OPEN_SEA
            demands.append((law.unknown or unknown_law(rig, ())) if unknown else common_practice(rig))
            continue
        bars += [law.levels[n].demand.barred for n in barring]
        passable = [law.levels[n].demand for n in likely if not law.levels[n].demand.barred]
        tire_demand = strictest(passable) if passable else law.levels[0].demand
        demands.append(tire_demand)
        if not passable and not _chains_drive(rig, tire_demand):
            demands.append(common_practice(rig))  # a level for the trailer alone helps on no grade
        level = next(x.level for x in law.levels if x.demand is tire_demand)
        if level.speed_limit_mps is not None and (limit is None or level.speed_limit_mps < limit):
            limit, section = level.speed_limit_mps, level.speed_section
    return _Asked(
        hanging=cover(rig, demands or [common_practice(rig)]),
        speed_limit_mps=limit,
        speed_section=section,
        barred="; ".join(dict.fromkeys(bars)),
    )


def _chains_drive(rig: Rig, demand: TireDemand) -> bool:
    """True when every choice of a demand chains a drive axle, or the demand bars the rig."""
    drive = rig.axle_indices(AxleRole.DRIVE)
    return bool(demand.barred) or all(any(t.axle_idx in drive for t in choice) for choice in demand.choices)


def common_practice(rig: Rig) -> TireDemand:
    """The outside dual of every drive position: a western practice, no source, used where the law asks nothing."""
    drive = rig.axle_indices(AxleRole.DRIVE)
    tires = frozenset(t for t in rig.tires() if t.axle_idx in drive and t.place != "inside")
    return TireDemand(
        jurisdiction="",
        level_id="",
        legal_name="common practice where the law asks nothing",
        choices=(tires,),
        section="",
        confidence=Confidence.MEMORY,
        doubt="the rules on file ask nothing here; ask the road authority",
    )


def hang_time_s(hanging: Hanging, params: PlanParams) -> float:
    """Seconds of work by the number of chains to hang; a double counts once."""
    chains_n = hanging.singles_used + hanging.doubles_used + hanging.singles_short
    return max(params.hang_min_s, params.hang_s_per_chain * chains_n)
