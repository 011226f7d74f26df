"""`alertd webhook`: sends a signed sample of every event type and prints what came back; copies the kit."""

import asyncio
import json
import secrets
import shutil
import ssl
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any, Final

import click

from alertd.cli.options import config_option, json_option, print_result
from alertd.cli.paths import settings_path
from alertd.clock import system_clock
from alertd.delivery.channel_spec import ChannelConfig
from alertd.delivery.channels.webhook import SPEC, WebhookChannel, WebhookFile, endpoint_of
from alertd.errors import DeliveryError, InputError
from alertd.settings.model import Settings
from alertd.settings.read import read_settings
from alertd.settings.shipped import data_root
from alertd.store.rows import ClaimedDelivery

TEST_TRIP: Final = "TEST"
TEST_WORDS: Final = "TEST, no real truck. "
KIT: Final = ("shared", "kit")
SAMPLES: Final = (*KIT, "samples")


@dataclass(frozen=True, slots=True, kw_only=True)
class SampleResult:
    """What came back for one sample. status: None without an answer, or for one that is no 2xx."""

    type: str
    webhook_id: str
    status: int | None
    answer: str


@click.group()
def webhook() -> None:
    """Try the webhooks of the settings."""


@webhook.command(name="test")
@click.argument("name")
@config_option
@json_option
def test_webhook(name: str, config: str | None, as_json: bool) -> None:
    """Send one signed sample of every event type to the webhook NAME and print what came back.

    Samples name the trip TEST and say in their text that they are a test. Nothing is stored and nothing is repeated.
    """
    settings = read_settings(settings_path(config))
    results = asyncio.run(send_samples(webhook_of(settings, name), samples(system_clock())))
    if as_json:
        rows = [{"type": r.type, "id": r.webhook_id, "status": r.status, "answer": r.answer} for r in results]
        click.echo(json.dumps(rows, ensure_ascii=False, indent=1))
    else:
        for row in results:
            click.echo(f"{row.type:<18} {row.status or 'FAILED':<7} {row.answer}".rstrip())
    failed_n = sum(row.status is None for row in results)
    if failed_n:
        hint = "correct the receiver, its address or its secret, then test again"
        raise InputError(f"webhook {name}", "", f"{failed_n} of {len(results)} samples were not taken", hint)


@webhook.command(name="kit")
@click.argument("folder", type=click.Path(path_type=Path, file_okay=False), metavar="DIR")
@json_option
def copy_kit(folder: Path, as_json: bool) -> None:
    """Copy receivers for Python, Node.js and openssl, a script of faults and a sample of every event into DIR."""
    if folder.exists():
        raise InputError(str(folder), "", "is there already", "name a folder that is not")
    try:
        shutil.copytree(data_root().joinpath(*KIT), folder, ignore=shutil.ignore_patterns("__pycache__"))
    except OSError as exc:
        raise InputError(str(folder), "", f"cannot be written ({exc.strerror})", "name another folder") from exc
    files = sorted(str(path.relative_to(folder)) for path in folder.rglob("*") if path.is_file())
    print_result(as_json, f"{len(files)} files in {folder}; begin with receive.py or receive.js", files=files)


def webhook_of(settings: Settings, name: str) -> ChannelConfig[WebhookFile]:
    """The webhook of that name. Raises InputError without one."""
    found = {c.name: c for c in settings.channels if c.spec is SPEC}
    if name not in found:
        hint = f"name one of: {', '.join(found)}" if found else "add a section [[webhook]]"
        raise InputError(str(settings.where), "webhook", f'has no webhook "{name}"', hint)
    return found[name]


def samples(now_utc: datetime) -> list[ClaimedDelivery]:
    """One sample of every type, marked as a test. Each run gives new ids, so that a receiver takes each once."""
    paths = sorted(data_root().joinpath(*SAMPLES).glob("*.json"))
    return [_sample(n, json.loads(path.read_text(encoding="utf-8")), now_utc) for n, path in enumerate(paths, 1)]


async def send_samples(config: ChannelConfig[WebhookFile], sent: Sequence[ClaimedDelivery]) -> list[SampleResult]:
    """Send samples one after another. Raises ConfigError for a wrong address or secret."""
    results = []
    async with WebhookChannel(endpoint_of(config), tls=ssl.create_default_context()) as channel:
        for one in sent:
            status: int | None = None
            try:
                reply = await channel.ask(one, system_clock().timestamp())
                status, answer = reply.status, reply.text
            except DeliveryError as exc:
                answer = str(exc)
            results.append(SampleResult(type=one.kind, webhook_id=one.notice_id, status=status, answer=answer))
    return results


def _sample(number: int, body: dict[str, Any], now_utc: datetime) -> ClaimedDelivery:
    data = body["data"]
    id_ = data["notice_id"] = f"ntc_{secrets.token_hex(16)}"
    for holder in (data, data.get("plan", {})):
        if holder.get("trip_id"):
            holder["trip_id"] = TEST_TRIP
    if "text" in data:
        data["text"] = TEST_WORDS + data["text"]
    if data.get("headline"):
        data["headline"][0] = TEST_WORDS + data["headline"][0]
    text = json.dumps(body, ensure_ascii=False, separators=(",", ":"))
    return ClaimedDelivery(
        id=number,
        notice_id=id_,
        kind=body["type"],
        audience=data.get("audience", "fleet"),
        trip_id=data.get("trip_id", ""),
        target="",
        text=data.get("text", ""),
        body=text.encode(),
        created_at=now_utc,
        expires_at=now_utc + timedelta(hours=1),
        attempt=1,
    )
