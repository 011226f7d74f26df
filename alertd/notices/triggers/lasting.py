"""Whether relief has lasted long enough, and over a newer forecast, to be sent."""

from datetime import datetime

from alertd.notices.policy import Policy
from alertd.plan.model.plan import Plan


def has_lasted(
    since: datetime | None, since_forecast: datetime | None, plan: Plan, now_utc: datetime, policy: Policy
) -> bool:
    """Whether it has been milder for the policy's time. since_forecast: the first forecast on which it was milder."""
    if not policy.may_ease:
        return False
    if not policy.ease_after:
        return True
    if since is None or since_forecast is None:
        return False
    agreed = len({s.provider for s in plan.sources if not s.stale}) > 1
    lasts = policy.ease_after if agreed else max(policy.ease_after, policy.ease_alone_after)
    return now_utc - since >= lasts and forecast_at(plan) > since_forecast


def forecast_at(plan: Plan) -> datetime:
    """Return when the plan's newest forecast was issued, or fetched if its source gives no issue time."""
    return max((s.issued_at or s.fetched_at for s in plan.sources), default=plan.made_at)
