"""Plans about which nothing is to be sent until a moment, so that a cycle before it need not look at them again.

A plan that stands is one before departure, on complete data. Until departure, conditions on the time in `plan_notices`
and `delivery_notices` only become true: a moment comes near, a gap is over, relief has lasted. So where nothing is to
be sent at the last moment, nothing is to be sent before. But a pending message also waits for quiet hours or the limit
of messages, which begin and end. While the departure is farther than `Policy.before_rolling`, its driver gets no
message at all, so such a plan is quiet until then. Afterwards it is quiet until quiet hours begin or end, if nothing
would be sent without a limit of messages either.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from hashlib import blake2b
from typing import Any

from alertd.notices.policy import Policy
from alertd.notices.sent_state import SentFact
from alertd.plan.serialize import canonical


@dataclass(frozen=True, slots=True, kw_only=True)
class Quiet:
    """What a plan was compared with, and the moment until which it is quiet.

    digest: of what was sent about its trip, see `digest_of_sent`.
    """

    digest: bytes
    policy: Policy
    facts: tuple[SentFact, ...]
    until: datetime

    def still(self, sent: Mapping[str, Any], policy: Policy, now_utc: datetime) -> bool:
        """Whether a plan is compared with the same again, in time. sent: what was sent about its trip, plain."""
        if now_utc > self.until or policy != self.policy:
            return False
        return digest_of_sent(sent["said"], sent.get("delivery")) == self.digest


def digest_of_sent(said: Sequence[Any], delivery: Mapping[str, Any] | None) -> bytes:
    """A digest of what was sent about a trip."""
    return blake2b(canonical([said, delivery]).encode(), digest_size=16).digest()
