"""Corrections of the chain log, stored beside the reports that they correct."""

from typing import Final

from alertd.records.event_stream import EventStream, Retain, digest_id, from_json
from alertd.sources.requests.corrections import CorrectionRequest, parse_correction

_KIND: Final = "chains_corrected"
_LATER: Final = ("hanging_from", "removing_from")  # absent from older stores


def _stored(request: CorrectionRequest) -> str:
    """The stored text, as older versions wrote it where they had these fields: it is part of the event's id."""
    return request.model_dump_json(exclude={name for name in _LATER if getattr(request, name) is None})


CORRECTIONS: Final = EventStream[CorrectionRequest](
    kind=_KIND,
    id_of=lambda request, trip_id, at: digest_id(_KIND, _stored(request)),
    dump=_stored,
    parse=from_json(parse_correction),
    retain=Retain.REPORTS,
)
