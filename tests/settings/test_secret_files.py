"""Files of secrets: what could be guessed is refused at start, in one line that names the file and the mend."""

import base64
import os
from collections.abc import Callable
from pathlib import Path

import pytest

from alertd.errors import ConfigError
from alertd.settings.read import read_settings

Write = Callable[..., Path]
TOKEN = {'brief_at = "03:30"': 'brief_at = "03:30"\nhttp_token_file = "token.txt"'}


@pytest.mark.parametrize("token", ["x", "x" * 31, " " * 40 + "\n", ""])
def test_a_token_file_that_could_be_guessed_is_refused(write_config: Write, token: str) -> None:
    path = write_config(changes=TOKEN)
    (path.parent / "token.txt").write_text(token)
    with pytest.raises(ConfigError, match=r"daemon\.http_token_file: token\.txt .*; write ") as refused:
        read_settings(path)
    assert "\n" not in str(refused.value)
    assert not token.strip() or f'"{token}"' not in str(refused.value)


def test_a_token_file_of_32_characters_is_taken(write_config: Write) -> None:
    path = write_config(changes=TOKEN)
    (path.parent / "token.txt").write_text("0123456789abcdef" * 2 + "\n")
    assert read_settings(path).http_token == "0123456789abcdef" * 2


@pytest.mark.parametrize("size", [1, 23, 65])
def test_a_webhook_secret_has_its_standard_s_size(write_config: Write, demo: Path, size: int) -> None:
    """Standard Webhooks 1.0.0, "Signature scheme": between 24 and 64 bytes."""
    path = write_config(changes={f"{demo}/receiver-secret.txt": "tms.txt"})
    secret = "whsec_" + base64.b64encode(os.urandom(size)).decode()
    (path.parent / "tms.txt").write_text(secret)
    with pytest.raises(ConfigError, match=rf"webhook\[1\]\.secret_file: tms\.txt: .* has {size} bytes, not 24 to 64"):
        read_settings(path)
    good = "whsec_" + base64.b64encode(os.urandom(24)).decode()
    (path.parent / "tms.txt").write_text(good)
    assert read_settings(path).channels[0].secret("secret_file") == good


def test_a_password_of_another_server_may_be_short_not_empty(write_config: Write) -> None:
    """Its operator chose it; a file that is empty would mean that there is none."""
    changes = {'audiences = ["fleet", "driver", "dispatcher"]': 'audiences = ["fleet"]\ntoken_file = "out.txt"'}
    path = write_config(changes=changes)
    (path.parent / "out.txt").write_text("short\n")
    assert read_settings(path).channels[0].secret("token_file") == "short"
    (path.parent / "out.txt").write_text("\n")
    with pytest.raises(ConfigError, match=r"webhook\[1\]\.token_file: out\.txt is empty; write"):
        read_settings(path)
