"""Reads texts of the store that may lie in packs, where they take a tenth of the space.

A column then holds a reference in place of its text: the id of the pack, the text's place in it, and for a plan a few
facts that remain when the plan is thinned.
"""

import json
import lzma
from collections import OrderedDict
from collections.abc import Callable, Sequence
from typing import Any, Final, TypeVar

from sqlalchemy import ColumnElement, Connection, Row, Text, func, select

from alertd.errors import StoreError
from alertd.store.plans.plan_pack import PackOfTexts, pack_texts, split_text
from alertd.store.schema import packs

Read = TypeVar("Read")

_MARK: Final = "alertd.in_pack/1:"
_ID_DIGITS, _PLACE_DIGITS = 12, 5  # fixed, so that SQL can take a reference apart
_FACTS_FROM: Final = len(_MARK) + _ID_DIGITS + 1 + _PLACE_DIGITS + 1
_PACKS_IN_MEMORY: Final = 3  # of 12 MB each
_DICTIONARY_BYTES: Final = 1 << 22  # of LZMA: about a pack's text
_QUICK: Final[dict[str, Any]] = {"id": lzma.FILTER_LZMA2, "preset": 1, "dict_size": _DICTIONARY_BYTES}
# Of 128 plans of a road: 2.4 kB a plan in 6 ms, and 3.0 kB in 2.5 ms. Preset 6 takes 2.3 kB and 11 ms.
_THOROUGH: Final[dict[str, Any]] = {**_QUICK, "mode": lzma.MODE_NORMAL, "mf": lzma.MF_HC4, "nice_len": 64, "depth": 8}


def reference(pack_id: int, place: int, facts: Sequence[Any] = ()) -> str:
    """What a column holds in place of a text."""
    plain = json.dumps(list(facts), separators=(",", ":"))
    return f"{_MARK}{pack_id:0{_ID_DIGITS}d}:{place:0{_PLACE_DIGITS}d}:{plain}"


def is_packed(column: ColumnElement[str]) -> ColumnElement[bool]:
    """Whether a column holds a reference."""
    return func.substr(column, 1, len(_MARK)) == _MARK


def pack_of(column: ColumnElement[str]) -> ColumnElement[str]:
    """The digits of the id of the pack in a reference."""
    return func.substr(column, len(_MARK) + 1, _ID_DIGITS, type_=Text)


def reference_of(column: ColumnElement[str]) -> ColumnElement[str]:
    """A column's reference without facts: in the order of packs. Of a text it is the beginning."""
    return func.substr(column, 1, _FACTS_FROM, type_=Text)


def facts_in(column: ColumnElement[str]) -> ColumnElement[str]:
    """The facts in a reference, as JSON text."""
    return func.substr(column, _FACTS_FROM + 1, type_=Text)


def pack_bytes(texts: Sequence[str], *, lasting: bool) -> bytes:
    """A pack of texts of JSON objects, see `split_text`. lasting: pay more processor time for less space."""
    chosen = _THOROUGH if lasting else _QUICK
    return lzma.compress(pack_texts([split_text(text) for text in texts]).encode(), filters=[chosen])


def words_object(words: str) -> str:
    """Words of any form as the JSON object that a pack takes. See `PackedTexts.words`."""
    return json.dumps({"text": words}, ensure_ascii=False)


class PackedTexts:
    """Reads texts within one transaction. Each pack is unpacked once."""

    def __init__(self, connection: Connection, before: "PackedTexts | None" = None) -> None:
        """before: of an earlier transaction, whose packs are not read again, for a pack never changes."""
        self._connection = connection
        self._read: OrderedDict[int, PackOfTexts] = OrderedDict() if before is None else before._read

    def whole(self, kept: str) -> str:
        """The text itself, or that to which a column refers. Raises StoreError for a missing or damaged pack."""
        if not kept.startswith(_MARK):
            return kept
        pack_id, _, rest = kept[len(_MARK) :].partition(":")
        try:
            return self._pack(int(pack_id)).text(int(rest.partition(":")[0]))
        except (lzma.LZMAError, ValueError, LookupError, TypeError) as exc:
            raise StoreError(
                f"store: pack {pack_id[:20]} of texts is damaged ({type(exc).__name__}); restore a backup of the store"
            ) from exc

    def of_rows(self, rows: Sequence[Row[Any]], read: Callable[[Row[Any], "PackedTexts"], Read]) -> list[Read]:
        """What `read` returns for each row with a column `body`, in their order. Each pack is unpacked once."""
        found: dict[int, Read] = {}
        for n in sorted(range(len(rows)), key=lambda n: rows[n].body[:_FACTS_FROM]):  # references begin with the pack
            found[n] = read(rows[n], self)
        return [found[n] for n in range(len(rows))]

    def words(self, kept: str) -> str:
        """`whole` of a column whose words `words_object` has packed."""
        return str(json.loads(self.whole(kept))["text"]) if kept.startswith(_MARK) else kept

    def _pack(self, pack_id: int) -> PackOfTexts:
        found = self._read.pop(pack_id, None)
        if found is None:
            data = self._connection.execute(select(packs.c.texts).where(packs.c.id == pack_id)).scalar_one_or_none()
            if data is None:
                raise LookupError(pack_id)
            found = PackOfTexts(lzma.decompress(data).decode())
        self._read[pack_id] = found
        while len(self._read) > _PACKS_IN_MEMORY:
            self._read.popitem(last=False)
        return found
