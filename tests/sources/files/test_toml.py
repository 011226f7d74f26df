from pathlib import Path
from typing import Literal

import pytest
from pydantic import Field, field_validator

from alertd.errors import ConfigError, InputError
from alertd.sources.files.toml import FieldError, FileModel, read_toml
from alertd.sources.requests.posted_controls import parse_posted


class Inner(FileModel):
    port: int = Field(ge=1, examples=[8080])
    mode: Literal["fast", "slow"] = "fast"


class Settings(FileModel):
    name: str
    inner: Inner
    others: list[Inner] = Field(default_factory=list)
    trucks: dict[str, Inner] = Field(default_factory=dict)

    @field_validator("name")
    @classmethod
    def _short(cls, value: str) -> str:
        if len(value) > 5:
            raise ValueError("too long; shorten it")
        if value == "no":
            raise FieldError("", "is no name", "think again")
        return value


def _error(tmp_path: Path, text: str | bytes) -> ConfigError:
    path = tmp_path / "x.toml"
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    with pytest.raises(ConfigError) as caught:
        read_toml(path, Settings)
    assert str(path) in str(caught.value)
    assert "\n" not in str(caught.value)
    return caught.value


def test_good_file_becomes_the_model(tmp_path: Path) -> None:
    path = tmp_path / "x.toml"
    path.write_text('name = "a"\ninner = { port = 80 }\n')
    assert read_toml(path, Settings) == Settings(name="a", inner=Inner(port=80))


def test_byte_order_mark_of_an_editor_does_no_harm(tmp_path: Path) -> None:
    path = tmp_path / "x.toml"
    path.write_bytes(b'\xef\xbb\xbfname = "a"\ninner = { port = 80 }\n')
    assert read_toml(path, Settings).name == "a"


@pytest.mark.parametrize(
    ("text", "field", "mend"),
    [
        ('nam = "a"\ninner = { port = 80 }', "nam", "write name"),
        ('name = "a"\ninner = { port = 80, zzz = 1 }', "inner.zzz", "known keys are port, mode"),
        ('name = "a"\ninner = { port = 80 }\nothers = [{ port = 1 }, { prt = 1 }]', "others[2].prt", "write port"),
        ('name = "a"\ninner = { port = "80" }', "inner.port", "write port = 8080"),
        ('name = "a"\ninner = { port = 0 }', "inner.port", "write port = 8080"),
        ('name = "a"\ninner = { }', "inner.port", "add port = 8080"),
        ('name = "a"\ninner = { port = 1, mode = "fest" }', "inner.mode", 'write "fast"'),
        ('name = "a"\ninner = { port = 1, mode = "zzzz" }', "inner.mode", "write one of fast, slow"),
        ('name = "a"\ninner = { port = 1 }\n[trucks.a7]\nprt = 1', "trucks.a7.prt", "write port"),
        ('name = "a"\ninner = { port = 1 }\n[trucks.a7]\nmode = "fast"', "trucks.a7.port", "add port = 8080"),
        ('name = "a"\ninner = 3', "inner", "a table with keys"),
        ('name = "a"\ninner = { port = 1 }\nothers = 3', "others", "a list"),
        ('name = 3\ninner = { port = 1 }', "name", "text in double quotes"),
        ('name = "longer"\ninner = { port = 1 }', "name", "shorten it"),
        ('name = "no"\ninner = { port = 1 }', "name", "think again"),
    ],
)  # fmt: skip
def test_mistake_names_key_and_mend(tmp_path: Path, text: str, field: str, mend: str) -> None:
    error = _error(tmp_path, text)
    assert error.field == field
    assert mend in error.hint


def test_toml_mistake_gives_its_line(tmp_path: Path) -> None:
    assert "line 2" in _error(tmp_path, 'name = "a"\ninner = = 3\n').problem


def test_file_of_another_encoding_is_told(tmp_path: Path) -> None:
    assert _error(tmp_path, b'name = "\xff\xfe"').hint == "save the file as UTF-8"


def test_missing_file_is_told_not_raised_bare(tmp_path: Path) -> None:
    with pytest.raises(ConfigError, match="cannot be read"):
        read_toml(tmp_path / "none.toml", Settings)


def test_half_of_a_character_in_a_time_is_refused_in_one_line() -> None:
    """JSON can write a lone surrogate, which no message could repeat."""
    with pytest.raises(InputError, match="half of a surrogate pair"):
        parse_posted({"since": "\ud800"}, "request")
