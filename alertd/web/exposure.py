"""Whether other machines can reach the daemon; if so, the first start requires a token."""

from alertd.errors import ConfigError
from alertd.settings.model import Settings
from alertd.sources.http.client import is_loopback
from alertd.store.store import Store


def exposed_by(settings: Settings) -> str:
    """The settings key that makes the daemon reachable from other machines; "" without one."""
    if settings.public_url:
        return "daemon.public_url"
    return "" if is_loopback(settings.http_host) else "daemon.http_host"


def check_exposure(settings: Settings, store: Store) -> None:
    """Raise ConfigError when other machines reach the daemon and no token was ever created; StoreError when the store
    fails.

    A revoked or expired token keeps HTTP closed, so it must not also stop the notices after a restart.
    """
    key = exposed_by(settings)
    if not key or settings.http_token or store.tokens.all():
        return
    raise ConfigError(
        str(settings.where),
        key,
        "lets others reach the daemon, and no token was made",
        f"make one: `alertd token new --name office --scopes admin --config {settings.where}`",
    )
