"""Keeps the last plan of each trip, until anything that it rests on changes.

Only a plan that the passing of time changes in nothing but its age is kept: a complete one of a single day, without
closures, controls or reports on its road or of its truck, of fresh answers, and within one hour of the clock. One that
was made before departure ends with it: afterwards no departures are compared.
"""

from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from hashlib import blake2b
from typing import Any

from alertd.plan.chain_up.chains_on import Report, TruckReport
from alertd.plan.model.plan import Plan
from alertd.plan.request import TripInput
from alertd.planning.corridors.job import PlannedTrips
from alertd.planning.cycles.held_plan import HeldPlan
from alertd.planning.decisions.decided import DecidedPlan
from alertd.planning.decisions.standing import HOUR, Standing, standing_of
from alertd.planning.weather import SourceAnswers
from alertd.route.model import Route
from alertd.settings.reference_data import ReferenceData
from alertd.sources.files.trips import TripRequest
from alertd.sources.http.answer import SourceResponse


@dataclass(frozen=True, slots=True, eq=False)
class RoadInputs:
    """What the plans of all trips on a road rest on.

    answers: digest of all answers of the sources, see `digest_of`. reports: all that is reported about roads.
    """

    route: Route
    reference: ReferenceData
    answers: bytes
    reports: object

    @classmethod
    def of(
        cls, answers: SourceAnswers, responses: Iterable[SourceResponse], reference: ReferenceData, reports: object
    ) -> "RoadInputs | None":
        """The inputs of a road; None where an answer is missing or old."""
        digest = None if answers.failed else digest_of(responses)
        return None if digest is None else cls(answers.route, reference, digest, reports)

    def same_as(self, other: "RoadInputs") -> bool:
        """Whether a plan of one is a plan of the other."""
        return (
            self.route is other.route
            and self.reference is other.reference
            and self.answers == other.answers
            and self.reports == other.reports
        )


def digest_of(responses: Iterable[SourceResponse]) -> bytes | None:
    """A digest of answers, without the times of their fetching; None where any is missing or is an old one.

    An answer that was fetched again and is the same only makes the forecast fresher than a kept plan says.
    """
    whole, n = blake2b(digest_size=16), 0
    for response in sorted(responses, key=lambda r: r.url):
        if response.failed is not None or response.stale_because or response.fetched_at is None:
            return None
        whole.update(blake2b(response.url.encode(), digest_size=16).digest())
        whole.update(blake2b(response.body, digest_size=16).digest())
        n += 1
    return whole.digest() if n else None


@dataclass(frozen=True, slots=True, kw_only=True)
class _Kept:
    """A plan, and what it was made of.

    held: None until the plan is recorded. note: see `KeptPlans.note`.
    """

    plan_id: str
    standing: Standing
    trip: TripRequest
    reports: Sequence[Any]
    road: RoadInputs
    held: HeldPlan | None = None
    note: object = None


class KeptPlans:
    """The plans by trip. longest: a plan is made again when it is older.

    stale_h: age of a forecast from which the plans that rest on it are made again, hours. parsed: the due trips of the
    last cycle with their stored texts, by id, so that a trip that stays the same is one object.
    """

    def __init__(self, longest: timedelta, stale_h: float) -> None:
        self.longest, self._stale_h = longest, stale_h
        self._kept: dict[str, _Kept] = {}
        self.parsed: dict[str, tuple[str, TripRequest]] = {}

    def retain(self, trip_ids: Collection[str]) -> None:
        """Forget all trips but these."""
        self._kept = {trip_id: kept for trip_id, kept in self._kept.items() if trip_id in trip_ids}

    def holds(self, plan: Plan | HeldPlan) -> bool:
        """Whether this is the kept plan of its trip."""
        kept = self._kept.get(plan.trip_id)
        return kept is not None and kept.held is not None and kept.plan_id == plan.id

    def recorded(self, held: HeldPlan) -> None:
        """Take a new plan, packed, when it is recorded. One that people see raised is made again instead."""
        kept = self._kept.get(held.trip_id)
        if kept is None or kept.plan_id != held.id:
            return
        if held.upheld:
            del self._kept[held.trip_id]
        else:
            self._kept[held.trip_id] = replace(kept, held=held)

    def stands_until(self, plan: Plan | HeldPlan) -> datetime | None:
        """The last moment at which the plan of a trip before its departure may stand; None where it is not kept."""
        kept = self._kept.get(plan.trip_id)
        return None if kept is None or kept.plan_id != plan.id else kept.standing.quiet_until(self.longest)

    def note(self, plan: Plan | HeldPlan, note: object) -> None:
        """Keep something with a plan for as long as it stands."""
        if (kept := self._kept.get(plan.trip_id)) is not None and kept.plan_id == plan.id:
            self._kept[plan.trip_id] = replace(kept, note=note)

    def note_of(self, plan: Plan | HeldPlan) -> object:
        """What is kept with a plan; None for nothing."""
        kept = self._kept.get(plan.trip_id)
        return kept.note if kept is not None and kept.plan_id == plan.id else None

    def standing(
        self,
        trips: Sequence[TripRequest],
        road: RoadInputs | None,
        reports: Mapping[str, Sequence[Any]],
        now_utc: datetime,
        keep: Callable[[TripRequest, HeldPlan], bool] = lambda trip, held: True,
    ) -> dict[str, HeldPlan]:
        """The kept plans that would be made again the same, by trip; of these, those for which `keep` returns True."""
        found: dict[str, HeldPlan] = {}
        if road is None:
            return found
        for trip in trips:
            kept = self._kept.get(trip.id)
            if (
                kept is not None
                and kept.held is not None
                and (kept.trip is trip or kept.trip == trip)
                and _same_to(kept, reports.get(trip.id, ()))
                and kept.road.same_as(road)
                and self._stands(kept, now_utc)
                and keep(trip, kept.held)
            ):
                found[trip.id] = kept.held
        return found

    def keep_all(
        self,
        trips: Sequence[TripRequest],
        planned: PlannedTrips,
        road: RoadInputs | None,
        reports: Mapping[str, Sequence[Any]],
    ) -> None:
        """`keep` the plans of these trips."""
        for trip in trips:
            self.keep(trip, planned.outcomes[trip.id], planned.trip_inputs.get(trip.id), road, reports)

    def keep(
        self,
        trip: TripRequest,
        outcome: object,
        inputs: TripInput | None,
        road: RoadInputs | None,
        reports: Mapping[str, Sequence[Any]],
    ) -> None:
        """Keep a new plan once it is `recorded`, or forget the trip where there is none, or one that time changes."""
        self._kept.pop(trip.id, None)
        if road is None or not isinstance(outcome, Plan | DecidedPlan):
            return
        if isinstance(outcome, DecidedPlan):
            standing = outcome.standing
        else:
            standing = None if inputs is None else standing_of(trip, inputs, outcome)
        if standing is not None:
            self._kept[trip.id] = _Kept(
                plan_id=outcome.id, standing=standing, trip=trip, reports=reports.get(trip.id, ()), road=road
            )

    def _stands(self, kept: _Kept, now_utc: datetime) -> bool:
        # One of this very moment would be recorded as a new one.
        standing = kept.standing
        fresh = standing.age_h + (now_utc - standing.made_at) / HOUR < self._stale_h
        return standing.made_at < now_utc <= standing.last_moment(self.longest) and fresh


def _same_to(kept: _Kept, reports: Sequence[Any]) -> bool:
    """Whether a plan is the same with these reports.

    A place sent to the driver makes the plan keep to it, so one that the plan chose itself changes nothing. The time of
    sending does not count either.
    """
    (before, sent_before), (now, sent_now) = _without_sent(kept.reports), _without_sent(reports)
    return before == now and sent_now <= sent_before | kept.standing.stop_ids


def _without_sent(reports: Sequence[Any]) -> tuple[list[Any], set[str]]:
    """The reports of the truck, and the places sent to its driver."""
    sent = [r for r in reports if isinstance(r, TruckReport) and r.what is Report.SENT_PLACE]
    return [r for r in reports if r not in sent], {r.stop_id for r in sent}
