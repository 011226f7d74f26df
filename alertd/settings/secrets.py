"""Where a secret's file is: beside the settings, or among the credentials that systemd hands to a service."""

import os
from pathlib import Path
from typing import Final

CREDENTIAL_PREFIX: Final = "credential:"  # e.g. secret_file = "credential:tms", with LoadCredential=tms:... in the unit


def secret_path(base: Path, name: str) -> Path:
    """The file that `name` in the settings means. Raises ValueError where a credential was to be handed and was not."""
    if not name.startswith(CREDENTIAL_PREFIX):
        return base / name
    folder = os.environ.get("CREDENTIALS_DIRECTORY", "")  # noqa: TID251 - systemd says it in no other way
    wanted = name.removeprefix(CREDENTIAL_PREFIX)
    if not folder:
        raise ValueError(f'"{name}" is for a service started by systemd, which hands no credentials to this process')
    if wanted in ("", ".", "..") or Path(wanted).name != wanted:
        raise ValueError(f'"{name}" does not name a credential')
    return Path(folder) / wanted
