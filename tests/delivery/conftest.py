"""Values that the delivery tests share: an outgoing notice and the secret of an invented fleet."""

from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

import pytest

NOON = datetime(2026, 1, 5, 12, tzinfo=UTC)


@dataclass(frozen=True, slots=True, kw_only=True)
class Out:
    id: int = 1
    notice_id: str = "ntc_0123456789abcdef0123456789abcdef"
    kind: str = "plan"
    trip_id: str = "trip-1"
    target: str = "hook"
    text: str = "Be ready to chain at Larch Lot."
    body: bytes = b'{"said":"be ready to chain"}'
    created_at: datetime = NOON
    expires_at: datetime = NOON + timedelta(hours=12)
    attempt: int = 1


@pytest.fixture
def make_out() -> Callable[..., Out]:
    return Out


@pytest.fixture
def noon() -> datetime:
    return NOON


@pytest.fixture
def secret() -> str:
    return "whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw"  # upstream test secret of Standard Webhooks
