"""Plans about which nothing is to be sent for as long as they stand, so that a cycle need not look at them again.

A plan that stands is one before departure, on complete data. Until departure, conditions on the time in `plan_notices`
and `delivery_notices` only become true: a moment comes near, a gap is over, relief has lasted. So where nothing is to
be sent at the first and at the last moment, nothing is to be sent between. But a pending message also waits
for quiet hours or the limit of messages, which begin and end: such a plan counts only while its departure is farther
than `Policy.before_rolling`, when its driver gets no message at all.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from hashlib import blake2b
from typing import Any

from alertd.notices.policy import Policy
from alertd.notices.sent_state import SentFact
from alertd.plan.serialize import canonical


@dataclass(frozen=True, slots=True, kw_only=True)
class Quiet:
    """What a plan was compared with. digest: of what was sent about its trip, see `digest_of_sent`."""

    digest: bytes
    policy: Policy
    facts: tuple[SentFact, ...]

    def still(self, sent: Mapping[str, Any], policy: Policy) -> bool:
        """Whether a plan is compared with the same again. sent: what was sent about its trip, as plain values."""
        return policy == self.policy and digest_of_sent(sent["said"], sent.get("delivery")) == self.digest


def digest_of_sent(said: Sequence[Any], delivery: Mapping[str, Any] | None) -> bytes:
    """A digest of what was sent about a trip."""
    return blake2b(canonical([said, delivery]).encode(), digest_size=16).digest()
