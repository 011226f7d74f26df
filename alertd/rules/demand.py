"""From a rig and a level to the exact tires, and to the chains that cover them."""

from dataclasses import dataclass

from alertd.rules.law import Confidence
from alertd.rules.rig import Tire


@dataclass(frozen=True, slots=True, kw_only=True)
class TireDemand:
    """What one level of one jurisdiction asks of one rig: any of `choices`, each a minimal set of tires.

    choices == (frozenset(),) means nothing is asked. An unknown law is never this: it raises the safe figure and
    says so in `doubt`.
    """

    jurisdiction: str
    level_id: str
    legal_name: str
    choices: tuple[frozenset[Tire], ...]
    section: str
    confidence: Confidence
    doubt: str

    @property
    def tires_min(self) -> int:
        return min(len(c) for c in self.choices)


@dataclass(frozen=True, slots=True, kw_only=True)
class Hanging:
    """The tires to chain so that every one of several demands is met, and the iron it takes.

    singles_n counts chains when each covers one tire; singles_short is how many single chains are missing after
    those carried, doubles used where both tires of a dual pair are to be covered.
    """

    tires: tuple[Tire, ...]
    singles_n: int
    singles_used: int
    doubles_used: int
    singles_short: int
    demands: tuple[TireDemand, ...]
