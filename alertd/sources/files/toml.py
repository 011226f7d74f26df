"""Reads a TOML file into a pydantic model; one line per error with file, key, problem and hint."""

import tomllib
from collections.abc import Iterator, Mapping, Sequence
from difflib import get_close_matches
from pathlib import Path
from typing import Any, Final, TypeVar, get_args

from pydantic import BaseModel, ConfigDict, ValidationError
from pydantic.fields import FieldInfo
from pydantic_core import ErrorDetails

from alertd.errors import ConfigError, InputError

M = TypeVar("M", bound=BaseModel)
# [A] The largest file that is shipped has 0.5 MB; an export of every stop of a continent some 20 MB.
MOST_BYTES: Final = 50_000_000


class FieldError(ValueError):
    """Raised by a validator: the key below its model ("" for the model itself), the problem and a hint.

    A key may be the index of a list's item, from 1 on.
    """

    def __init__(self, key: str | int, problem: str, hint: str) -> None:
        self.key, self.problem, self.hint = key, problem, hint
        super().__init__(f"{key}: {problem}; {hint}")


class FileModel(BaseModel):
    """Base of the file models: no unknown keys, no coercion (a quoted number is an error), frozen.

    Validators raise FieldError. A field's `examples` appear in hints.
    """

    model_config = ConfigDict(extra="forbid", frozen=True, strict=True, defer_build=True)


def read_toml(path: Path, model: type[M]) -> M:
    """Read a file as `model`. Raises ConfigError for the first error; unknown keys come before all others."""
    return parse_table(read_table(path), model, str(path))


def read_table(path: Path) -> dict[str, Any]:
    """Read a file as a plain table. Raises ConfigError where it is not TOML."""
    try:
        return tomllib.loads(read_text(path, str(path), ConfigError))
    except tomllib.TOMLDecodeError as exc:
        raise ConfigError(str(path), "", f"not TOML: {exc}", "correct that line") from exc
    except RecursionError as exc:
        raise ConfigError(str(path), "", "nested too deeply", "write flat tables and lists") from exc
    except ValueError as exc:  # Python refuses a number of thousands of digits
        raise ConfigError(str(path), "", "a number has thousands of digits", "correct that number") from exc


def parse_table(data: Mapping[str, Any], model: type[M], where: str) -> M:
    """Validate a table as `model`. Raises ConfigError for the first error, the rest in its `others`."""
    try:
        return model.model_validate(data)
    except ValidationError as exc:
        raise config_error(where, model, exc) from exc


def validate_row(row: Any, model: type[M], where: str, hint: str) -> M:
    """Validate one object as `model`. Raises InputError; `hint` is used when `row` is not an object."""
    if not isinstance(row, dict):
        raise InputError(where, "", "is not an object", hint)
    try:
        return model.model_validate(row)
    except UnicodeEncodeError as exc:  # JSON may contain half a surrogate pair, which a message cannot repeat
        raise InputError(
            where, "", "a text contains half of a surrogate pair", "send complete Unicode characters"
        ) from exc
    except ValidationError as exc:
        mistake = config_error(where, model, exc)
        raise InputError(mistake.where, mistake.field, mistake.problem, mistake.hint) from exc


def read_text(path: Path, where: str, error: type[InputError]) -> str:
    """Read a UTF-8 file, without its byte-order mark. Raises `error`, which names the file as `where`."""
    try:
        check_size(path, where, error)
        return path.read_text(encoding="utf-8-sig")
    except UnicodeDecodeError as exc:
        raise error(where, "", f"not UTF-8 at byte {exc.start}", "save the file as UTF-8") from exc
    except OSError as exc:
        raise error(where, "", f"cannot be read ({exc.strerror})", "check the name and permissions") from exc


def check_size(path: Path, where: str, error: type[InputError], most_bytes: int = MOST_BYTES) -> None:
    """Raises `error` for a file that is no such file: reading it would take minutes and gigabytes. Raises OSError."""
    size = path.stat().st_size
    if size > most_bytes:
        problem = f"{size / 1e6:.0f} MB exceeds the limit of {most_bytes / 1e6:.0f} MB"
        raise error(where, "size", problem, "name the right file, or leave out what is not needed")


def config_error(where: str, model: type[BaseModel], exc: ValidationError) -> ConfigError:
    """Return the first error of a failed validation as one line, with the further ones in its `others`.

    A misspelt key comes before the missing key that it causes.
    """
    errors = sorted(exc.errors(), key=lambda e: e["type"] != "extra_forbidden")
    misspelt = {(*e["loc"][:-1], near) for e in errors if e["type"] == "extra_forbidden" for near in _near(model, e)}
    errors = [e for e in errors if e["type"] != "missing" or e["loc"] not in misspelt]
    first, *others = (_one_error(where, model, error) for error in errors)
    first.others = tuple({str(other): other for other in others if str(other) != str(first)}.values())
    return first


def _near(model: type[BaseModel], unknown: ErrorDetails) -> list[str]:
    holder, _ = _resolve(model, unknown["loc"])
    return get_close_matches(str(unknown["loc"][-1]), [f.alias or name for name, f in holder.model_fields.items()], 1)


def _one_error(where: str, model: type[BaseModel], first: ErrorDetails) -> ConfigError:
    loc = first["loc"]
    holder, field = _resolve(model, loc)
    kind, ctx, value = first["type"], first.get("ctx", {}), first["input"]
    match kind:
        case "extra_forbidden":
            near = _near(model, first)
            known = [f.alias or name for name, f in holder.model_fields.items()]
            problem, hint = "unknown key", f"write {near[0]}" if near else "known keys are " + ", ".join(known)
        case "missing":
            problem, hint = "missing", f"add {loc[-1]} = {_example(field, str(loc[-1]))}"
        case "literal_error" | "enum":
            wanted = _literals(field) or [ctx["expected"]]
            near = get_close_matches(str(value), wanted, 1)
            problem = f"{_short(value)} is not one of the words allowed"
            hint = f'write "{near[0]}"' if near else "write one of " + ", ".join(wanted)
        case "value_error" if isinstance(ctx["error"], FieldError):
            mistake = ctx["error"]
            loc, problem, hint = (*loc, mistake.key) if mistake.key != "" else loc, mistake.problem, mistake.hint
        case "value_error":
            problem, _, hint = str(ctx["error"]).partition("; ")
            hint = hint or "correct it"
        case _:
            problem = f"{_short(value)} is wrong: {first['msg'][0].lower()}{first['msg'][1:]}"
            hint = _wanted(kind, field, loc)
    return ConfigError(where, _path(loc), problem, hint)


_EXAMPLES: Final = {
    "int": "a whole number, e.g. 2",
    "float": "a number without quotes, e.g. 0.5",
    "string": 'text in double quotes, e.g. "US-MT"',
    "bool": "true or false without quotes",
    "date": "a date without quotes, e.g. 2026-11-25",
    "list": 'a list, e.g. ["a", "b"]',
    "tuple": "a list, e.g. [47.45, -115.69]",
    "model": "a table with keys, e.g. { key = 1 }",
    "dict": "a table with keys, e.g. { key = 1 }",
}


def _wanted(kind: str, field: FieldInfo | None, loc: Sequence[int | str]) -> str:
    if field is not None and field.examples and not isinstance(loc[-1], int):
        return f"write {loc[-1]} = {_toml(field.examples[0])}"
    stem = kind.split("_")[0]
    return f"write {_EXAMPLES[stem]}" if stem in _EXAMPLES else "write a value within that bound"


def _example(field: FieldInfo | None, key: str) -> str:
    if field is not None and field.examples:
        return _toml(field.examples[0])
    name = getattr(field.annotation, "__name__", "") if field is not None else ""
    return {"int": "2", "float": "0.5", "bool": "true", "date": "2026-11-25", "list": "[ ... ]"}.get(name, f'"{key}"')


def _resolve(model: type[BaseModel], loc: Sequence[int | str]) -> tuple[type[BaseModel], FieldInfo | None]:
    """Return the model that holds the last key of `loc`, and that key's field if it has one."""
    holder, field = model, None
    for i, step in enumerate(loc):
        if isinstance(step, int):
            continue
        named = {f.alias or name: f for name, f in holder.model_fields.items()}
        rest = [s for s in loc[i + 1 :] if not isinstance(s, int)]
        if rest and step not in named:  # the operator's own key in a table of tables, e.g. a truck's number
            continue
        field = named.get(step)
        if field is None or not rest:
            break
        holder = next(
            (m for m in _models(field.annotation) if rest[0] in {f.alias or n for n, f in m.model_fields.items()}),
            next(_models(field.annotation), holder),
        )
    return holder, field


def _models(annotation: Any) -> Iterator[type[BaseModel]]:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        yield annotation
    for arg in get_args(annotation):
        yield from _models(arg)


def _literals(field: FieldInfo | None) -> list[str]:
    def words(annotation: Any) -> Iterator[str]:
        for arg in get_args(annotation):
            if isinstance(arg, str):
                yield arg
            else:
                yield from words(arg)

    return list(words(field.annotation)) if field is not None else []


def _path(loc: Sequence[int | str]) -> str:
    """Format `loc` as `level[2].demand[1].section`, counted from 1."""
    out = ""
    for step in loc:
        out += f"[{step + 1}]" if isinstance(step, int) else f".{step}"
    return out.lstrip(".")


def _short(value: object) -> str:
    text = _toml(value)
    return text if len(text) <= 60 else text[:57] + "..."


def _toml(value: object) -> str:
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, str):
        return '"' + value.replace("\n", " ") + '"'
    if isinstance(value, list | tuple):
        return "[" + ", ".join(_toml(v) for v in value) + "]"
    if isinstance(value, dict):
        return "{ " + ", ".join(f"{k} = {_toml(v)}" for k, v in value.items()) + " }"
    return str(value)
