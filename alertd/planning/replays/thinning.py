"""Removes archived inputs of plans that the store no longer has."""

import json
import re
from collections.abc import Callable, Collection, Iterator, Sequence
from datetime import datetime
from typing import Any, Final

from alertd.store.archive import CONTENTS_KEPT_LONGER, Archive

_DIGEST: Final = re.compile(r"[0-9a-f]{64}")
_TEXTS: Final = ("pack", "plan")  # texts of plans, which name no contents
_ASKED_AT_ONCE: Final = 500


def thin_archive(archive: Archive, stored: Callable[[Sequence[str]], Collection[str]], before: datetime) -> int:
    """Remove plans that are not stored, and contents that no plan names; return the number of removed files.

    stored: returns which of these plan ids the store has. before: newer plans stay, stored or not, and so do those of
    the day before it, because a comparison is filed after the plans that it compares. Raises StoreError and removes
    nothing more when a record cannot be read: what it names is then not known.
    """
    old = archive.plans_filed(before)
    may_go = archive.plans_filed(before - CONTENTS_KEPT_LONGER)
    kept = set(old) - set(may_go)
    for n in range(0, len(may_go), _ASKED_AT_ONCE):
        kept.update(stored(may_go[n : n + _ASKED_AT_ONCE]))
    read = _References(archive)
    kept |= {compared for plan_id in kept for compared in read.plans(plan_id)} & set(old)
    named = {digest for plan_id in kept for digest in read.contents(plan_id)}
    removed = archive.remove_plans([plan_id for plan_id in may_go if plan_id not in kept])
    return removed + archive.remove_contents(unused_since=before - CONTENTS_KEPT_LONGER, but=named)


class _References:
    """Which plans and contents the records of plans name. Many plans have one record, which is read once."""

    def __init__(self, archive: Archive) -> None:
        self._archive = archive
        self._read: dict[str, tuple[frozenset[str], frozenset[str]]] = {}

    def plans(self, plan_id: str) -> frozenset[str]:
        """The plans that a comparison was made from."""
        return self._of(self._archive.of_plan(plan_id))[0]

    def contents(self, plan_id: str) -> frozenset[str]:
        """The digests of all contents that a replay of the plan reads."""
        return self._of(self._archive.of_plan(plan_id))[1]

    def _of(self, digest: str) -> tuple[frozenset[str], frozenset[str]]:
        if digest not in self._read:
            record = json.loads(self._archive.get(digest))
            compared = [record["planned"], *(plan_id for _, plan_id in record["others"])] if "planned" in record else []
            contents = {digest, *_digests(record)}
            for part in _digests([value for name, value in record.items() if name not in _TEXTS], depth=1):
                contents.update(self._part(part))
            self._read[digest] = frozenset(compared), frozenset(contents)
        return self._read[digest]

    def _part(self, digest: str) -> frozenset[str]:
        """The digests in a part that records have in common, such as the list of files."""
        if digest not in self._read:
            self._read[digest] = frozenset(), frozenset(_digests(json.loads(self._archive.get(digest))))
        return self._read[digest][1]


def _digests(value: Any, depth: int = 100) -> Iterator[str]:
    """All texts in the form of a digest, at most `depth` lists or objects deep."""
    if isinstance(value, str):
        if _DIGEST.fullmatch(value):
            yield value
    elif isinstance(value, dict | list) and depth:
        for inner in value.values() if isinstance(value, dict) else value:
            yield from _digests(inner, depth - 1)
