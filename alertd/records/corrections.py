"""Corrections of the chain log, stored beside the reports that they correct."""

from typing import Final

from alertd.records.event_stream import EventStream, Retain, digest_id, from_json
from alertd.sources.requests.corrections import CorrectionRequest, parse_correction

_KIND: Final = "chains_corrected"
CORRECTIONS: Final = EventStream[CorrectionRequest](
    kind=_KIND,
    id_of=lambda request, trip_id, at: digest_id(_KIND, request.model_dump_json()),
    dump=CorrectionRequest.model_dump_json,
    parse=from_json(parse_correction),
    retain=Retain.REPORTS,
)
