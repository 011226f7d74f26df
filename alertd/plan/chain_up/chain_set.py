"""Which chains a stretch asks for: every law that may be posted on it, met by one hanging."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from alertd.plan.model import Posting
from alertd.plan.params import PlanParams
from alertd.plan.road_ahead.chain_need import SAME_PROBABILITY, LawSpan, LevelForRig
from alertd.rules.requirements import Hanging, TireDemand, cover, strictest
from alertd.rules.rig import AxleRole, Rig
from alertd.rules.ruleset import Confidence


@dataclass(frozen=True, slots=True, kw_only=True)
class ChainSet:
    hanging: Hanging
    postings: tuple[Posting, ...]
    speed_limit_mps: float | None
    speed_section: str
    barred: str


def chains_for(
    rig: Rig, laws: Sequence[LawSpan], posted: Callable[[LawSpan, LevelForRig], float], params: PlanParams
) -> ChainSet:
    """The chains for a stretch on the land of these laws; `posted` is the chance of a level anywhere on it.

    Of each jurisdiction on it the strictest level likely enough to be ready for; where only grip or missing weather
    asks for chains, its mildest chain level; where no rule is on file, common practice.
    """
    postings, demands, bars, limit, section = [], [], [], None, ""
    for law in laws:
        here = [(x.level, x.demand, posted(law, x)) for x in law.levels]
        likely = [x for x in here if x[2] >= params.ready_probability - SAME_PROBABILITY]
        postings += [
            Posting(
                jurisdiction=asked.jurisdiction,
                level_id=level.id,
                legal_name=level.legal_name,
                probability=p,
                tires_n=asked.tires_min,
                section=asked.section,
                confidence=asked.confidence,
                doubt=asked.doubt,
            )
            for level, asked, p in likely
        ]
        if not here:
            demands.append(common_practice(rig))
            continue
        bars += [asked.barred for _, asked, p in likely if asked.barred and p >= params.chain_probability]
        passable = [asked for _, asked, _ in likely if not asked.barred]
        asked = strictest(passable) if passable else here[0][1]
        demands.append(asked)
        level_limit = next(level.speed_limit_mps for level, demand, _ in here if demand is asked)
        if level_limit is not None and (limit is None or level_limit < limit):
            limit = level_limit
            section = next(level.speed_section for level, demand, _ in here if demand is asked)
    return ChainSet(
        hanging=cover(rig, demands or [common_practice(rig)]),
        postings=tuple(postings),
        speed_limit_mps=limit,
        speed_section=section,
        barred="; ".join(dict.fromkeys(bars)),
    )


def common_practice(rig: Rig) -> TireDemand:
    """The outside dual of every drive position: one western practice, no source, used where no law is on file."""
    drive = rig.axle_indices(AxleRole.DRIVE)
    tires = frozenset(t for t in rig.tires() if t.axle_idx in drive and t.place != "inside")
    return TireDemand(
        jurisdiction="",
        level_id="",
        legal_name="common practice where no rule is on file",
        choices=(tires,),
        section="",
        confidence=Confidence.MEMORY,
        doubt="no chain rule on file here; ask the road authority",
    )


def hang_time_s(hanging: Hanging, params: PlanParams) -> float:
    """Minutes of work by the number of chains to hang; a double counts once."""
    chains_n = hanging.singles_used + hanging.doubles_used + hanging.singles_short
    return max(params.hang_min_s, params.hang_s_per_chain * chains_n)
