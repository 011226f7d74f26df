"""The conditions of a truck that reaches each section in its hour."""

from dataclasses import dataclass, field
from functools import cached_property
from typing import TypeAlias, TypeVar

import numpy as np
from numpy.typing import NDArray

from alertd.plan.chain_up.chain_set import ChainSet, chains_for
from alertd.plan.params import PlanParams
from alertd.plan.road_ahead.chain_need import SAME_PROBABILITY, LawSpan, LevelForRig, mean_chance
from alertd.plan.road_ahead.hourly_need import Float32, HourlyNeed, Index, Mask, take_flat
from alertd.plan.road_ahead.pavement_codes import Codes
from alertd.plan.road_ahead.timing import UnchainedTiming

Array: TypeAlias = NDArray[np.float64]

Scalar = TypeVar("Scalar", bound=np.generic)

_ALL = slice(None)


@dataclass(frozen=True, kw_only=True, eq=False)
class Encounter:
    """The conditions of a truck that reaches each section in this hour: arrays (member, section).

    hour: index into the hourly need.
    timing: timing of one row, where already computed.
    floor: a lower bound of the need, from the conditions at another departure time, or None.
    """

    hourly_need: HourlyNeed
    hour: Index
    timing: UnchainedTiming | None = None
    floor: Float32 | None = None
    _chained: dict[tuple[int, int], ChainSet] = field(default_factory=dict, init=False)
    _held: dict[tuple[int, int], bool] = field(default_factory=dict, init=False)
    _slipping: dict[tuple[int, int], Mask] = field(default_factory=dict, init=False)

    def _taken(self, values: NDArray[Scalar], here: slice = _ALL) -> NDArray[Scalar]:
        """Values of (member, section, hour + 1) at the hours on `here`. Indices are not kept: they take much memory."""
        return take_flat(values, self.hourly_need.pick(self.hour[:, here], here))

    @cached_property
    def code(self) -> Codes:
        """Pavement code, (member, section)."""
        return self._taken(self.hourly_need.code) if self.timing is None else self.timing.code[0]

    @cached_property
    def grip_shortfall(self) -> Mask:
        """True where the rig slips without chains, (member, section)."""
        return self._taken(self.hourly_need.grip_shortfall)

    def slips(self, here: slice) -> Mask:
        """True for members in which the rig slips without chains anywhere on the sections `here`, (member,)."""
        key = here.start, here.stop
        if key not in self._slipping:
            self._slipping[key] = self._slips(here)
        return self._slipping[key]

    def _slips(self, here: slice) -> Mask:
        return np.asarray(np.logical_or.reduce(self._taken(self.hourly_need.grip_shortfall, here), axis=1))

    @cached_property
    def closed(self) -> Float32:
        """Our probability that snow closes the road, (member, section)."""
        return self._taken(self.hourly_need.closed)

    def _closed_frac(self, here: slice) -> np.float32:
        return np.float32(self._taken(self.hourly_need.closed, here).max(axis=1).mean())

    @cached_property
    def descent(self) -> Float32:
        """Share of drivers who chain for a long descent in snow, (member, section)."""
        return self._taken(self.hourly_need.descent)

    @cached_property
    def need(self) -> Float32:
        """Probability that chains are needed, (member, section), at least `floor`."""
        need = self._taken(self.hourly_need.need) if self.timing is None else self.timing.need[0]
        return need if self.floor is None else np.maximum(need, self.floor)

    def field_values(self, name: str, here: slice = _ALL) -> Array:
        """A float array of the road field, (member, section) of `here`; NaN where the hour is unknown."""
        return self.hourly_need.field_values(name, self.hour[:, here], here)

    @property
    def beside_class(self) -> NDArray[np.int8]:
        """RoadClass of the road beside each section, (member, section)."""
        return self.hourly_need.beside_class(self.hour)

    def chains(self, first: int, last: int, params: PlanParams) -> ChainSet:
        """The chains for sections first to last."""
        if (first, last) not in self._chained:
            self._chained[first, last] = self._chains(first, last, params)
        return self._chained[first, last]

    def is_held(self, first: int, last: int, params: PlanParams) -> bool:
        """True when too many members are barred, slip even with chains, or meet road closed by snow."""
        if (first, last) not in self._held:
            self._held[first, last] = self._is_held(first, last, params)
        return self._held[first, last]

    def _is_held(self, first: int, last: int, params: PlanParams) -> bool:
        enough, here = params.hold_probability - SAME_PROBABILITY, slice(first, last + 1)
        if self.hourly_need.most_closed[here].max() >= enough and self._closed_frac(here) >= enough:
            return True
        slips = self.slips(here)
        slick = np.count_nonzero(slips) / slips.size >= enough  # chains never reduce grip
        if not slick and not self.hourly_need.may_bar:
            return False
        chains = self.chains(first, last, params)
        if chains.barred or not slick:
            return bool(chains.barred)
        short = self.hourly_need.slips(chains.hanging.tires, self.code[:, here], here)
        return bool(short.any(axis=1).mean() >= enough)

    def _chains(self, first: int, last: int, params: PlanParams) -> ChainSet:
        need, least = self.hourly_need, params.ready_probability - SAME_PROBABILITY
        laws = [law for law in need.laws if law.at.start <= last and law.at.stop > first]
        picks: dict[LawSpan, NDArray[np.intp]] = {}  # levels of one law share their sections

        def posted(law: LawSpan, level: LevelForRig) -> float:
            a, b = max(first, law.at.start), min(last + 1, law.at.stop)
            part = slice(a - law.at.start, b - law.at.start)
            if np.maximum.reduce(need.most_chance[id(level)][part]) < least:  # not likely enough in any member and hour
                return 0.0
            chance = need.chance[id(level)]
            if law not in picks:
                members, sections_n, hours_n = chance.shape
                of_member = np.arange(0, members * sections_n * hours_n, sections_n * hours_n)
                of_section = np.arange(part.start * hours_n, part.stop * hours_n, hours_n)
                # (section, member): the largest over sections is several times as fast over the first axis.
                picks[law] = np.asarray(of_member + (of_section[:, None] + self.hour[:, a:b].T), dtype=np.intp)
            return mean_chance(np.maximum.reduce(take_flat(chance, picks[law]), axis=0))

        return chains_for(need.rig, laws, posted, params)
