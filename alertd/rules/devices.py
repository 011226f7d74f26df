"""The words for traction devices, and which device is one of another kind too."""

from collections.abc import Iterable
from typing import Final

# Each follows from its own words; nothing is added that would free a rig of more than they say.
IMPLIED: Final = {
    "all-wheel drive with M+S tires": ("all-wheel drive",),
    "four-wheel drive with snow tires": ("four-wheel drive", "snow tires"),
}
# Words that rule files use. A rig file with another word gets no credit for it.
KNOWN: Final = frozenset(
    {
        "adequate snow tires", "all-wheel drive", "all-wheel drive with M+S tires", "automatic chains",
        "four-wheel drive", "four-wheel drive with snow tires", "sand distribution", "snow tires", "studded tires",
        "wheel sanders", "winter tires",
    }
)  # fmt: skip


def with_implied(devices: Iterable[str]) -> frozenset[str]:
    """The devices, and what each is besides: all-wheel drive with M+S tires is all-wheel drive."""
    fitted = frozenset(devices)
    return fitted.union(*(IMPLIED.get(device, ()) for device in fitted))
