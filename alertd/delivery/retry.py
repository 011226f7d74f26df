"""Retry policy: when to retry and when to give up, a pure function of attempt, error and time left."""

from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Protocol

from alertd.errors import DeliveryError

# Seconds to wait after the first, second, ... failed attempt. From 30 min on the steps are those of the Standard
# Webhooks specification 1.0.0 ("Deliverability and reliability"). Its first steps are too coarse for news that expires
# in hours; the cap below shortens its later ones.
WAITS_S = (5.0, 30.0, 120.0, 300.0, 1800.0, 7200.0)
MAX_RETRY_PERIOD = timedelta(days=1)  # then an operator is alerted, and may resend it
TRIED_FOR_A_DAY = "tried for a day"
JITTER_FRAC = 0.2
MIN_CAP_S = 60.0
CAP_FRAC_OF_LIFE = 0.1  # so that a short-lived notice gets several attempts
MAX_RETRY_AFTER_S = 86400.0
MIN_LIFETIME_S = 10.0  # with less time left there is no further attempt
FINAL_ATTEMPT_MARGIN_S = 1.0


class Rng(Protocol):
    """The part of numpy's Generator that the policy uses."""

    def uniform(self, low: float, high: float) -> float: ...


@dataclass(frozen=True, slots=True, kw_only=True)
class RetryAt:
    """Time of the next attempt (UTC)."""

    at: datetime


@dataclass(frozen=True, slots=True, kw_only=True)
class GiveUp:
    """No further attempt. `expired`: the notice expired, no action is needed; otherwise an operator is alerted."""

    reason: str
    expired: bool = False


def next_attempt(
    attempt: int, error: DeliveryError, now: datetime, expires_at: datetime, rng: Rng, *, since: datetime
) -> RetryAt | GiveUp:
    """Decide after attempt number `attempt` (from 1) failed at `now`; `since` is the time of the first failure.

    Retries continue for a day or until the notice expires. The number of attempts alone never ends them.
    """
    ends_at = min(expires_at, since + MAX_RETRY_PERIOD)
    expires = ends_at == expires_at
    left_s = (ends_at - now).total_seconds()
    if expires_at <= now:
        return GiveUp(reason=f"expired after {attempt} tries; the last: {error}", expired=True)
    if error.permanent:
        return GiveUp(reason=str(error))
    if left_s <= 0:
        return GiveUp(reason=f"{TRIED_FOR_A_DAY}, {attempt} times; the last: {error}")
    asked_s = error.retry_after_s or 0.0
    if asked_s > MAX_RETRY_AFTER_S or 0 < asked_s >= (expires_at - now).total_seconds() - FINAL_ATTEMPT_MARGIN_S:
        return GiveUp(reason=f"{error}; it asks to wait {asked_s:.0f} s, past the use of the notice or a day")
    wait_s = _planned_wait_s(attempt, left_s, rng)
    if asked_s >= wait_s:
        return RetryAt(at=now + timedelta(seconds=asked_s))
    if wait_s >= left_s - FINAL_ATTEMPT_MARGIN_S and left_s >= MIN_LIFETIME_S:
        # The pause would outlast the notice: make one more attempt before it expires.
        wait_s = max(asked_s, left_s / 2)
    if wait_s < left_s - FINAL_ATTEMPT_MARGIN_S:
        return RetryAt(at=now + timedelta(seconds=wait_s))
    if not expires:
        return GiveUp(reason=f"{TRIED_FOR_A_DAY}, {attempt} times; the last: {error}")
    return GiveUp(reason=f"expires in {left_s:.0f} s, after {attempt} tries; the last: {error}", expired=True)


def _planned_wait_s(attempt: int, left_s: float, rng: Rng) -> float:
    planned_s = WAITS_S[min(attempt, len(WAITS_S)) - 1] * rng.uniform(1 - JITTER_FRAC, 1 + JITTER_FRAC)
    # The jitter only lowers the cap, so the cap holds and many notices still do not arrive at the same time.
    cap_s = max(MIN_CAP_S, CAP_FRAC_OF_LIFE * left_s) * rng.uniform(1 - JITTER_FRAC, 1.0)
    return min(planned_s, cap_s)
