"""Encodes a plan's chain advice as a CAP 1.2 alert (OASIS, 1 July 2010).

| advice | severity | response |      | odds | certainty |      | onset after sending | urgency |
|---|---|---|---|---|---|---|---|---|
| hold | Severe | Avoid |                | 50 % and more | Likely |  | none | Immediate |
| chain | Moderate | Prepare |           | less | Possible |         | up to an hour | Expected |
| ready | Minor | Prepare |             | road not known | Unknown | | later | Future |
| slow | Minor, Moderate on ice | Prepare |

A closed road, or a weather warning to hold for, has an `info` of its own: Severe, Avoid, from its start to its end.
Where the road is not known, severity is at least Moderate and urgency Expected: missing data raise caution. The bounds
of certainty and urgency are CAP's own; severity and response are our choice. An area is the road itself, as circles
along it. The alert names no driver.
"""

import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from xml.etree import ElementTree as ET

import numpy as np

from alertd.notices import surfaces
from alertd.notices.headline import road_lines
from alertd.notices.text import phrases, place_text
from alertd.notices.triggers.closures import holding_closures
from alertd.notices.triggers.wind import cautions, what_to_do
from alertd.plan.controls.closures import describe_closure
from alertd.plan.model.notes import ClosureNote
from alertd.plan.model.plan import POSTED_SIGNS_DECIDE, Plan
from alertd.plan.model.stretches import Advice, Stretch, SurfaceStretch
from alertd.route.model import Route

NAMESPACE = "urn:oasis:names:tc:emergency:cap:1.2"
CIRCLE_EVERY_M = 2000.0
MAX_CIRCLES = 20  # limits the size of an alert; on a long road the circles grow instead
CIRCLE_MARGIN_M = 500.0  # how far an area extends beyond the road
_NAME = re.compile(r"[^\s,<&]+")  # allowed characters of an identifier and a sender (CAP 1.2, 3.2.1)
_NOT_XML = re.compile(r"[^\t\n\r\x20-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")
_SEVERITY = {Advice.HOLD: "Severe", Advice.CHAIN: "Moderate", Advice.READY: "Minor", Advice.SLOW: "Minor"}
_RESPONSE = {Advice.HOLD: "Avoid", Advice.CHAIN: "Prepare", Advice.READY: "Prepare", Advice.SLOW: "Prepare"}
_VERB = {Advice.HOLD: "Hold below", Advice.CHAIN: "Plan to chain for", Advice.READY: "Be ready to chain for"}


@dataclass(frozen=True, slots=True, kw_only=True)
class CapSender:
    """The sender: `id` without blanks, such as an address of the fleet; `name` for people."""

    id: str
    name: str


@dataclass(frozen=True, slots=True, kw_only=True)
class CapReference:
    """An alert that was sent earlier."""

    sender: str
    identifier: str
    sent: datetime


def has_alert(plan: Plan) -> bool:
    """Whether a plan requires any action, or leaves something unknown."""
    return plan.partial or plan.advice is not Advice.CLEAR or bool(_stretches(plan))


def cap_alert(
    plan: Plan,
    route: Route,
    sender: CapSender,
    sent: datetime,
    *,
    earlier: Sequence[CapReference] = (),
    exercise: bool = False,
) -> bytes:
    """Return the alert of a plan: new, an update of `earlier` ones, or their cancellation.

    It cancels when a complete plan requires no action. `route` is the one of the plan; `exercise` marks invented data.
    Raises ValueError when there is nothing to report and nothing to cancel, or when a name is not valid.
    """
    identifier = f"alertd.{plan.id}"
    for name in (sender.id, identifier, *(x for r in earlier for x in (r.sender, r.identifier))):
        if not _NAME.fullmatch(name):
            raise ValueError(f"{name!r} is not a CAP name: it may not contain a blank, comma, < or &")
    active = has_alert(plan)
    if not active and not earlier:
        raise ValueError(f"plan {plan.id} requires no action and no earlier alert exists")
    alert = ET.Element("alert", {"xmlns": NAMESPACE})
    _put(alert, "identifier", identifier)
    _put(alert, "sender", sender.id)
    _put(alert, "sent", cap_time(sent))
    _put(alert, "status", "Exercise" if exercise else "Actual")
    _put(alert, "msgType", ("Update" if earlier else "Alert") if active else "Cancel")
    _put(alert, "source", "forecast and reading of rule texts by alertd")
    _put(alert, "scope", "Restricted")
    _put(alert, "restriction", f"for {sender.name} only")
    if note := _note(active, exercise):
        _put(alert, "note", note)
    if earlier:
        _put(alert, "references", " ".join(f"{r.sender},{r.identifier},{cap_time(r.sent)}" for r in earlier))
    if active:
        _put_infos(alert, plan, route, sender, sent)
    return to_bytes(alert)


def cap_time(at: datetime) -> str:
    """Return UTC in CAP's form: its schema allows neither "Z" nor fractions of a second."""
    return at.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%S-00:00")


def circles(route: Route, start_m: float, end_m: float) -> tuple[str, ...]:
    """Return circles "lat,lon radius_km" that contain every point of the road from `start_m` to `end_m`.

    A point is at most half a spacing along the road from a centre, and so no farther in a straight line.
    """
    length_m = max(end_m - start_m, 0.0)
    n = int(min(max(np.ceil(length_m / CIRCLE_EVERY_M), 1), MAX_CIRCLES))
    centres_m = start_m + (np.arange(n) + 0.5) * length_m / n
    lat = np.interp(centres_m, route.distance_m, route.lat_deg)
    lon = np.interp(centres_m, route.distance_m, route.lon_deg)
    radius_km = (length_m / n / 2.0 + CIRCLE_MARGIN_M) / 1000.0
    return tuple(f"{a:.5f},{b:.5f} {radius_km:.2f}" for a, b in zip(lat, lon, strict=True))


def to_bytes(root: ET.Element) -> bytes:
    """Return the document as UTF-8 XML."""
    return bytes(ET.tostring(root, encoding="utf-8", xml_declaration=True))


def _stretches(plan: Plan) -> list[Stretch]:
    return [s for s in plan.stretches if s.advice.rank >= Advice.READY.rank]


def _put_infos(alert: ET.Element, plan: Plan, route: Route, sender: CapSender, sent: datetime) -> None:
    """Add one info for each closure to hold for, stretch, and run of winter road without chains, gravest first."""
    held, stretches = holding_closures(plan), _stretches(plan)
    slow = [s for s in plan.surfaces if not s.chains_asked]
    for closure in held:
        _closure_info(alert, plan, closure, route, sender, sent)
    for stretch in stretches:
        _stretch_info(alert, plan, stretch, route, sender, sent)
    for surface in slow:
        _surface_info(alert, plan, surface, route, sender, sent)
    if plan.partial and not stretches:
        _unknown_info(alert, plan, route, sender, sent)
    elif not (held or stretches or slow):
        _whole_way_info(alert, plan, route, sender, sent)


def _note(active: bool, exercise: bool) -> str:
    notes = []
    if exercise:
        notes.append("Invented data: not for navigation.")
    if not active:
        notes.append(f"Earlier alerts no longer apply. {phrases.SIGNS}")
    return " ".join(notes)


def _stretch_info(alert: ET.Element, plan: Plan, s: Stretch, route: Route, sender: CapSender, sent: datetime) -> None:
    place = place_text.where(s)
    known = s.unknown_frac < 1.0
    late = max(plan.arrive_late - plan.arrive_at, timedelta(0))
    ends = max(s.leave_at + late, s.hold_until or s.leave_at)
    info = _put_info(
        alert,
        plan,
        sender,
        sent,
        _Info(
            severity=_SEVERITY[s.advice] if known or s.advice is not Advice.READY else "Moderate",
            response=_RESPONSE[s.advice],
            urgency=_urgency(s.enter_at, sent),
            certainty=("Likely" if s.probability >= 0.5 else "Possible") if known else "Unknown",
            onset=s.enter_at,
            expires=ends,
            headline=f"{_verb(s)} {place}, {phrases.clock_time(s.enter_at, s.zone)}: {phrases.likely(s)}",
            description=_description(plan, s),
            instruction=_instruction(s),
        ),
    )
    _put_parameter(info, "alertd:advice", s.advice.value)
    if known:
        _put_parameter(info, "alertd:probability", f"{s.probability:.2f}")
    _put_area(info, f"{plan.route_name}: {place} ({', '.join(s.jurisdictions)})", circles(route, s.start_m, s.end_m))


def _closure_info(
    alert: ET.Element, plan: Plan, n: ClosureNote, route: Route, sender: CapSender, sent: datetime
) -> None:
    """Add a closed road or a warning to hold for, as its source states it."""
    # Without an end it is assumed to last a day from the truck's arrival there; a newer alert replaces it earlier.
    ends = n.ends_at if n.ends_at is not None else max(n.enter_at, sent) + timedelta(hours=24)
    when = phrases.clock_time(n.enter_at, n.zone)
    info = _put_info(
        alert,
        plan,
        sender,
        sent,
        _Info(
            event="Road closed" if n.posted else "Weather warning on the road",
            severity=_SEVERITY[Advice.HOLD],
            response=_RESPONSE[Advice.HOLD],
            urgency=_urgency(n.begins_at, sent),
            certainty="Observed" if n.posted and n.begins_at <= sent else "Likely",
            onset=n.begins_at,
            expires=max(ends, sent + timedelta(hours=1)),
            headline=f"Hold, {when}: {n.what}"[:160],
            description=" ".join(
                [f"{describe_closure(n, sent)}.", *(f'"{w}"' for w in n.words), f"{phrases.forecast_age(plan)}."]
            ),
            instruction=f"Stand before it and ask dispatch. {phrases.PARKED} {POSTED_SIGNS_DECIDE}",
        ),
    )
    _put_parameter(info, "alertd:advice", Advice.HOLD.value)
    _put_area(info, n.where or f"{plan.route_name}: {n.what}", circles(route, n.start_m, n.end_m))


def _surface_info(
    alert: ET.Element, plan: Plan, s: SurfaceStretch, route: Route, sender: CapSender, sent: datetime
) -> None:
    """Add a run of winter road on which no chains are expected."""
    slow = f"At most {phrases.mph(s.speed_mps)} on it; no chain control is expected there, keep chains aboard"
    info = _put_info(
        alert,
        plan,
        sender,
        sent,
        _Info(
            severity="Moderate" if s.icy else _SEVERITY[Advice.SLOW],
            response=_RESPONSE[Advice.SLOW],
            urgency=_urgency(s.enter_at, sent),
            certainty="Likely" if s.probability >= 0.5 else "Possible",
            onset=s.enter_at,
            expires=max(s.leave_at + max(plan.arrive_late - plan.arrive_at, timedelta(0)), sent + timedelta(minutes=1)),
            headline=surfaces.headline(s)[:160],
            description=f"{phrases.forecast_age(plan)}. Speed after {s.speed_because}.",
            instruction=f"{slow}. {phrases.PARKED} {POSTED_SIGNS_DECIDE}",
        ),
    )
    _put_parameter(info, "alertd:advice", Advice.SLOW.value)
    _put_parameter(info, "alertd:probability", f"{s.probability:.2f}")
    place = place_text.where(s) if place_text.name(s) else surfaces.span(s)
    _put_area(info, f"{plan.route_name}: {place} ({', '.join(s.jurisdictions)})", circles(route, s.start_m, s.end_m))


def _whole_way_info(alert: ET.Element, plan: Plan, route: Route, sender: CapSender, sent: datetime) -> None:
    """Add advice without a place of its own: a posted control may be on this road, or only bridges are wintry."""
    slow = plan.advice is Advice.SLOW
    lines = [*surfaces.office_lines(plan), *road_lines(plan)]  # wind and sight are in the latter
    headline = lines[0] if slow and lines else "Be ready to chain: what is posted may be on this way"
    do = "Keep chains aboard, look for signs."
    if slow and surfaces.is_wind_only(plan):
        do = " ".join(dict.fromkeys(what_to_do(n) for n in cautions(plan)))
    info = _put_info(
        alert,
        plan,
        sender,
        sent,
        _Info(
            severity=_SEVERITY[plan.advice],
            response=_RESPONSE[plan.advice],
            urgency=_urgency(plan.depart_at, sent),
            certainty="Possible",
            onset=plan.depart_at,
            expires=max(plan.arrive_late, sent + timedelta(hours=1)),
            headline=headline[:160],
            description=" ".join([f"{phrases.forecast_age(plan)}.", *plan.cautions]),
            instruction=f"{do} {phrases.PARKED} {POSTED_SIGNS_DECIDE}",
        ),
    )
    _put_parameter(info, "alertd:advice", plan.advice.value)
    _put_area(info, plan.route_name, circles(route, 0.0, plan.route_length_m))


def _unknown_info(alert: ET.Element, plan: Plan, route: Route, sender: CapSender, sent: datetime) -> None:
    info = _put_info(
        alert,
        plan,
        sender,
        sent,
        _Info(
            severity="Moderate",
            response="Prepare",
            urgency="Expected",
            certainty="Unknown",
            onset=plan.depart_at,
            expires=max(plan.arrive_late, sent + timedelta(hours=1)),
            headline="Be ready to chain: the forecast is missing or old for some of the road",
            description=" ".join([f"{phrases.forecast_age(plan)}.", *plan.cautions]),
            instruction=f"Have chains at hand. {phrases.PARKED} {POSTED_SIGNS_DECIDE}",
        ),
    )
    _put_parameter(info, "alertd:advice", Advice.READY.value)
    _put_area(info, plan.route_name, circles(route, 0.0, plan.route_length_m))


def _urgency(onset: datetime, sent: datetime) -> str:
    ahead = onset - sent
    if ahead <= timedelta(0):
        return "Immediate"
    return "Expected" if ahead <= timedelta(hours=1) else "Future"


def _description(plan: Plan, s: Stretch) -> str:
    surfaces = ", ".join(f"{name} {share:.0%}" for name, share in s.surfaces[:3])
    parts = [f"Road as forecast members meet it: {surfaces}" if surfaces else "Road not known", phrases.snow_depth(s)]
    white = phrases.may_be_white(s)
    parts += [white[:1].upper() + white[1:]]
    parts += [f"Held: {phrases.why_held(s)}" if s.advice is Advice.HOLD else "", phrases.held_until(s), s.barred]
    parts += [f"{phrases.forecast_age(plan)}; rules as of {phrases.rule_text_age(plan)}"]
    return ". ".join(part for part in parts if part) + "."


def _verb(s: Stretch) -> str:
    return "Stay chained for" if s.chained and s.advice is not Advice.HOLD else _VERB[s.advice]


def _instruction(s: Stretch) -> str:
    at = phrases.clock_time(s.chain_up.arrive_at, s.chain_up.zone)
    hang = f"Chains on at {phrases.stop_words(s.chain_up)}, {at}, on {s.hanging.singles_n} tires: {s.tires_words}"
    if s.chained:
        hang = f"Chains are on, as reported; asked are {s.hanging.singles_n} tires: {s.tires_words}"
    speed = f"At most {phrases.mph(s.speed_mps)} on snow and ice, {phrases.mph(s.bare_speed_mps)} on bare road"
    off = f"Chains off at {phrases.stop_words(s.chain_off)}"
    return f"{hang}. {speed}. {off}. {phrases.PARKED} {POSTED_SIGNS_DECIDE}"


@dataclass(frozen=True, slots=True, kw_only=True)
class _Info:
    """The parts of an `info` that differ within an alert."""

    severity: str
    response: str
    urgency: str
    certainty: str
    onset: datetime
    expires: datetime
    headline: str
    description: str
    instruction: str
    event: str = "Snow or ice on the road"


def _put_info(alert: ET.Element, plan: Plan, sender: CapSender, sent: datetime, parts: _Info) -> ET.Element:
    """Add an `info` up to its parameters; the schema requires this order."""
    info = ET.SubElement(alert, "info")
    _put(info, "language", "en-US")
    _put(info, "category", "Transport")
    _put(info, "category", "Met")
    _put(info, "event", parts.event)
    _put(info, "responseType", parts.response)
    _put(info, "urgency", parts.urgency)
    _put(info, "severity", parts.severity)
    _put(info, "certainty", parts.certainty)
    _put(info, "audience", "drivers of heavy trucks and their dispatchers")
    _put(info, "effective", cap_time(sent))
    _put(info, "onset", cap_time(parts.onset))
    _put(info, "expires", cap_time(parts.expires))
    _put(info, "senderName", sender.name)
    _put(info, "headline", parts.headline)
    _put(info, "description", parts.description)
    _put(info, "instruction", parts.instruction)
    _put_parameter(info, "alertd:trip", plan.trip_id)
    return info


def _put(parent: ET.Element, tag: str, text: str) -> None:
    ET.SubElement(parent, tag).text = _NOT_XML.sub(" ", text)


def _put_parameter(info: ET.Element, name: str, value: str) -> None:
    parameter = ET.SubElement(info, "parameter")
    _put(parameter, "valueName", name)
    _put(parameter, "value", value)


def _put_area(info: ET.Element, described: str, round_: Sequence[str]) -> None:
    area = ET.SubElement(info, "area")
    _put(area, "areaDesc", described)
    for circle in round_:
        _put(area, "circle", circle)
