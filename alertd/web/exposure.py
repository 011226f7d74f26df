"""Whether others than this machine can reach the daemon, and that the first start then needs a token."""

from alertd.errors import ConfigError
from alertd.settings.model import Settings
from alertd.sources.http.client import is_loopback
from alertd.store.store import Store


def exposed_by(settings: Settings) -> str:
    """The key of the setting by which others reach the daemon; "" where only this machine does."""
    if settings.public_url:
        return "daemon.public_url"
    return "" if is_loopback(settings.http_host) else "daemon.http_host"


def check_exposure(settings: Settings, store: Store) -> None:
    """Raise ConfigError where others reach the daemon and no token was ever made; StoreError when the store fails.

    A token that was revoked or has expired keeps HTTP closed, so it must not also stop the notices at a restart.
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
