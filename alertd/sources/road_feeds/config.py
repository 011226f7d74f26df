"""Reads the configuration of a road feed: its URL, its format, and the meaning of its words.

One TOML file per feed in the folder `places.feeds`.
"""

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from operator import getitem
from pathlib import Path
from typing import Annotated, Any, Final, Literal

from pydantic import Field, field_validator, model_validator

from alertd.errors import ConfigError
from alertd.local_time import zone_or_none
from alertd.plan.posted import CLOSED, NONE_POSTED, NOT_UNDERSTOOD
from alertd.rules.ruleset import RuleSet, plain_words
from alertd.sources.files.toml import FieldError, FileModel, read_toml
from alertd.sources.road_feeds.formats import FORMATS
from alertd.sources.road_feeds.keys import FeedKey, KeyedFile, feed_key

IGNORED: Final = "ignore"
_OWN_LEVELS: Final = (CLOSED, NONE_POSTED, IGNORED)
_Words = Annotated[str, Field(min_length=1, max_length=80, pattern=r"^[^\x00-\x1f\x7f-\x9f\u2028\u2029]+$")]
_Format: Any = getitem(Literal, tuple(FORMATS))
_Expression = Annotated[str, Field(max_length=1000)]


def _check(key: str, expression: str) -> None:
    import jmespath  # here: plans without feeds need no parser of expressions
    from jmespath.exceptions import JMESPathError

    try:
        jmespath.compile(expression)
    except JMESPathError as exc:
        at = " ".join(str(exc).split())[:120]
        hint = "correct the expression (jmespath.org has its grammar)"
        raise FieldError(key, f'"{expression}" is not JMESPath: {at}', hint) from None


class ReadFile(FileModel):
    """JMESPath expressions: `list` and `published` on the whole response, the others on one list entry."""

    entries: _Expression = Field("", alias="list", examples=["items[]"])
    published: _Expression = Field("", examples=["metadata.updated"])
    id: _Expression = Field("", examples=["id"])
    text: _Expression = Field("", examples=["restriction"])
    since: _Expression = Field("", examples=["start"])
    until: _Expression = Field("", examples=["end"])
    geometry: _Expression = Field("", examples=["geometry"])
    start: _Expression = Field("", alias="from", examples=["[start.lat, start.lon]"])
    end: _Expression = Field("", alias="to", examples=["[end.lat, end.lon]"])
    place: _Expression = Field("", examples=["pass_name"])
    direction: _Expression = Field("", examples=["direction"])

    @model_validator(mode="after")
    def _compile(self) -> "ReadFile":
        for key, expression in self.by_key().items():
            if expression:
                _check(key, expression)
        return self

    def by_key(self) -> dict[str, str]:
        return {(f.alias or name): getattr(self, name) for name, f in ReadFile.model_fields.items()}


class WordFile(FileModel):
    """The level for some words of the feed: the whole text in any case (`exact`), or a regular expression."""

    exact: str = Field("", max_length=500)
    pattern: str = Field("", max_length=500)
    level: str = Field(min_length=1, examples=["chains-required"])

    @model_validator(mode="after")
    def _is_one_of_both(self) -> "WordFile":
        if bool(self.exact) == bool(self.pattern):
            raise FieldError("exact", "a word has either exact or pattern", 'write exact = "..." or pattern = "..."')
        try:
            re.compile(self.pattern)
        except re.error as exc:
            raise FieldError("pattern", f'"{self.pattern}" is not a regular expression: {exc}', "correct it") from None
        return self


class FeedFile(KeyedFile):
    """Contents of a feed's file."""

    name: str = Field(min_length=1, max_length=40, pattern=r"^[a-z0-9-]+$", examples=["my-state"])
    use: bool = True
    source: _Words = Field(examples=["the state's open road feed"])
    url: str = Field(pattern=r"^https?://[^\s]+$", examples=["https://roads.example/conditions.json"])
    format: _Format
    jurisdiction: str = Field(min_length=2, max_length=6, examples=["US-ID"])
    licence: _Words = Field(examples=["open data, see the state's terms"])
    poll_min: float = Field(5.0, ge=1, le=360)
    stale_min: float = Field(60.0, ge=1, le=2880)
    zone: str = ""
    read: ReadFile = ReadFile.model_validate({})
    word: list[WordFile] = Field(default_factory=list)

    @field_validator("zone")
    @classmethod
    def _is_zone(cls, value: str) -> str:
        if value and zone_or_none(value) is None:
            raise ValueError(f'"{value}" is not a time zone; write an IANA name, e.g. "America/Boise"')
        return value

    @model_validator(mode="after")
    def _is_mapped(self) -> "FeedFile":
        given = [key for key, expression in self.read.by_key().items() if expression]
        if not FORMATS[self.format].mapped:
            if given:
                raise FieldError(f"read.{given[0]}", f'"{self.format}" needs no mapping', "omit [read]")
            return self
        needed = ("text",) if self.format == "geojson" else ("list", "text")
        for key in needed:
            if key not in given:
                example = {"list": "items[]", "text": "restriction"}[key]
                raise FieldError(f"read.{key}", "missing", f'write e.g. {key} = "{example}"')
        if self.format == "json" and not {"geometry", "from", "place"}.intersection(given):
            raise FieldError("read", "no location is mapped", 'write geometry, or from and to, or place = "pass_name"')
        if ("to" in given) and "from" not in given:
            raise FieldError("read.from", "missing with to", 'write from = "[start.lat, start.lon]"')
        return self


@dataclass(frozen=True, slots=True, kw_only=True)
class WordRule:
    """One line of a feed's word table. `exact` is in case-folded form, "" if a pattern is used."""

    exact: str
    pattern: re.Pattern[str] | None
    level: str


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Feed:
    """A feed. read: JMESPath by key, empty for DATEX II; key: its secret parameter, None if not needed.

    headers: to send with each request, with the secret where it belongs in one.
    """

    name: str
    use: bool
    source: str
    url: str
    key: Mapping[str, str] | None
    format: str
    jurisdiction: str
    licence: str
    poll_s: float
    stale_s: float
    zone: str
    read: Mapping[str, str]
    words: tuple[WordRule, ...]
    headers: Mapping[str, str] = field(default_factory=dict, repr=False)

    def level(self, text: str) -> str:
        """Return the level of the first matching line of the feed's word table; NOT_UNDERSTOOD if none matches."""
        plain = " ".join(text.split())
        for word in self.words:
            if word.pattern.search(plain) if word.pattern is not None else word.exact == plain.casefold():
                return word.level
        return NOT_UNDERSTOOD


def read_feed(path: Path, rulesets: Mapping[str, RuleSet]) -> Feed:
    """Read one feed's file. Raises ConfigError with file, field and hint, also for an unknown level."""
    content = read_toml(path, FeedFile)
    _check_levels(path, content, rulesets)
    key = feed_key(path, content) if content.use else FeedKey()
    return Feed(
        name=content.name,
        use=content.use,
        source=content.source,
        url=content.url,
        key=key.query,
        headers=key.headers,
        format=content.format,
        jurisdiction=content.jurisdiction,
        licence=content.licence,
        poll_s=content.poll_min * 60.0,
        stale_s=content.stale_min * 60.0,
        zone=content.zone,
        read=_expressions(content),
        words=tuple(
            WordRule(
                exact=" ".join(w.exact.split()).casefold(),
                pattern=re.compile(w.pattern, re.IGNORECASE) if w.pattern else None,
                level=w.level,
            )
            for w in content.word
        )
        + _vocabulary(rulesets[content.jurisdiction]),
    )


def _vocabulary(rules: RuleSet) -> tuple[WordRule, ...]:
    """The phrases under which the levels of a rule file are posted, strictest first; after the feed's own words."""
    return tuple(
        WordRule(exact=plain_words(phrase), pattern=None, level=level.id)
        for level in sorted(rules.levels, key=lambda lv: -lv.rank)
        for phrase in (level.legal_name, *level.posted_as)
    )


def read_feeds(folder: Path, rulesets: Mapping[str, RuleSet]) -> tuple[Feed, ...]:
    """Return the feeds of a folder that are in use, by file name; empty when the folder does not exist."""
    feeds = [read_feed(path, rulesets) for path in sorted(folder.glob("*.toml"))]
    names = [f.name for f in feeds]
    for name in names:
        if names.count(name) > 1:
            raise ConfigError(str(folder), "name", f'"{name}" names two feeds', "give each feed a name of its own")
    return tuple(f for f in feeds if f.use)


def _expressions(content: FeedFile) -> dict[str, str]:
    found = content.read.by_key()
    if content.format == "geojson":
        usual = {"list": "features", "id": "id || properties.id", "geometry": "geometry"}
        found |= {key: found[key] or expression for key, expression in usual.items()}
    return found


def _check_levels(path: Path, content: FeedFile, rulesets: Mapping[str, RuleSet]) -> None:
    rules = rulesets.get(content.jurisdiction)
    if rules is None:
        raise ConfigError(
            str(path),
            "jurisdiction",
            f'there are no rules of "{content.jurisdiction}"',
            f"add its rule file, or write one of: {', '.join(sorted(rulesets)) or 'none is on file'}",
        )
    known = [level.id for level in rules.levels]
    for i, word in enumerate(content.word, start=1):
        if word.level not in (*known, *_OWN_LEVELS):
            raise ConfigError(
                str(path),
                f"word[{i}].level",
                f'"{word.level}" is not a level of {content.jurisdiction}',
                f"write one of: {', '.join((*known, *_OWN_LEVELS))}",
            )
