"""Checks ordering rules between settings: one may not exceed another, or a fixed limit."""

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

from alertd.sources.files.toml import FieldError, FileModel


@dataclass(frozen=True, slots=True, kw_only=True)
class Pair:
    """`low` may not exceed `high`, nor equal it if `strictly`; both are keys, dotted below the model.

    `per_high`: how many units of `low` equal one of `high`, e.g. 60 for minutes against hours. `why`: what goes wrong
    otherwise.
    """

    low: str
    high: str
    why: str
    strictly: bool = False
    per_high: float = 1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Ceiling:
    """`key` may not exceed `most`; `why`: what goes wrong otherwise."""

    key: str
    most: float
    why: str


def in_order(model: FileModel, rules: Iterable[Pair | Ceiling]) -> None:
    """Raise FieldError for the first rule that the model's values break."""
    for rule in rules:
        if isinstance(rule, Ceiling):
            value = _value(model, rule.key)
            if value > rule.most:
                raise FieldError(
                    rule.key, f"{value:g} is above {rule.most:g}: {rule.why}", f"write at most {rule.most:g}"
                )
            continue
        low, high = _value(model, rule.low), _value(model, rule.high)
        limit = high * rule.per_high
        if low > limit or (rule.strictly and low == limit):
            word, bound = ("not below", "less than") if rule.strictly else ("above", "at most")
            raise FieldError(
                rule.low,
                f"{low:g} is {word} {rule.high} = {high:g}: {rule.why}",
                f"write {bound} {limit:g}, or raise {rule.high}",
            )


def _value(model: FileModel, key: str) -> float:
    value: Any = model
    for name in key.split("."):
        value = getattr(value, name)
    return float(value)
