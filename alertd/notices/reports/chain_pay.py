"""The operator's own terms of chain time: which parts are paid, the pay code, and the columns of the payroll."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Final, Literal

from alertd.notices.reports.chain_log import ChainLogEntry

Part = Literal["hanging", "running", "removing"]
PARTS: Final[tuple[Part, ...]] = ("hanging", "running", "removing")


@dataclass(frozen=True, slots=True, kw_only=True)
class ChainPay:
    """What an operator and its drivers have agreed on.

    paid: the parts that count, none where nothing is agreed.
    code: the code of the operator's payroll.
    columns: heading to field of the log, in order; none for all fields under their own names.
    """

    paid: tuple[Part, ...] = ()
    code: str = ""
    columns: Mapping[str, str] = field(default_factory=dict)

    def minutes(self, entry: ChainLogEntry) -> int | None:
        """Return the minutes that count, None where nothing is agreed or a part that counts is not known."""
        parts = [self._part(entry, part) for part in self.paid]
        known = [m for m in parts if m is not None]
        return sum(known) if known and len(known) == len(parts) else None

    def unknown(self, entry: ChainLogEntry) -> Sequence[Part]:
        """Return the parts that count and are not known."""
        return [part for part in self.paid if self._part(entry, part) is None]

    def _part(self, entry: ChainLogEntry, part: Part) -> int | None:
        minutes = {
            "hanging": entry.hanging_minutes,
            "running": entry.running_minutes,
            "removing": entry.removing_minutes,
        }
        return minutes[part]


def paid_fields(entry: ChainLogEntry, pay: ChainPay) -> dict[str, Any]:
    """Return the fields of pay of one entry. paid_hours: with two decimals, as payrolls ask for them."""
    minutes = pay.minutes(entry)
    return {
        "pay_code": pay.code,
        "paid_minutes": minutes,
        "paid_hours": None if minutes is None else round(minutes / 60.0, 2),
        "unknown_parts": list(pay.unknown(entry)),
    }
