"""Reads the operator's file of company practice: what the company asks besides the law."""

from collections.abc import Mapping
from pathlib import Path

from pydantic import Field, model_validator

from alertd.errors import ConfigError
from alertd.rules.practice import Practice
from alertd.rules.ruleset import RuleSet
from alertd.sources.files.laws.control_level import PlacementFile, RigClassFile, Words
from alertd.sources.files.toml import FieldError, FileModel, read_toml


class AskFile(FileModel):
    """One thing that the company asks: tires to chain, chains aboard, or both."""

    why: Words = Field(examples=["all drive tires in Washington"])
    jurisdictions: list[Words] = Field(default_factory=list, examples=[["US-WA"]])
    rigs: list[Words] = Field(default_factory=list)  # ids of rigs; empty for all
    rig_class: RigClassFile = Field(RigClassFile(), alias="for")
    roads: list[Words] = Field(default_factory=list)  # ids of zones of the rule files; empty for all roads
    levels: list[Words] = Field(default_factory=list)  # ids of levels; empty wherever the law asks this rig for chains
    layouts: list[list[PlacementFile]] = Field(default_factory=list)
    aboard: int = Field(0, ge=0, le=100)

    @model_validator(mode="after")
    def _asks_something(self) -> "AskFile":
        if not self.layouts and not self.aboard:
            raise FieldError("layouts", "missing, and no aboard", "give layouts, aboard, or both")
        if (self.roads or self.levels) and not self.jurisdictions:
            raise FieldError("jurisdictions", "missing with roads or levels", "name the jurisdictions of their files")
        return self

    def to_core(self) -> Practice:
        return Practice(
            why=self.why,
            jurisdictions=tuple(self.jurisdictions),
            rigs=tuple(self.rigs),
            rig_class=self.rig_class.to_core(),
            zones=tuple(self.roads),
            levels=tuple(self.levels),
            layouts=tuple(tuple(p.to_core() for p in layout) for layout in self.layouts) or ((),),
            aboard_n=self.aboard,
        )


class PracticeFile(FileModel):
    """Contents of the file. It can ask more than the law, never less."""

    ask: list[AskFile] = Field(min_length=1)


def read_practices(path: Path, rulesets: Mapping[str, RuleSet]) -> tuple[Practice, ...]:
    """Read the file; every jurisdiction, road and level that it names must be on file. Raises ConfigError."""
    practices = tuple(ask.to_core() for ask in read_toml(path, PracticeFile).ask)
    for n, p in enumerate(practices, 1):
        known = [rulesets[code] for code in p.jurisdictions if code in rulesets]
        named = (
            ("jurisdictions", p.jurisdictions, list(rulesets)),
            ("roads", p.zones, [z.id for r in known for z in r.zones]),
            ("levels", p.levels, [lv.id for r in known for lv in r.levels]),
        )
        for key, words, allowed in named:
            for word in words:
                if word not in allowed:
                    mend = f"write one of: {', '.join(allowed) or 'none is on file'}"
                    raise ConfigError(str(path), f"ask[{n}].{key}", f'"{word}" is not on file', mend)
    return practices
