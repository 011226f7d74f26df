"""Counts devices that are fitted to a rig where a rule file says that they count, and says so where they do not."""

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final, Literal

from alertd.rules.rig import AxleRole, Layout, Tire, tires_of

AUTOMATIC_CHAINS: Final = "automatic chains"
Counts = Literal["whole axle", "inside tires", "no"]


@dataclass(frozen=True, slots=True, kw_only=True)
class FittedDevice:
    """What one law makes of a device that is fitted.

    counts: "whole axle" for chains on both sides of the axle that has it, "inside tires" for the inside tire of each
        dual pair there (each tire of an axle with single tires), "no" for nothing.
    section: where the law says so, "" where no text that was read names the device.
    """

    device: str
    counts: Counts
    section: str = ""
    doubt: str = ""


def covered_tires(found: Iterable[FittedDevice], rig: Layout) -> frozenset[Tire]:
    """The tires that need no chains because of devices on the rig.

    Assumed: a device is on the foremost drive axle alone, because rig files do not name its axle.
    """
    axle = next((i for i, a in enumerate(rig.axles) if a.role is AxleRole.DRIVE), None)
    tires = [t for t in tires_of(rig.axles) if t.axle_idx == axle]
    out: set[Tire] = set()
    for device in found:
        if device.device not in rig.devices or device.counts == "no":
            continue
        out.update(t for t in tires if device.counts == "whole axle" or t.place != "outside")
    return frozenset(out)


def without(choices: Iterable[frozenset[Tire]], covered: frozenset[Tire]) -> tuple[frozenset[Tire], ...]:
    """The choices without the covered tires, each minimal, in their order."""
    left = list(dict.fromkeys(choice - covered for choice in choices))
    return tuple(c for c in left if not any(other < c for other in left))


def fitted_words(found: Iterable[FittedDevice], rig: Layout) -> tuple[str, ...]:
    """What a driver with automatic chains must know: where they count, for what, and where they do not."""
    known = {d.device: d for d in found}
    out = []
    for name in sorted(rig.devices):
        device = known.get(name)
        if device is None:
            if name == AUTOMATIC_CHAINS:
                out.append(f"{name} as fitted do not count here: no text on file names them")
            continue
        law = f" ({device.section})" if device.section else ""
        if device.counts == "no":
            words = f"{name} as fitted do not count here{law}"
        else:
            what = "both sides of their axle" if device.counts == "whole axle" else "the inside tires of their axle"
            words = f"{name} as fitted count for {what}{law}: switch them on"
        out.append(f"{words}; {device.doubt}" if device.doubt else words)
    return tuple(out)
