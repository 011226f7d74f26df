"""Files the inputs of plans in an archive and reads them back."""

import json
import logging
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import asdict, dataclass, field
from datetime import datetime
from functools import cache, lru_cache
from typing import Any, Final, Literal

from pydantic import AwareDatetime, Field, TypeAdapter, ValidationError

import alertd
from alertd.errors import AlertdError, StoreError
from alertd.forecast.past import PastEvidence
from alertd.plan.chain_up.chains_on import Report, TruckReport
from alertd.plan.controls.closures import PostedClosure
from alertd.plan.controls.placement import NOTHING_POSTED, PostedConditions
from alertd.plan.controls.road_seen import RoadSeen
from alertd.plan.model.plan import Plan
from alertd.plan.position.map_match import PositionReport
from alertd.plan.serialize import canonical, plan_json
from alertd.planning.replays.placed_files import PlacedFiles
from alertd.planning.replays.replay_record import (
    ArchivedComparison,
    ArchivedPlan,
    ComparisonRecord,
    PlannedTrip,
    ReplayRecord,
    ReplaySettings,
    StoredModel,
)
from alertd.planning.road_reports import RoadReports
from alertd.records.past_evidence import evidence_from_plain, evidence_to_plain
from alertd.rules.rig import IdentityKey, Tire
from alertd.settings.forecast import PROVIDER_KEYS
from alertd.sources.files.trips import parse_trip
from alertd.sources.http.answer import SourceResponse
from alertd.sources.http.replay_client import failure_kinds, stored_kind
from alertd.store.archive import Archive, PackedContent
from alertd.store.plans.plan_pack import MOST_IN_PACK, text_in_pack

log = logging.getLogger(__name__)

FORMAT: Final = "alertd.inputs/1"
_MOST_IN_RECORD: Final = 256  # plans, which are filed again with each group of their road


def _with_providers(chosen: Mapping[str, Any]) -> dict[str, Any]:
    """Stored settings in the present form: earlier versions kept the keys of providers beside the others."""
    if "providers" in chosen:
        return dict(chosen)
    rest = dict(chosen)
    providers = {key: rest.pop(key) for key in PROVIDER_KEYS if key in rest}
    keyed = ["open_meteo_key_file"] if rest.pop("open_meteo_keyed", False) else []
    return rest | {"providers": providers, "secret_keys": keyed}


class _Failed(StoredModel):
    kind: str
    source: str
    problem: str
    retryable: bool
    retry_after_s: float | None


class StoredResponse(StoredModel):
    """A response without its body, which is named by its digest."""

    url: str
    refresh: bool
    body: str = ""
    fetched_at: AwareDatetime | None = None
    stale_because: str = ""
    failed: _Failed | None = None


class _Position(StoredModel):
    at: AwareDatetime
    lat_deg: float
    lon_deg: float


class _TruckReport(StoredModel):
    at: AwareDatetime
    what: Literal["hanging_begun", "chains_on", "removing_begun", "chains_off", "arrived", "arrived_seen", "sent_place"]
    tires: tuple[tuple[int, str, str], ...] | None = None
    place_m: float | None = None
    stop_id: str = ""  # absent from records of plans made before sent places counted
    takes_s: float | None = None  # likewise


class _Closure(StoredModel):
    id: str
    start: tuple[float, float]
    end: tuple[float, float]
    begins_at: AwareDatetime
    ends_at: AwareDatetime | None
    what: str
    source: str


class _ComparisonManifest(StoredModel):
    format: Literal["alertd.inputs/1"]
    alertd: str
    plan: str = ""  # not filed where a store keeps it
    planned: str
    others: tuple[tuple[str, str], ...]
    missed: tuple[tuple[str, str], ...]


class _Manifest(StoredModel):
    format: Literal["alertd.inputs/1"]
    alertd: str
    trip: dict[str, Any]
    reports: tuple[_Position, ...]
    truck: tuple[_TruckReport, ...] = ()  # none in plans kept before chains and arrivals were counted in
    now_utc: AwareDatetime
    departs: tuple[AwareDatetime, AwareDatetime]
    chosen: ReplaySettings
    files: dict[str, str]
    route: str
    heard: tuple[StoredResponse, ...]
    closures: tuple[_Closure, ...] = ()  # none in plans kept before there were any
    posted: dict[str, Any] = Field(default_factory=dict)  # likewise
    past: dict[str, Any] = Field(default_factory=dict)  # none in plans kept before stations filled past hours
    seen: tuple[dict[str, Any], ...] = ()  # none in plans kept before drivers reported the road


@dataclass(frozen=True, slots=True, kw_only=True)
class ReplayWriter:
    """Files the inputs of plans in an archive.

    Raises StoreError when it cannot; with `or_log` it logs the error instead, so that no plan is lost by it.
    texts: also file the plans themselves; without, a store keeps them. placed: the files of the present cycle that are
    stored already.
    """

    archive: Archive
    or_log: bool = False
    texts: bool = True
    placed: PlacedFiles = field(default_factory=PlacedFiles)

    def road(self, inputs: ReplayRecord) -> "RoadWriter":
        """Files plans that were made together, group by group."""
        return RoadWriter(self, inputs)

    def write_comparison(self, plan: Plan, made_of: ComparisonRecord) -> None:
        """A plan joined from archived ones."""
        now = plan.made_at
        with self.errors_to_log():
            stored = {
                "format": FORMAT,
                "alertd": alertd.__version__,
                **({"plan": self.archive.put(plan_json(plan).encode(), now)} if self.texts else {}),
                "planned": made_of.planned,
                "others": made_of.others,
                "missed": made_of.missed,
            }
            self.archive.file_plan(plan.id, _put_json(self.archive, stored, now), now)

    @contextmanager
    def errors_to_log(self) -> Iterator[None]:
        """See the class."""
        try:
            yield
        except StoreError as exc:
            if not self.or_log:
                raise
            log.error("%s; these plans cannot be replayed", exc)


class RoadWriter:
    """See `ReplayWriter.road`. What the plans have in common is stored with the first group."""

    def __init__(self, writer: ReplayWriter, inputs: ReplayRecord) -> None:
        self._writer, self._inputs = writer, inputs
        self._shared: Mapping[str, Any] | None = None
        self._growing, self._trips = "", dict[str, Any]()  # the last record without texts, and its plans
        self.texts = writer.texts

    def write(self, made: Sequence[PlannedTrip], packs: Sequence[PackedContent]) -> None:
        """File plans. packs: of these plans in order, see `pack_plans`; none where a store keeps their texts.

        Raises StoreError, see `ReplayWriter`.
        """
        now = self._inputs.now_utc
        with self._writer.errors_to_log():
            with self._writer.archive.together() as archive:
                files = self._inputs.files if self._shared is None else {}
                digests = {name: self._put_file(archive, content) for name, content in files.items()}
                shared = _put_shared(archive, self._inputs, digests) if self._shared is None else self._shared
                for n, packed in enumerate(packs):
                    part = made[n * MOST_IN_PACK : (n + 1) * MOST_IN_PACK]
                    pack = archive.put_packed(packed, now)
                    trips = {one.plan_id: {"place": place, **_own_inputs(one)} for place, one in enumerate(part)}
                    filed = _put_json(archive, {**shared, "pack": pack, "trips": trips}, now)
                    archive.file_plans([one.plan_id for one in part], filed, now)
            self._shared = shared  # the files are in their places now
            if not self.texts and made:
                self._file_with_earlier(made, shared)
            self._writer.placed.add([(files[name], digest) for name, digest in digests.items()], now)

    def _file_with_earlier(self, made: Sequence[PlannedTrip], shared: Mapping[str, Any]) -> None:
        """File plans in one record with the groups before: a record of each group would take a block of disk."""
        archive, now, before = self._writer.archive, self._inputs.now_utc, self._growing
        if len(self._trips) >= _MOST_IN_RECORD:
            before, self._trips = "", {}
        self._trips |= {one.plan_id: _own_inputs(one) for one in made}
        self._growing = _put_json(archive, {**shared, "trips": self._trips}, now)
        archive.file_plans(list(self._trips), self._growing, now)
        if before not in ("", self._growing):
            archive.remove_content(before)  # which no plan names any more

    def _put_file(self, archive: Archive, content: bytes) -> str:
        now = self._inputs.now_utc
        return self._writer.placed.digest(content, now) or archive.put(content, now)


def _put_shared(archive: Archive, inputs: ReplayRecord, files: Mapping[str, str]) -> dict[str, Any]:
    """Store what plans that were made together have in common; returns their common part of the record.

    files: digests by name.
    """
    now = inputs.now_utc
    responses = sorted(
        (pack_response(archive, h, now) for h in inputs.responses), key=lambda h: (h["url"], h["refresh"])
    )
    shared: dict[str, Any] = {
        "format": FORMAT,
        "alertd": alertd.__version__,
        "now_utc": now.isoformat(),
        "departs": [at.isoformat() for at in inputs.departs],
        "chosen": inputs.settings.model_dump(mode="json"),
        # Parts that most plans have in common are stored once.
        "files": _put_json(archive, files, now),
        "route": inputs.route,
        "heard": _put_json(archive, responses, now),
        "closures": [_plain_closure(c) for c in inputs.road_reports.closures],
    }
    if inputs.road_reports.controls != NOTHING_POSTED:
        controls = _posted_form().dump_python(inputs.road_reports.controls, mode="json")
        shared["posted"] = _put_json(archive, controls, now)
    if inputs.road_reports.seen:
        shared["seen"] = _seen_form().dump_python(inputs.road_reports.seen, mode="json")
    past = inputs.past
    if past.reports or past.kept or past.problems or past.surfaces or past.surface_problems:
        shared["past"] = _put_json(archive, evidence_to_plain(past), now)
    return shared


def _own_inputs(one: PlannedTrip) -> dict[str, Any]:
    """What a plan was made from that other plans of its road were not."""
    own: dict[str, Any] = {
        "trip": one.trip.model_dump(mode="json"),
        "reports": [
            {"at": r.at.isoformat(), "lat_deg": r.lat_deg, "lon_deg": r.lon_deg}
            for r in one.reports
            if isinstance(r, PositionReport)
        ],
    }
    if truck := [_plain_report(r) for r in one.reports if isinstance(r, TruckReport)]:
        own["truck"] = truck
    return own


def read_archived(archive: Archive, plan_id: str) -> ArchivedPlan | ArchivedComparison:
    """The record of a plan. Raises StoreError when it is missing, damaged, or in an unknown format."""
    stored = _get_json(archive, archive.of_plan(plan_id))
    try:
        if "planned" in stored:
            ways = _ComparisonManifest.model_validate_json(json.dumps(stored))
            made_of = ComparisonRecord(planned=ways.planned, others=ways.others, missed=ways.missed)
            text = archive.get(ways.plan).decode() if ways.plan else None
            return ArchivedComparison(alertd=ways.alertd, plan=text, made_of=made_of)
        plan = _plan_of(archive, stored, plan_id)
        stored |= {
            name: _get_json(archive, stored[name]) for name in ("files", "heard", "posted", "past") if name in stored
        }
        stored["chosen"] = _with_providers(stored["chosen"])
        manifest = _Manifest.model_validate_json(json.dumps(stored))
        responses = tuple(unpack_response(archive, h) for h in manifest.heard)
        posted = _posted_form().validate_json(json.dumps(manifest.posted)) if manifest.posted else NOTHING_POSTED
        past = evidence_from_plain(manifest.past) if manifest.past else PastEvidence()
        trip = parse_trip(manifest.trip, plan_id)
    except StoreError:
        raise
    except (AlertdError, ValueError, LookupError, TypeError) as exc:
        why = exc.errors()[0]["loc"] if isinstance(exc, ValidationError) else exc
        raise StoreError(
            f"archive {archive.folder}: {plan_id} was kept in a form this alertd does not read ({why}); "
            f"replay it with alertd {str(stored.get('alertd', 'of its time'))[:40]}"
        ) from exc
    inputs = ReplayRecord(
        now_utc=manifest.now_utc,
        departs=manifest.departs,
        settings=manifest.chosen,
        files={name: archive.get(digest) for name, digest in manifest.files.items()},
        route=manifest.route,
        responses=responses,
        road_reports=RoadReports(
            closures=tuple(PostedClosure(**c.model_dump()) for c in manifest.closures),
            controls=posted,
            seen=_seen_form().validate_json(json.dumps(manifest.seen)),
        ),
        past=past,
    )
    return ArchivedPlan(
        alertd=manifest.alertd,
        plan=plan,
        trip=trip,
        reports=(
            *(PositionReport(at=r.at, lat_deg=r.lat_deg, lon_deg=r.lon_deg) for r in manifest.reports),
            *(_truck_report(r) for r in manifest.truck),
        ),
        inputs=inputs,
    )


def _plan_of(archive: Archive, stored: dict[str, Any], plan_id: str) -> str | None:
    """The text of the plan, None where a store keeps it.

    Takes from the record what belongs to others that were filed with it.
    """
    if "trips" not in stored:  # filed alone, as by earlier versions
        return archive.get(str(stored.pop("plan"))).decode()
    own = stored.pop("trips")[plan_id]
    stored |= {name: value for name, value in own.items() if name != "place"}
    if "pack" not in stored:
        return None
    return text_in_pack(_pack_text(IdentityKey(archive), str(stored.pop("pack"))), int(own["place"]))


@lru_cache(maxsize=2)  # plans are often read one after the other
def _pack_text(archive: IdentityKey[Archive], digest: str) -> str:
    return archive.value.get(digest).decode()


def _plain_report(report: TruckReport) -> dict[str, Any]:
    plain = {"at": report.at.isoformat(), "what": report.what.value, "tires": report.tires, "place_m": report.place_m}
    plain |= {"stop_id": report.stop_id} if report.stop_id else {}
    return plain | ({} if report.takes_s is None else {"takes_s": report.takes_s})


def _truck_report(kept: _TruckReport) -> TruckReport:
    tires = None if kept.tires is None else tuple(Tire(*t) for t in kept.tires)  # type: ignore[arg-type]
    return TruckReport(
        at=kept.at,
        what=Report(kept.what),
        tires=tires,
        place_m=kept.place_m,
        stop_id=kept.stop_id,
        takes_s=kept.takes_s,
    )


def _plain_closure(c: PostedClosure) -> dict[str, Any]:
    """Positions and times to the last digit, so that the closure is placed as before."""
    ends_at = c.ends_at.isoformat() if c.ends_at else None
    return asdict(c) | {"begins_at": c.begins_at.isoformat(), "ends_at": ends_at}


def _put_json(archive: Archive, value: Any, now_utc: datetime) -> str:
    return archive.put(canonical(value).encode(), now_utc)


def _get_json(archive: Archive, digest: Any) -> Any:
    return json.loads(archive.get(str(digest)))


def pack_response(archive: Archive, response: SourceResponse, now_utc: datetime) -> dict[str, Any]:
    """Store the body of a response; returns what else is kept of it as plain values."""
    asked = {"url": response.url, "refresh": response.refresh}
    if response.failed is not None:
        exc = response.failed
        failed = {"source": exc.source, "problem": exc.problem, "retryable": exc.retryable}
        return asked | {"failed": failed | {"kind": stored_kind(type(exc)), "retry_after_s": exc.retry_after_s}}
    fetched_at = response.fetched_at.isoformat() if response.fetched_at else None
    answer = {"body": archive.put(response.body, now_utc), "fetched_at": fetched_at}
    return asked | answer | {"stale_because": response.stale_because}


def unpack_response(archive: Archive, stored: StoredResponse) -> SourceResponse:
    """The response as `pack_response` stored it. Raises StoreError for a missing or damaged body, KeyError for an
    unknown kind of failure."""
    if stored.failed is None:
        return SourceResponse(
            url=stored.url,
            refresh=stored.refresh,
            body=archive.get(stored.body),
            fetched_at=stored.fetched_at,
            stale_because=stored.stale_because,
        )
    f = stored.failed
    kind = failure_kinds()[f.kind]
    failed = kind(f.source, f.problem, retryable=f.retryable, retry_after_s=f.retry_after_s)
    return SourceResponse(url=stored.url, refresh=stored.refresh, failed=failed)


@cache
def _posted_form() -> TypeAdapter[PostedConditions]:
    """Made at the first use, as `_seen_form`: few plans have either."""
    return TypeAdapter(PostedConditions)


@cache
def _seen_form() -> TypeAdapter[tuple[RoadSeen, ...]]:
    return TypeAdapter(tuple[RoadSeen, ...])
