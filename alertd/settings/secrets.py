"""Secrets in files of their own: beside the settings, or among the credentials that systemd provides."""

import os
from collections.abc import Callable
from pathlib import Path
from typing import Final, TypeAlias

from alertd.errors import ConfigError

CREDENTIAL_PREFIX: Final = "credential:"  # e.g. secret_file = "credential:tms", with LoadCredential=tms:... in the unit
LEAST_TOKEN_N: Final = 32  # characters: 128 bits at least where they are random hex digits

ReadSecret: TypeAlias = Callable[[str, str], str]  # (field of the settings file, file's name) to its contents


def secret_path(base: Path, name: str) -> Path:
    """The file that `name` in the settings means. Raises ValueError for a credential that systemd did not provide."""
    if not name.startswith(CREDENTIAL_PREFIX):
        return base / name
    folder = os.environ.get("CREDENTIALS_DIRECTORY", "")  # noqa: TID251 - the only way systemd provides it
    wanted = name.removeprefix(CREDENTIAL_PREFIX)
    if not folder:
        raise ValueError(f'"{name}" is for a service started by systemd, which hands no credentials to this process')
    if wanted in ("", ".", "..") or Path(wanted).name != wanted:
        raise ValueError(f'"{name}" does not name a credential')
    return Path(folder) / wanted


def read_secret_file(path: Path, field: str, name: str, *, least_n: int = 1) -> str:
    """Contents of the secret file that `field` of the settings file `path` names; "" for no name. Raises ConfigError.

    least_n: characters it must have. Only tokens of this daemon have a minimum. Passwords and tokens of other servers
    may be short but never empty: an empty file would silently mean "none".
    """
    if not name:
        return ""
    try:
        place = secret_path(path.parent, name)
    except ValueError as exc:
        raise ConfigError(str(path), field, str(exc), "name a file, or let the unit's LoadCredential hand it") from exc
    try:
        secret = place.read_text(encoding="utf-8").strip()
    except (OSError, UnicodeDecodeError) as exc:
        raise ConfigError(str(path), field, f"{name} cannot be read", "make that file, readable by the daemon") from exc
    if not secret:
        raise ConfigError(str(path), field, f"{name} is empty", "write the secret into it, or leave the key out")
    if len(secret) < least_n:
        mend = f"write {least_n} or more random characters into it, e.g. by `openssl rand -base64 33`"
        raise ConfigError(str(path), field, f"{name} holds {len(secret)} characters, too few to be safe", mend)
    return secret
