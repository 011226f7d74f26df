"""Prints one line per module, from the docstrings: `python -m alertd.testing.map [PACKAGE]`."""

import ast
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Final

import alertd

_ROOT: Final = Path(alertd.__file__).parent


def module_lines(package: str = "") -> Iterator[tuple[str, str]]:
    """(module, first line of its docstring) of every module below `package`, e.g. "plan.chain_up", in order.

    A package stands before its modules. The line is empty for a module without a docstring.
    """
    for path in sorted(_ROOT.joinpath(*package.split(".")).rglob("*.py"), key=_package_first):
        docstring = ast.get_docstring(ast.parse(path.read_text(encoding="utf-8"))) or ""
        parts = path.relative_to(_ROOT.parent).with_suffix("").parts
        name = ".".join(parts[:-1] if parts[-1] == "__init__" else parts)
        yield name, docstring.partition("\n")[0]


def _package_first(path: Path) -> tuple[str, ...]:
    return path.with_suffix("").parts if path.name != "__init__.py" else path.parent.parts


def main() -> None:
    rows = list(module_lines(sys.argv[1].removeprefix("alertd.") if len(sys.argv) > 1 else ""))
    width = max((len(name) for name, _ in rows), default=0)
    sys.stdout.writelines(f"{name:{width}}  {line}\n" for name, line in rows)


if __name__ == "__main__":
    main()
