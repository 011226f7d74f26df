"""Every number of the road and forecast packages names a source, a measurement, or [A], an assumption."""

import ast
import io
import re
import tokenize
from collections.abc import Iterator
from pathlib import Path

import alertd

ROOT = Path(alertd.__file__).parent
PACKAGES = ("road", "forecast")
# A year (of a paper or standard), a named standard, a measurement, a definition, a guard of the arithmetic, or [A].
SOURCE = re.compile(
    r"\[A\]|assum|from memory|\b(19|20)\d\d\b|standard|CODATA|CIPM|WMO|FHWA|CDL manual|\bNSC\b|measured|tests/"
    r"|by definition|numerical",
    re.IGNORECASE,
)


def comments_by_line(text: str) -> dict[int, str]:
    tokens = tokenize.generate_tokens(io.StringIO(text).readline)
    return {t.start[0]: t.string for t in tokens if t.type == tokenize.COMMENT}


def has_float(node: ast.AST) -> bool:
    return any(isinstance(x, ast.Constant) and isinstance(x.value, float) for x in ast.walk(node))


def unsourced(text: str) -> Iterator[tuple[int, str]]:
    """Line and name of each module-level constant with a float, whose own comment and the one above give no source.

    The comment above is the nearest block of whole lines before it without an empty line between. Text inside the
    value, as in a named source, counts too.
    """
    comments, lines = comments_by_line(text), text.splitlines()
    for node in ast.parse(text).body:
        if not isinstance(node, ast.Assign | ast.AnnAssign) or node.value is None or not has_float(node.value):
            continue
        target = node.targets[0] if isinstance(node, ast.Assign) else node.target
        words = [lines[i - 1] for i in range(node.lineno, (node.end_lineno or node.lineno) + 1)]
        line = node.lineno - 1
        while line and lines[line - 1].strip() and not lines[line - 1].startswith("#"):
            line -= 1
        while line and lines[line - 1].startswith("#"):
            words.append(comments[line])
            line -= 1
        if not SOURCE.search(" ".join(words)):
            yield node.lineno, ast.unparse(target)


def described(doc: str, name: str) -> str:
    """The entry "name: ..." of a docstring, to the next entry or empty line; one of several names counts for each."""
    next_one = r"\w[\w, ]*(?: \[A\])?:|\n"
    entry = re.search(rf"^(?:\w+, )*{name}(?:, \w+)*(?: \[A\])?:.*(?:\n(?!{next_one}).*)*", doc, re.MULTILINE)
    return entry.group() if entry else ""


def is_off(node: ast.AST) -> bool:
    """True for a value of zeros alone: it switches a thing off and rests on nothing."""
    return not any(isinstance(x, ast.Constant) and isinstance(x.value, float) and x.value for x in ast.walk(node))


def unsourced_defaults(text: str) -> Iterator[tuple[int, str]]:
    """Line and name of each default of a class with a float, for which neither comment nor docstring gives a source.

    The comment is on its line or right above it. A docstring gives it in the entry of the field, or for all fields at
    once in a sentence "All are ... assumptions".
    """
    lines = text.splitlines()
    for node in (x for x in ast.walk(ast.parse(text)) if isinstance(x, ast.ClassDef)):
        doc = ast.get_docstring(node) or ""
        for field in node.body:
            if not isinstance(field, ast.AnnAssign) or field.value is None or not has_float(field.value):
                continue
            name, line = ast.unparse(field.target), field.lineno - 1
            words = [*lines[line : field.end_lineno], described(doc, name)]
            words += re.findall(r"\bAll are [^.]*assumptions", doc)
            while lines[line - 1].lstrip().startswith("#"):
                line -= 1
                words.append(lines[line])
            if not is_off(field.value) and not SOURCE.search(" ".join(words)):
                yield field.lineno, f"{node.name}.{name}"


def test_a_default_without_a_source_is_found() -> None:
    doc = (
        "Made.",
        "",
        "    a: [A] a guess",
        "        of two lines.",
        "    b, c: Buck 1981.",
        "    d: a doubt.",
        "    ",
    )
    head = 'class A:\n    """' + "\n".join(doc) + '"""\n\n'
    body = "".join(f"    {name}: float = 1.5\n" for name in "abcd") + "    e: float = 0.0\n    f: int = 3\n"
    assert list(unsourced_defaults(head + body)) == [(13, "A.d")]
    assert not list(unsourced_defaults(head.replace("Made.", "All are assumptions.") + body))


def test_a_number_without_a_source_is_found() -> None:
    text = "A = 0.3\n\nB = 0.3  # [A] a guess\n\n# Buck 1981\nC = 0.3\nD = 4.0\n\nN = 3\n"
    assert list(unsourced(text)) == [(1, "A")]


def test_each_constant_names_its_source() -> None:
    lacking, seen = [], 0
    for package in PACKAGES:
        for path in sorted((ROOT / package).rglob("*.py")):
            text = path.read_text(encoding="utf-8")
            seen += text.count(": Final = ")
            found = (*unsourced(text), *unsourced_defaults(text))
            lacking += [f"{path.relative_to(ROOT)}:{line} {name}" for line, name in found]
    assert seen > 100
    assert not lacking, "\n".join(lacking)
