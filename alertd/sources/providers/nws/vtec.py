"""P-VTEC, the machine-readable line of a US weather product: the event, its kind, number and times.

`/k.aaa.cccc.pp.s.####.yymmddThhnnZ-yymmddThhnnZ/` (NWS Instruction 10-1703): product class, action, office, phenomenon,
significance, number of the event, begin and end. A time of zeros: it has begun already, or stands until further notice.
"""

import re
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Final

_LINE: Final = re.compile(
    r"/([OTEX])\.([A-Z]{3})\.([A-Z]{4})\.([A-Z]{2})\.([A-Z])\.(\d{4})\.(\d{6}T\d{4}Z)-(\d{6}T\d{4}Z)/"
)
_OPEN: Final = "000000T0000Z"
# Cancelled, or gone over into another event that has a line of its own. EXP is left to its end, which it still gives.
_OVER: Final = frozenset(("CAN", "UPG"))


@dataclass(frozen=True, slots=True, kw_only=True)
class Vtec:
    """Times are aware and UTC; begins_at None: before this message, ends_at None: until further notice."""

    test: bool
    action: str
    office: str
    phenomenon: str
    significance: str
    number: int
    begins_at: datetime | None
    ends_at: datetime | None

    @property
    def code(self) -> str:
        """Phenomenon and significance, e.g. "WS.W"."""
        return f"{self.phenomenon}.{self.significance}"

    @property
    def over(self) -> bool:
        return self.action in _OVER

    def key(self, sent_at: datetime | None) -> str:
        """The event, the same through all its messages; numbers begin anew each year."""
        raw = self.begins_at or self.ends_at or sent_at
        year = f".{raw.year}" if raw else ""
        return f"{self.office}.{self.code}.{self.number:04}{year}"


def read_vtec(text: str) -> Vtec | None:
    """None for what is no such line."""
    found = _LINE.fullmatch(text.strip())
    if found is None:
        return None
    product, action, office, phenomenon, significance, number, begin, end = found.groups()
    try:
        begins_at, ends_at = _time(begin), _time(end)
    except ValueError:
        return None
    return Vtec(
        test=product == "T",
        action=action,
        office=office,
        phenomenon=phenomenon,
        significance=significance,
        number=int(number),
        begins_at=begins_at,
        ends_at=ends_at,
    )


def _time(text: str) -> datetime | None:
    return None if text == _OPEN else datetime.strptime(f"20{text}", "%Y%m%dT%H%MZ").replace(tzinfo=UTC)
