"""`alertd rules diff` and `alertd rules --doubts`: changes of the law, and what a person must read."""

import json
import textwrap
from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping, Sequence
from datetime import date
from typing import Any

import click

from alertd.cli.rules import find_ruleset
from alertd.errors import InputError
from alertd.planning.planned_lands import planned_lands
from alertd.rules.clause import Clause, Sureness
from alertd.rules.compare import LawChange, law_changes
from alertd.rules.law_on import ruleset_on
from alertd.rules.rig import Rig
from alertd.rules.ruleset import RuleSet
from alertd.settings.model import Settings

_ORDER = {Sureness.UNREAD: 0, Sureness.MEMORY: 1, Sureness.PRESS: 3, Sureness.AGENCY: 4, Sureness.TEXT: 5}
_AGED = 2  # known to change, or overdue: after a clause from memory


def parse_days(words: Sequence[str]) -> tuple[date, date]:
    """The two days of `alertd rules diff CODE DATE DATE`. Raises InputError."""
    if len(words) != 2:
        raise InputError("rules", "diff", f"{len(words)} dates given", "write alertd rules diff CODE DATE DATE")
    try:
        first, last = (date.fromisoformat(word) for word in words)
    except ValueError as exc:
        raise InputError("rules", "diff", f"{exc}", "write each date as 2027-01-31") from exc
    if first >= last:
        raise InputError("rules", "diff", "the second date is not after the first", "write the earlier date first")
    return first, last


def parse_day(word: str) -> date:
    """The day of --date. Raises InputError."""
    try:
        return date.fromisoformat(word)
    except ValueError as exc:
        raise InputError("rules", "--date", f'"{word}" is no date', "write it as 2027-01-31") from exc


def changes_json(changes: Iterable[LawChange]) -> list[dict[str, Any]]:
    """The changes as JSON types."""
    return [
        {"rig": c.rig, "where": c.where, "since": c.since.isoformat(), "before": c.before, "after": c.after,
         "more": c.more}
        for c in changes
    ]  # fmt: skip


def show_changes(ruleset: RuleSet, first: date, last: date, rigs: Mapping[str, Rig]) -> None:
    """Print the changes by place, the rigs with the same change in one line."""
    changes = law_changes(ruleset, first, last, rigs.values())
    together: dict[tuple[date, str, str, str], list[str]] = defaultdict(list)
    for c in changes:
        together[(c.since, c.where, c.before, c.after)].append(c.rig)
    click.echo(f"{ruleset.name}: the law of {first} and of {last}, for {len(rigs)} rigs")
    for (since, where, before, after), names in together.items():
        click.echo(f"  from {since}: {where}: {after}, before {before}")
        who = "every rig" if len(names) == len(rigs) else ", ".join(sorted(names))
        click.echo(textwrap.fill(who, 96, initial_indent="      ", subsequent_indent="      "))
    if not changes:
        click.echo("  no change on file for these rigs")


def reading_list(
    rulesets: Mapping[str, RuleSet], day: date, trips_n: Mapping[str, int] | None = None
) -> list[dict[str, Any]]:
    """The clauses that a person must read, most urgent first.

    trips_n: planned trips through each jurisdiction; lands that no trip touches come last.

    Order: by trips affected; then in force but not read, from memory, known to change or overdue, from the press. Among
    equals, the clause with more duties first, then the one seen standing longest ago. A clause read in its text or on
    an agency's page is listed only for a reason of `Clause.aged`.
    """
    trips_n = trips_n or {}
    found = []
    for code, whole in rulesets.items():
        rules = ruleset_on(whole, day)
        for clause in rules.clauses:
            aged = clause.aged(day)
            if aged or clause.sure in (Sureness.UNREAD, Sureness.MEMORY, Sureness.PRESS):
                rank = min(_ORDER[clause.sure], _AGED if aged else 9)
                duties_n = _duties(rules, clause)
                found.append(
                    (-trips_n.get(code, 0), rank, -duties_n, clause.seen_standing_on, code, clause, aged, duties_n)
                )
    found.sort(key=lambda row: row[:5])
    return [
        {
            "jurisdiction": code,
            "clause": clause.id,
            "asks": clause.asks,
            "sure": clause.sure.value,
            "seen_standing_on": clause.seen_standing_on.isoformat(),
            "duties": duties_n,
            "trips": trips_n.get(code, 0),
            "why": list(aged),
            "page": clause.page,
            "question": clause.question,
        }
        for *_, code, clause, aged, duties_n in found
    ]


def _duties(rules: RuleSet, clause: Clause) -> int:
    """Number of demands and carry rules that belong to a clause."""
    named = [d.clause or lv.clause for lv in rules.levels for d in lv.demands] + [c.clause for c in rules.carry]
    return sum(rules.clause(name) is clause for name in named)


_WHY = {"unread": "NOT READ", "memory": "from memory", "press": "press only", "agency": "agency page", "text": "text"}


def show_doubts(rows: Sequence[Mapping[str, Any]]) -> None:
    """Print the reading list."""
    click.echo("What a person must read, by the planned trips that it affects, then by how little is known")
    for n, row in enumerate(rows, 1):
        click.echo(
            f"\n{n:3}. {row['jurisdiction']}: {row['asks']} ({_WHY[row['sure']]}; seen standing "
            f"{row['seen_standing_on']}; {row['trips']} trips, {row['duties']} duties depend on it)"
        )
        for label, text in (("why", "; ".join(row["why"])), ("open", row["page"]), ("answer", row["question"])):
            if text:
                click.echo(textwrap.fill(text, 96, initial_indent=f"     {label:7}", subsequent_indent=" " * 12))


def print_doubts(settings: Settings, rulesets: Mapping[str, RuleSet], day: date, *, as_json: bool) -> None:
    """Print the reading list, by the trips of the trips file that each clause affects."""
    trips_n = Counter(code for trip in planned_lands(settings) for code in trip.lands)
    rows = reading_list(rulesets, day, trips_n)
    if as_json:
        click.echo(json.dumps(rows, indent=1, ensure_ascii=False))
    else:
        show_doubts(rows)


def print_diff(
    rulesets: Mapping[str, RuleSet], words: Sequence[str], rigs: Mapping[str, Rig], *, as_json: bool
) -> None:
    """Print the changes of one law between two days. words: CODE DATE DATE. Raises InputError."""
    if not words:
        raise InputError("rules", "diff", "no CODE given", "write alertd rules diff CODE DATE DATE")
    first, last = parse_days(words[1:])
    changed = find_ruleset(rulesets, words[0])
    if as_json:
        found = changes_json(law_changes(changed, first, last, rigs.values()))
        click.echo(json.dumps(found, indent=1, ensure_ascii=False))
    else:
        show_changes(changed, first, last, rigs)
