"""Reads the forms in which spreadsheets save a table of text: encoding, separator, header, decimal comma."""

import codecs
import re
from collections.abc import Collection
from pathlib import Path
from typing import Final

from alertd.errors import InputError
from alertd.sources.files.toml import check_size

_UTF_16: Final = (codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)
_WORKBOOKS: Final = (b"PK\x03\x04", b"\xd0\xcf\x11\xe0")  # first bytes of .xlsx and .ods (ZIP), and of .xls
_SEPARATORS: Final = ",;\t|"
MOST_TABLE_BYTES: Final = 5_000_000  # [A] twenty thousand trips with every column
_QUOTED: Final = re.compile(r'"[^"]*"')


def read_table_text(path: Path) -> str:
    """Read a UTF-8 file, or a UTF-16 one with a byte-order mark. Raises InputError."""
    where = path.name
    try:
        check_size(path, where, InputError, MOST_TABLE_BYTES)
        data = path.read_bytes()
    except OSError as exc:
        raise InputError(where, "", f"cannot be read ({exc.strerror})", "check the name and permissions") from exc
    if data.startswith(_WORKBOOKS):
        raise InputError(where, "", "is a spreadsheet's workbook", "save it there as CSV, UTF-8, and name that file")
    encoding = "utf-16" if data.startswith(_UTF_16) else "utf-8-sig"
    try:
        return data.decode(encoding)
    except UnicodeDecodeError as exc:
        name = "UTF-16" if encoding == "utf-16" else "UTF-8"
        raise InputError(where, "", f"not {name} at byte {exc.start}", "save the file as UTF-8") from exc


def separator_of(header: str) -> str:
    """Return the separator of a header line; a comma where it has none."""
    bare = _QUOTED.sub("", header)
    return max(_SEPARATORS, key=bare.count)


def column_name(text: str, known: Collection[str]) -> str:
    """Return the known column that a header means, whatever its case and its spaces; else the header as written."""
    plain = re.sub(r"[\s-]+", "_", text.strip().lower())
    return plain if plain in known else text.strip()


def parse_number(text: str, separator: str) -> float:
    """Parse a number; with a semicolon or tab between cells, also one with a decimal comma. Raises ValueError."""
    return float(text.replace(",", ".") if separator != "," else text)
