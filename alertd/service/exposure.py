"""Whether others than this machine can reach the daemon, and that it then starts only with a token."""

from datetime import datetime

from alertd.errors import ConfigError
from alertd.service.settings import Settings
from alertd.service.tokens import active
from alertd.sources.http import is_loopback
from alertd.store.store import Store


def exposed_by(settings: Settings) -> str:
    """The key of the setting by which others reach the daemon; "" where only this machine does."""
    if settings.public_url:
        return "daemon.public_url"
    return "" if is_loopback(settings.http_host) else "daemon.http_host"


def check_exposure(settings: Settings, store: Store, now_utc: datetime) -> None:
    """Raise ConfigError where others reach the daemon and no token is active; StoreError when the store fails."""
    key = exposed_by(settings)
    if not key or settings.http_token or any(active(token, now_utc) for token in store.tokens.all()):
        return
    raise ConfigError(
        str(settings.where),
        key,
        "lets others reach the daemon, and no token is active",
        f"make one: `alertd token new --name office --scopes admin --config {settings.where}`",
    )
