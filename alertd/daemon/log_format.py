"""The daemon's log: one line per record, as text or JSON, without secrets and without forged lines."""

import json
import logging
import sys
from collections.abc import Iterable
from datetime import UTC, datetime
from typing import Final, Literal
from urllib.parse import quote

from alertd.settings.model import Settings
from alertd.store.url import PostgresUrl

LogFormat = Literal["text", "json"]
MIN_SECRET_LENGTH: Final = 6  # a shorter secret could be part of any word
REDACTED: Final = "[secret]"
FIELDS: Final = ("trip", "notice")  # extra fields of a record
# Libraries whose INFO messages are not useful here.
LOGGER_LEVELS: Final = {
    "apscheduler": logging.ERROR, "uvicorn": logging.WARNING, "httpx": logging.WARNING, "alembic": logging.WARNING,
    "procrastinate": logging.WARNING, "psycopg.pool": logging.ERROR,
}  # fmt: skip
# Control characters, and characters that some viewers treat as the end of a line, are escaped.
_ESCAPES: Final = {
    code: f"\\x{code:02x}" if code < 256 else f"\\u{code:04x}"
    for code in (*range(32), 127, *range(128, 160), 0x2028, 0x2029, 0x202E)
} | {ord("\n"): "\\n", ord("\r"): "\\r", ord("\t"): "\\t"}


def configure_logging(form: LogFormat, secrets: Iterable[str] = ()) -> None:
    """Send the log to standard error in this form. May be called again."""
    handler = logging.StreamHandler(sys.stderr)
    handler.setFormatter(JsonFormatter(secrets) if form == "json" else TextFormatter(secrets))
    logging.basicConfig(level=logging.INFO, handlers=[handler], force=True)
    for name, level in LOGGER_LEVELS.items():
        logging.getLogger(name).setLevel(level)


def secrets_of(settings: Settings) -> tuple[str, ...]:
    """Every secret that the settings hold. Specs of channels and providers declare theirs."""
    store = settings.store
    files = [*settings.forecast.secrets.values(), *(s for c in settings.channels for s in c.secrets.values())]
    password = store.url.password if isinstance(store, PostgresUrl) else ""
    return tuple(
        filter(
            None,
            (
                settings.http_token,
                str(password or ""),
                settings.heartbeat_url,  # a watchdog's address often is its password
                *files,
                *(part for text in files for part in text.split()),  # a file may hold several, e.g. while one changes
            ),
        )
    )


class _RedactingFormatter(logging.Formatter):
    """Formats without the given secrets, plain or percent-encoded."""

    def __init__(self, secrets: Iterable[str]) -> None:
        super().__init__("%(asctime)s %(levelname)s %(message)s")
        long_enough = {secret for secret in secrets if len(secret) >= MIN_SECRET_LENGTH}
        written = long_enough | {quote(secret, safe="") for secret in long_enough}
        self._secrets = sorted(written, key=len, reverse=True)  # longest first, because one may be part of another

    def redact(self, text: str) -> str:
        for secret in self._secrets:
            text = text.replace(secret, REDACTED)
        return text


class TextFormatter(_RedactingFormatter):
    """For people: time, level, text. Traceback lines are indented, so that none looks like a record."""

    def format(self, record: logging.LogRecord) -> str:
        first = f"{self.formatTime(record)} {record.levelname} {record.getMessage().translate(_ESCAPES)}"
        more = self.formatException(record.exc_info).splitlines() if record.exc_info else []
        return self.redact("\n".join((first, *("    | " + line.translate(_ESCAPES) for line in more))))


class JsonFormatter(_RedactingFormatter):
    """For programs: one object per line. at (UTC), level, logger, text; trip, notice and fault if present."""

    def format(self, record: logging.LogRecord) -> str:
        fields: dict[str, str] = {
            "at": datetime.fromtimestamp(record.created, UTC).isoformat(timespec="milliseconds"),
            "level": record.levelname,
            "logger": record.name,
            "text": record.getMessage(),
        }
        fields |= {name: str(value) for name in FIELDS if (value := getattr(record, name, ""))}
        if record.exc_info:
            fields["fault"] = self.formatException(record.exc_info)
        # Redacted before encoding: JSON writes a secret with a quotation mark differently.
        plain = {name: self.redact(value) for name, value in fields.items()}
        return json.dumps(plain, ensure_ascii=True)
