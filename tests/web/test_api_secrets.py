"""Canaries: secrets set to words of their own, which are then looked for in answers, lines of log and the store."""

import json
import logging
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from alertd.service.tokens import new_token

Open = Callable[..., Any]
FILE_TOKEN, SIGNING, KEY = "canary-file-token-7310", "whsec_Y2FuYXJ5LXNpZ25pbmctNzMxMQ==", "canary-key-7312"


async def test_no_secret_is_in_any_answer_log_line_or_store_file(
    open_client: Open, make_settings: Any, caplog: pytest.LogCaptureFixture, capfd: pytest.CaptureFixture[str]
) -> None:
    caplog.set_level(logging.DEBUG)
    plain, out = make_settings(), {"secret_file": SIGNING, "token_file": "canary-out-7313"}
    client = await open_client(
        http_token=FILE_TOKEN,
        channels=tuple(replace(c, secrets=out) for c in plain.channels),
        forecast=replace(plain.forecast, secrets={"open_meteo_key_file": KEY}),
    )
    made = new_token(client.store, "tms", ["read"], client.clock(), None)[1]
    canaries = (FILE_TOKEN, SIGNING, KEY, "canary-out-7313", made, made.removeprefix("alertd_"))
    paths = (await client.get("/openapi.json")).json()["paths"]
    asked = [(m.upper(), p) for p, methods in paths.items() for m in methods] + [("GET", "/no"), ("BREW", "/v1/trips")]
    output = []
    for token in (FILE_TOKEN, made, made[:-1], f"{FILE_TOKEN}x"):
        for method, path in asked:
            headers = {"authorization": f"Bearer {token}", "idempotency-key": "a", "content-type": "application/json"}
            answer = await client.request(method, path, headers=headers, content=b'{"id": 1')
            output.append(f"{answer.headers}{answer.text}")
    client.app.state.authenticator._store = None
    output.append((await client.get("/v1/trips", headers={"authorization": f"Bearer {made}"})).text)
    lines = caplog.text + json.dumps([str(vars(r)) for r in caplog.records]) + "".join(capfd.readouterr())
    assert "failed" in lines  # the fault is there, with its traceback
    assert len(output) > 90
    stored = b"".join(p.read_bytes() for p in Path(client.store.place).parent.glob("alertd.db*")).decode("latin-1")
    for canary in canaries:
        assert canary not in "".join(output)
        assert canary not in lines
        assert canary not in stored
