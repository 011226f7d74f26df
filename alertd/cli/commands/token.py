"""`alertd token`: creates, lists and revokes API tokens, daemon running or not."""

import json
from datetime import datetime
from pathlib import Path

import click

from alertd.cli.options import config_option, json_option, print_result
from alertd.cli.paths import own_settings
from alertd.cli.utc_time import utc_time
from alertd.clock import system_clock
from alertd.errors import InputError
from alertd.plan.serialize import to_plain
from alertd.service.tokens import SCOPES, is_active, new_token
from alertd.store.rows import StoredToken
from alertd.store.store import Store

_SCOPE_HELP = "; ".join(f"{scope}: {words}" for scope, words in SCOPES.items())


@click.group()
def token() -> None:
    """API tokens of the daemon's callers. The store keeps only their hashes."""


@token.command()
@click.option("--name", required=True, help="Who calls with it. A name may have two, while its caller changes over.")
@click.option("--scopes", required=True, metavar="A,B", help=f"What it may do. {_SCOPE_HELP}.")
@click.option("--days", type=click.IntRange(1, 3660), help="How long it holds; until it is revoked if not given.")
@config_option
@json_option
def new(name: str, scopes: str, days: int | None, config: str | None, as_json: bool) -> None:
    """Create a token and print it once."""
    with _store(config) as store:
        wanted = [scope.strip() for scope in scopes.split(",") if scope.strip()]
        id_, made = new_token(store, name, wanted, system_clock(), days)
    click.echo(f"{id_} of {name}; it cannot be shown again", err=True)
    print_result(as_json, made, id=id_, name=name, token=made)


@token.command(name="list")
@config_option
@json_option
def list_(config: str | None, as_json: bool) -> None:
    """List all tokens ever created, without their secrets."""
    with _store(config) as store:
        known, now = store.tokens.all(), system_clock()
    if as_json:
        click.echo(json.dumps([_plain(t, now) for t in known], ensure_ascii=False, indent=1))
        return
    for one in known:
        click.echo(_line(one, now))
    if not known:
        click.echo("no token was made yet")


@token.command()
@click.argument("id_", metavar="ID")
@config_option
@json_option
def revoke(id_: str, config: str | None, as_json: bool) -> None:
    """Revoke a token immediately."""
    with _store(config) as store:
        if not store.tokens.revoke(id_, system_clock()):
            raise InputError("token revoke", "ID", f"{id_} is not an active token", "see `alertd token list`")
    print_result(as_json, f"{id_} is revoked", id=id_, revoked=True)


def _store(config: str | None) -> Store:
    place = own_settings(config).store
    if isinstance(place, Path):
        try:
            place.parent.mkdir(parents=True, exist_ok=True)  # tokens may be created before the first start
        except OSError as exc:
            raise InputError(
                str(place.parent), "", f"cannot be created ({exc.strerror})", "correct daemon.store"
            ) from exc
    return Store(place)


def _line(one: StoredToken, now: datetime) -> str:
    used = f"last used {utc_time(one.last_used_at)}" if one.last_used_at else "never used"
    return f"{one.id}  {one.name}  {','.join(one.scopes)}  {_state(one, now)}  {used}"


def _state(one: StoredToken, now: datetime) -> str:
    if one.revoked_at is not None:
        return f"revoked {utc_time(one.revoked_at)}"
    if one.expires_at is None:
        return "holds"
    return f"{'until' if is_active(one, now) else 'expired'} {utc_time(one.expires_at)}"


def _plain(one: StoredToken, now: datetime) -> dict[str, object]:
    times = {name: to_plain(getattr(one, name)) for name in ("created_at", "expires_at", "revoked_at", "last_used_at")}
    return {"id": one.id, "name": one.name, "scopes": list(one.scopes), "holds": is_active(one, now), **times}
