"""Runs of road with our advice, the controls on them, and the places to chain up and off."""

from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum
from typing import Final

from alertd.route.spot import Spot
from alertd.rules.requirements import Hanging
from alertd.rules.tire_text import TireRun


class Advice(StrEnum):
    """Our advice, in rising order. The law and the forecast are separate values.

    SLOW: a winter road (ice, frost, snow) on which no chains are expected.
    CLEAR: no winter road either.
    """

    CLEAR = "clear"
    SLOW = "slow"
    READY = "ready"
    CHAIN = "chain"
    HOLD = "hold"

    @property
    def rank(self) -> int:
        """Position in the rising order, from 0."""
        return _RANK[self]


_RANK: Final = {advice: rank for rank, advice in enumerate(Advice)}


@dataclass(frozen=True, slots=True, kw_only=True)
class StopChoice:
    """A place to stop.

    stop_id: "" for the trip's own start or end.
    zone: IANA time zone there.
    listed: True for a stop of the operator's list. Kind "search" is not listed: the driver looks for the first safe
        place from `distance_m` on.
    instead_of: the stop that was sent before, "" where this is the first or the same.
    instead_why: the reason of the change.
    edge_m: for kind "search", where the road that may need chains begins (to stop before) or ends (to stop past).
    direction: of travel there, "N", "E", "S" or "W"; "" where not known.
    exit: number of the exit that it is at, "" where none is known.
    """

    stop_id: str
    name: str
    kind: str
    milepost: str
    distance_m: float
    lat_deg: float
    lon_deg: float
    zone: str
    arrive_at: datetime
    leave_at: datetime
    spaces: int | None
    lit: bool | None
    invented: bool
    reason: str
    listed: bool = True
    edge_m: float | None = None
    instead_of: str = ""
    instead_why: str = ""
    direction: str = ""
    exit: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Posting:
    """A control that we expect, by OUR ESTIMATE, or a posted control, and the law that it invokes.

    posted: True when the authority has posted it and it applies at the truck's hour.
    posted_level: level on the sign; differs from level_id where this level only comes with it.
    posted_by: source of the posting.
    posted_since: start of the posting, None where not given.
    """

    jurisdiction: str
    level_id: str
    legal_name: str
    probability: float
    tires_n: int
    section: str
    confidence: str
    doubt: str
    posted: bool = False
    posted_level: str = ""
    posted_by: str = ""
    posted_since: datetime | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Stretch:
    """A run of road that may need chains, in the direction of travel.

    zone: IANA time zone.
    advice: our advice for this stretch.
    probability: share of members in which any point of it needs chains, by expected posting or by grip.
    chain_worth: expected cost of going on unchained and deciding at the sign, as a multiple of the cost of chaining
        ahead: from 1 on the advice is to chain.
    surfaces: share of members in which each class is met anywhere on it.
    serviced_surfaces, untouched_surfaces: the same on a road that is cleared, over the members where it is, and on one
        that nobody ploughs or salts, over all. () in older plans.
    new_snow_mmwe: the median member's snow where it is deepest.
    snow_depth_low_m, snow_depth_high_m: range of its depth on an unploughed road.
    grip_short_frac, grip_short_chained_frac: share of members in which the rig cannot climb or hold somewhere on it,
        without and with chains.
    snow_closed_frac: our probability that snow closes the road somewhere on it, the mean over members: our estimate,
        never a posted closure.
    barred: the reason why this rig may not pass while a likely control is posted, "" if it may.
    hold_until: with advice to hold, the first hour from which it is expected to be passable again; None where the
        forecast shows none.
    tire_runs: the tires of `hanging` as runs of axles, to be worded in any language.
    place: named passes on it or near it, "" without any.
    spot: where it starts: road, direction, milepost or exit, town.
    chained: the plan drives it with chains that are reported on; chain_up is then the truck's present place.
    white_from_m, white_to_m: where few members need chains before it and past it; None without such road.
    """

    start_m: float
    end_m: float
    place: str
    jurisdictions: tuple[str, ...]
    zone: str
    enter_at: datetime
    leave_at: datetime
    advice: Advice
    probability: float
    unknown_frac: float
    surfaces: tuple[tuple[str, float], ...]
    max_upgrade: float
    max_downgrade: float
    new_snow_mmwe: float
    snow_depth_low_m: float
    snow_depth_high_m: float
    grip_short_frac: float
    grip_short_chained_frac: float
    snow_closed_frac: float
    barred: str
    hold_until: datetime | None
    postings: tuple[Posting, ...]
    hanging: Hanging
    tires_short_words: str
    tires_words: str
    chain_up: StopChoice
    chain_off: StopChoice
    speed_mps: float
    bare_speed_mps: float
    speed_because: str
    hang_s: float
    remove_s: float
    slow_s: float
    reasons: tuple[str, ...]
    tire_runs: tuple[TireRun, ...] = ()
    chained: bool = False
    spot: Spot | None = None
    white_from_m: float | None = None
    white_to_m: float | None = None
    chain_worth: float = 0.0
    serviced_surfaces: tuple[tuple[str, float], ...] = ()
    untouched_surfaces: tuple[tuple[str, float], ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class SurfaceStretch:
    """A run of winter road, flat or graded, in the direction of travel.

    icy: ice or glaze is likely enough on enough of it for a notice to the driver.
    chains_asked: it is inside a stretch that may need chains; otherwise no chains are expected on it.
    probability: share of members that meet ice or glaze anywhere on it where it is icy, else any winter class.
    surfaces: share of members that meet each winter class anywhere on it; ice and glaze first where it is icy.
    serviced_surfaces, untouched_surfaces: see `Stretch`.
    speed_mps: the maximum speed that we advise on that surface without chains.
    speed_because: source of that speed.
    """

    start_m: float
    end_m: float
    place: str
    jurisdictions: tuple[str, ...]
    zone: str
    enter_at: datetime
    leave_at: datetime
    icy: bool
    chains_asked: bool
    probability: float
    unknown_frac: float
    surfaces: tuple[tuple[str, float], ...]
    speed_mps: float
    speed_because: str
    spot: Spot | None = None
    serviced_surfaces: tuple[tuple[str, float], ...] = ()
    untouched_surfaces: tuple[tuple[str, float], ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class ChainsNote:
    """Chains that are reported on.

    since: time of the first such report.
    off: where the plan removes them.
    missing_n: tires that the road until there requires and these chains do not cover, as far as known.
    missing_words: these tires in words.
    doubt: the reason why the plan does not use these chains; off is then None.
    """

    since: datetime
    off: StopChoice | None
    missing_n: int = 0
    missing_words: str = ""
    doubt: str = ""
