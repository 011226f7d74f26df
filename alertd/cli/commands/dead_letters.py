"""`alertd parked`: lists, resends and reopens dead letters and failing channels, daemon or not."""

import json
from datetime import datetime
from typing import Any

import click

from alertd.cli.options import config_option, json_option, print_result
from alertd.cli.paths import daemon_store, own_settings
from alertd.cli.utc_time import utc_time
from alertd.clock import system_clock
from alertd.errors import InputError
from alertd.plan.serialize import to_plain
from alertd.service.dead_letters import DeadLetter, ResendResult, list_dead_letters, reopen, resend_ids, resend_where


@click.group(invoke_without_command=True)
@config_option
@click.option("--json", "as_json", is_flag=True, help="JSON on standard output.")
@click.pass_context
def parked(context: click.Context, config: str | None, as_json: bool) -> None:
    """List notices that could not be delivered and channels that are failing; see `resend` and `reopen`."""
    context.obj = config
    if context.invoked_subcommand is None:
        with daemon_store(own_settings(config)) as store:
            rows, states = list_dead_letters(store, system_clock()), store.channels.all()
        not_up = sorted((s for s in states if s.state != "up"), key=lambda s: s.target)
        if as_json:
            plain = {"targets": to_plain(tuple(not_up)), "notices": [_plain(row) for row in rows]}
            click.echo(json.dumps(plain, ensure_ascii=False, indent=1))
            return
        for state in not_up:
            click.echo(f"{state.target} is {state.state} since {utc_time(state.since)}: {state.why}")
        for row in rows:
            click.echo(_line(row))
        if not rows and not not_up:
            click.echo("nothing is parked")


@parked.command()
@click.argument("ids", metavar="[NUMBER]...", nargs=-1, type=int)
@click.option("--all", "everything", is_flag=True, help="All that is still of use and was not overtaken by newer news.")
@click.option("--target", default="", metavar="NAME", help="The same, of one target.")
@click.option("--since", metavar="TIME", help="The same, parked since; ISO 8601 with offset.")
@config_option
@json_option
@click.pass_obj
def resend(
    outer: str | None,
    ids: tuple[int, ...],
    everything: bool,
    target: str,
    since: str | None,
    config: str | None,
    as_json: bool,
) -> None:
    """Queue parked notices again, by NUMBER or by filter. A running daemon sends them within seconds."""
    if bool(ids) == bool(everything or target or since):
        raise InputError("parked resend", "", "says not which notices", "give numbers, or --all, --target or --since")
    with daemon_store(own_settings(config or outer)) as store:
        if ids:
            done = resend_ids(store, ids, system_clock())
        else:
            done = resend_where(store, system_clock(), target=target, since=_time(since) if since else None)
    print_result(
        as_json,
        "\n".join(_result_text(done)),
        requeued=list(done.requeued),
        expired=list(done.expired),
        superseded=list(done.superseded),
    )


@parked.command(name="reopen")
@click.argument("target")
@config_option
@json_option
@click.pass_obj
def reopen_target(outer: str | None, target: str, config: str | None, as_json: bool) -> None:
    """Enable the disabled channel TARGET again. Parked notices stay parked until `resend`."""
    settings = own_settings(config or outer)
    with daemon_store(settings) as store:
        was_shut = reopen(store, target, settings.channel_names, system_clock())
    text = f"{target} is open again" if was_shut else f"{target} was open; nothing to do"
    print_result(as_json, text, target=target, was_closed=was_shut)


def _time(text: str) -> datetime:
    try:
        when = datetime.fromisoformat(text)
    except ValueError:
        when = None
    if when is None or when.tzinfo is None:
        raise InputError("--since", "", f"{text!r} is not a time with an offset", "write e.g. 2027-01-14T04:45-07:00")
    return when


def _line(row: DeadLetter) -> str:
    one = row.delivery
    outcome = "expired" if not row.usable else "overtaken by newer news" if row.superseded else "can be sent again"
    settled = utc_time(one.settled_at) if one.settled_at else ""
    about = one.trip_id or "no trip"
    return f"{one.id:>8}  {settled}  {one.target}  {about}  {one.kind}: {outcome}. {one.note}"


def _plain(row: DeadLetter) -> dict[str, Any]:
    one = row.delivery
    return {
        "number": one.id,
        "notice_id": one.notice_id,
        "target": one.target,
        "trip_id": one.trip_id,
        "kind": one.kind,
        "state": one.state,
        "settled_at": to_plain(one.settled_at),
        "expires_at": to_plain(one.expires_at),
        "attempts": one.attempts,
        "why": one.note,
        "usable": row.usable,
        "overtaken": row.superseded,
    }


def _result_text(done: ResendResult) -> list[str]:
    lines = [f"{len(done.requeued)} put back in line"]
    if done.expired:
        lines.append(f"{len(done.expired)} left: of no more use")
    if done.superseded:
        numbers = " ".join(map(str, done.superseded))
        lines.append(
            f"{len(done.superseded)} left, newer news of their trip went before; by number if need be: {numbers}"
        )
    return lines
