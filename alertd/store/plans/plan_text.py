"""The text that the store keeps of a plan: the plan compressed, and beside it what a cycle reads of the last plan.

A text of an earlier version has the plan as it is; both are read.
"""

import json
import zlib
from base64 import b64decode, b64encode
from typing import Any, Final

_LEVEL: Final = 4  # a plan of 98 kB takes 19 kB; level 6 saves 3 % more and takes twice the time
_MARK: Final = ',"packed":"'


def packed_text(plan_json: str, said: str, delivery: str) -> str:
    """The text to keep. said, delivery: JSON texts of what was sent about the trip and its delivery."""
    packed = b64encode(zlib.compress(plan_json.encode(), _LEVEL)).decode()
    return f'{{"delivery":{delivery}{_MARK}{packed}","said":{said}}}'


def with_state(kept: str, said: str, delivery: str) -> str:
    """The text of the same plan with another state of what was sent. kept: as `packed_text` returned it."""
    _, mark, rest = kept.partition(_MARK)
    if not mark:
        raise ValueError("holds no packed plan")
    packed, _, _ = rest.partition('"')
    return f'{{"delivery":{delivery}{_MARK}{packed}","said":{said}}}'


def full_text(kept: str) -> str:
    """The canonical JSON text of `{"delivery", "plan", "said"}`, as given or as it was kept."""
    before, mark, rest = kept.partition(_MARK)
    if not mark or not kept.startswith('{"delivery":'):
        return kept
    packed, _, after = rest.partition('"')
    return f'{before},"plan":{zlib.decompress(b64decode(packed)).decode()}{after}'


def state_of(kept: str) -> dict[str, Any]:
    """What was sent, and the delivery, without unpacking the plan. kept: the text, or its `state_text`."""
    found = json.loads(state_text(kept))
    return {name: found[name] for name in ("said", "delivery") if name in found}


def state_text(kept: str) -> str:
    """The text without the plan; that of an earlier version as it is."""
    before, mark, rest = kept.partition(_MARK)
    return before + rest.partition('"')[2] if mark and kept.startswith('{"delivery":') else kept
