"""Parses the location of a store: a SQLite file or a PostgreSQL database."""

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Final

from alertd.errors import StoreError

if TYPE_CHECKING:
    from sqlalchemy.engine import URL

FORMS: Final = "write a file's path, or postgresql://user@host:5432/database"


@dataclass(frozen=True, slots=True, repr=False)
class PostgresUrl:
    """A PostgreSQL database. Neither `str` nor `repr` shows the password."""

    url: "URL"

    def __str__(self) -> str:
        return self.url.set(drivername="postgresql").render_as_string()

    __repr__ = __str__

    def with_password(self, password: str) -> "PostgresUrl":
        """Return the same URL with a password."""
        return PostgresUrl(self.url.set(password=password))


StoreLocation = Path | PostgresUrl


def parse_store_url(text: Path | str, base: Path = Path()) -> StoreLocation:
    """Parse a path (relative to `base`), `sqlite:///path` or `postgresql://...`.

    Raises StoreError; its message never contains a password.
    """
    if isinstance(text, Path) or "://" not in text:
        return base / text
    # A path needs no database library, which takes a fifth of the start of a command.
    from sqlalchemy.engine import make_url
    from sqlalchemy.exc import ArgumentError

    try:
        url = make_url(text)
    except (ArgumentError, ValueError) as exc:
        raise StoreError(f"store: the URL cannot be read; {FORMS}") from exc
    if url.get_backend_name() == "sqlite" and url.database not in (None, "", ":memory:"):
        return base / str(url.database)
    if url.drivername in ("postgresql", "postgres", "postgresql+psycopg") and url.database:
        return PostgresUrl(url.set(drivername="postgresql+psycopg"))
    raise StoreError(f"store {url.render_as_string()}: unsupported kind of store; {FORMS}")
