"""Keys of feeds: in the address, in a header, or a Basic login (RFC 7617); the secret is in a file of its own."""

import re
from base64 import b64encode
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal

from pydantic import Field, model_validator

from alertd.errors import ConfigError
from alertd.sources.files.toml import FieldError, FileModel


class KeyedFile(FileModel):
    """The keys of a file that names a feed with a secret."""

    key_name: str = Field("", max_length=80)
    key_file: str = ""
    key_in: Literal["query", "header", "basic"] = "query"

    @model_validator(mode="after")
    def _has_whole_key(self) -> "KeyedFile":
        if self.key_in == "basic":
            if self.key_name or not self.key_file:
                hint = "write key_file with the name of a file that holds user:password, and no key_name"
                raise FieldError("key_file", "Basic login takes key_file alone", hint)
        elif bool(self.key_name) != bool(self.key_file):
            raise FieldError("key_file", "key_name and key_file go together", "write both or neither")
        if self.key_in == "header" and not re.fullmatch(r"[A-Za-z0-9-]+", self.key_name):
            raise FieldError("key_name", "is no name of a header", 'write e.g. key_name = "X-Api-Key"')
        return self


@dataclass(frozen=True, slots=True, kw_only=True)
class FeedKey:
    """query: the secret parameter, None if not needed. headers: those with the secret."""

    query: Mapping[str, str] | None = None
    headers: Mapping[str, str] = field(default_factory=dict, repr=False)


def feed_key(path: Path, content: KeyedFile) -> FeedKey:
    """The key of a feed's file. Raises ConfigError where it cannot be read or sent."""
    if not content.key_file:
        return FeedKey()
    try:
        secret = (path.parent / content.key_file).read_text(encoding="utf-8").strip()
    except (OSError, UnicodeDecodeError) as exc:
        raise ConfigError(
            str(path), "key_file", f"{content.key_file} cannot be read", "create that file, readable by the daemon"
        ) from exc
    if content.key_in == "query":
        return FeedKey(query={content.key_name: secret})
    if content.key_in == "basic":
        if ":" not in secret:
            raise ConfigError(str(path), "key_file", "holds no user:password", "write both, with a colon between")
        return FeedKey(headers={"authorization": f"Basic {b64encode(secret.encode()).decode()}"})
    if not (secret.isascii() and secret.isprintable()):
        raise ConfigError(str(path), "key_file", "holds characters that no header can carry", "write the key alone")
    return FeedKey(headers={content.key_name.lower(): secret})
