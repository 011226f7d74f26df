"""The hours laws of lands as numbers, and which one applies where."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from typing import Final

from alertd.route.model import JurisdictionSpan


class Duty(StrEnum):
    """Duty status of the driver."""

    DRIVING = "driving"
    ON_DUTY = "on duty, not driving"
    OFF = "off duty"


@dataclass(frozen=True, slots=True, kw_only=True)
class HoursRules:
    """The numbers of one law.

    break_after_h: driving after which a break is due; None where the law has none between driving.
    break_by: duties that interrupt driving.
    break_parts_s: a break that may be taken in two parts.
    duty_h: hours of work, driving included; window_h: hours since the duty day began, rests included.
    rest_h: consecutive hours off duty after which driving, duty window and break count from zero.
    planned_rest_h: rest that a plan of several days takes, where it is longer than `rest_h`.
    short_rest_h, short_rests_n: a shorter rest and how often it is allowed between two weekly rests.
    day_h: a rest must end within this time after the last one ended; None where `window_h` bounds the day.
    split_h: the long and the least short part of a rest in two parts, and split_total_h their least sum.
    cycle_h: hours on duty in the cycle, restart_h: rest after which it counts from zero.
    week_drive_h, fortnight_drive_h: hours of driving in a calendar week and in two.
    long_drive_h, long_drives_n: a longer day of driving and how often it is allowed in a week.
    weekly_rest_h, reduced_weekly_rest_h: the rest between weeks and the shorter one that may be every other.
    week_span_h: a weekly rest begins within this time after the last one ended.
    not_placed: what the law asks of a trip of several days that a plan does not place; "" for none.
    unforeseen: why extra hours for what could not be foreseen are not planned with; "" for those of 49 CFR 395.1(b)(1).
    chain_work: what hanging and removing chains counts as; "" for the words of 49 CFR 395.2.
    """

    name: str
    text: str
    drive_h: float
    drive_section: str
    rest_h: float
    rest_section: str
    break_after_h: float | None = None
    break_s: float = 0.0
    break_section: str = ""
    break_by: frozenset[Duty] = frozenset()
    break_parts_s: tuple[float, float] | None = None
    duty_h: float | None = None
    duty_section: str = ""
    window_h: float | None = None
    window_section: str = ""
    cycle_section: str = ""
    unforeseen: str = ""
    chain_work: str = ""
    planned_rest_h: float | None = None
    short_rest_h: float | None = None
    short_rests_n: int = 0
    short_rest_section: str = ""
    day_h: float | None = None
    day_section: str = ""
    split_h: tuple[float, float] | None = None
    split_total_h: float = 0.0
    split_section: str = ""
    cycle_h: float | None = None
    restart_h: float | None = None
    restart_section: str = ""
    week_drive_h: float | None = None
    fortnight_drive_h: float | None = None
    week_section: str = ""
    long_drive_h: float | None = None
    long_drives_n: int = 0
    weekly_rest_h: float | None = None
    reduced_weekly_rest_h: float | None = None
    week_span_h: float | None = None
    weekly_rest_section: str = ""
    not_placed: str = ""


US: Final = HoursRules(
    name="49 CFR 395.3",
    text="property-carrying, after 10 h off duty; 30-minute rule as amended 85 FR 33396, in force since 29 Sep 2020",
    drive_h=11.0,
    drive_section="49 CFR 395.3(a)(3)(i)",
    break_after_h=8.0,
    break_s=1_800.0,
    break_section="49 CFR 395.3(a)(3)(ii)",
    break_by=frozenset((Duty.ON_DUTY, Duty.OFF)),
    rest_h=10.0,
    rest_section="49 CFR 395.3(a)(1)",
    window_h=14.0,
    window_section="49 CFR 395.3(a)(2)",
    cycle_section="49 CFR 395.3(b)",
    split_h=(7.0, 2.0),
    split_total_h=10.0,
    split_section="49 CFR 395.1(g)(1)(ii)",
    cycle_h=70.0,
    restart_h=34.0,
    restart_section="49 CFR 395.3(c)",
)
# The rest is the regular one of Article 4(g), 11 h. A plan of several days uses the 10 h of driving that Article 6(1)
# allows twice a week, the 9 h of rest that Article 8(4) allows three times between two weekly rests, and the reduced
# weekly rest of Article 8(6) only where the trip gives their earlier use.
EU: Final = HoursRules(
    name="Regulation (EC) 561/2006",
    text="daily driving and breaks; a plan of several days also keeps daily and weekly rests and weekly driving "
    "(Articles 6(2), 6(3), 8)",
    drive_h=9.0,
    drive_section="Regulation (EC) 561/2006, Article 6(1)",
    break_after_h=4.5,
    break_s=2_700.0,
    break_section="Regulation (EC) 561/2006, Article 7",
    break_by=frozenset((Duty.OFF,)),
    rest_h=11.0,
    rest_section="Regulation (EC) 561/2006, Articles 4(g) and 8(2)",
    break_parts_s=(900.0, 1_800.0),
    short_rest_h=9.0,
    short_rests_n=3,
    short_rest_section="Regulation (EC) 561/2006, Article 8(4)",
    day_h=24.0,
    day_section="Regulation (EC) 561/2006, Article 8(2)",
    week_drive_h=56.0,
    fortnight_drive_h=90.0,
    week_section="Regulation (EC) 561/2006, Article 6(2) and (3)",
    long_drive_h=10.0,
    long_drives_n=2,
    weekly_rest_h=45.0,
    reduced_weekly_rest_h=24.0,
    week_span_h=144.0,
    weekly_rest_section="Regulation (EC) 561/2006, Articles 4(h) and 8(6)",
    unforeseen="not planned with: Article 12 is for what could not be foreseen, and a forecast foresees it",
    chain_work="is other work: neither driving nor break (Article 4(d), (e), from memory)",
)
# Switzerland has its own ordinance (ARV 1, SR 822.221), others the AETR (UNECE): the same numbers, from memory.
SWISS: Final = replace(
    EU,
    name="ARV 1 (SR 822.221)",
    text="daily driving and breaks only, from memory; between the EU and Switzerland Regulation (EC) 561/2006 applies, "
    "with the same numbers; a plan of several days also keeps rests and weekly driving",
    drive_section="ARV 1 article 5",
    break_section="ARV 1 article 8",
    rest_section="ARV 1 article 9",
    short_rest_section="ARV 1 article 9",
    day_section="ARV 1 article 9",
    week_section="ARV 1 articles 5 and 7",
    weekly_rest_section="ARV 1 article 11",
    unforeseen="not planned with: the exception is for what could not be foreseen, and a forecast foresees it",
    chain_work="is other work: neither driving nor break (from memory)",
)
AETR: Final = replace(
    EU,
    name="AETR",
    text="daily driving and breaks of international transport, from memory; national law may differ; a plan of several "
    "days also keeps rests and weekly driving",
    drive_section="AETR article 6(1)",
    break_section="AETR article 7",
    rest_section="AETR article 8",
    short_rest_section="AETR article 8",
    day_section="AETR article 8",
    week_section="AETR article 6",
    weekly_rest_section="AETR article 8",
    unforeseen="not planned with: article 9 is for what could not be foreseen, and a forecast foresees it",
    chain_work="is other work: neither driving nor break (AETR article 1, from memory)",
)
# Sections 12 to 14 south of 60 degrees north, 37 to 39 north of it; from memory. The 10 h off duty of each day, 2 in
# parts, are not looked at; the rest that starts a new day is 8 h.
CANADA: Final = HoursRules(
    name="SOR/2005-313",
    text="federal rules south of 60 degrees north, after 8 h off duty, from memory; the 10 h off duty of each day "
    "(section 14) are not looked at, and a province may have its own rules for carriers within it",
    drive_h=13.0,
    drive_section="SOR/2005-313, section 12(1)",
    duty_h=14.0,
    duty_section="SOR/2005-313, section 12(2)",
    window_h=16.0,
    window_section="SOR/2005-313, section 13(3)",
    cycle_section="SOR/2005-313, sections 26 and 27",
    rest_h=8.0,
    rest_section="SOR/2005-313, section 13",
    planned_rest_h=10.0,  # 8 h in a row, and with the other 2 h of section 14 in one rest
    cycle_h=70.0,
    restart_h=36.0,
    restart_section="SOR/2005-313, section 28",
    not_placed="24 h off duty in a row in each 14 days (SOR/2005-313, section 25, from memory) are not placed",
    unforeseen="not planned with: section 76 is for what could not be foreseen, and a forecast foresees it",
    chain_work="is on duty and not driving (SOR/2005-313, section 1, from memory)",
)
CANADA_NORTH: Final = replace(
    CANADA,
    name="SOR/2005-313, north of 60",
    text="federal rules north of 60 degrees north, after 8 h off duty, from memory",
    drive_h=15.0,
    drive_section="SOR/2005-313, section 37(1)",
    duty_h=18.0,
    duty_section="SOR/2005-313, section 37(2)",
    window_h=20.0,
    window_section="SOR/2005-313, section 39",
)

# Regulation (EC) 561/2006: the EU's 27 states, and Iceland, Liechtenstein and Norway by the EEA Agreement; the United
# Kingdom keeps it as assimilated law.
_EU: Final = frozenset(
    ("AT", "BE", "BG", "CY", "CZ", "DE", "DK", "EE", "ES", "FI", "FR", "GR", "HR", "HU", "IE", "IT", "LT", "LU", "LV",
     "MT", "NL", "PL", "PT", "RO", "SE", "SI", "SK", "AX", "IS", "LI", "NO", "GB", "GG", "IM", "JE")
)  # fmt: skip
_AETR: Final = frozenset(
    ("AD", "AL", "AM", "AZ", "BA", "BY", "GE", "KZ", "MC", "MD", "ME", "MK", "RS", "RU", "SM", "TJ", "TM", "TR", "UA",
     "UZ")
)  # fmt: skip
_NORTH: Final = frozenset(("CA-YT", "CA-NT", "CA-NU"))


def law_at(code: str) -> HoursRules | None:
    """The hours law of a land (ISO 3166); None where none is on file."""
    country = code.split("-")[0]
    if code in _NORTH:
        return CANADA_NORTH
    by_country = {"US": US, "CA": CANADA, "CH": SWISS}
    if country in by_country:
        return by_country[country]
    if country in _EU:
        return EU
    return AETR if country in _AETR else None


def rules_for(codes: Sequence[str]) -> HoursRules | None:
    """The law of the trip by the land where it starts (ISO 3166); None where none is on file."""
    return law_at(next((c for c in codes if c), ""))


def later_laws(spans: Sequence[JurisdictionSpan], first: HoursRules) -> tuple[tuple[HoursRules, float, float], ...]:
    """The laws of later lands that differ in numbers from the first, each with its first and last metre on the route.

    A driver obeys the law of the land, and the hours driven before the border count in it.
    """
    found: dict[str, tuple[HoursRules, float, float]] = {}
    for span in spans:
        law = law_at(span.code)
        if law is not None and _numbers(law) != _numbers(first):
            start_m = found[law.name][1] if law.name in found else span.start_m
            found[law.name] = (law, start_m, span.end_m)
    return tuple(found.values())


def _numbers(law: HoursRules) -> tuple[object, ...]:
    return law.drive_h, law.break_after_h, law.break_s, law.duty_h, law.window_h
