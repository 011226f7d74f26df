"""State numbers of FIPS 5-2, in which SAME codes name counties, as the two letters that zones are named with."""

from typing import Final

_STATES: Final = (
    "01AL 02AK 04AZ 05AR 06CA 08CO 09CT 10DE 11DC 12FL 13GA 15HI 16ID 17IL 18IN 19IA 20KS 21KY 22LA 23ME 24MD 25MA "
    "26MI 27MN 28MS 29MO 30MT 31NE 32NV 33NH 34NJ 35NM 36NY 37NC 38ND 39OH 40OK 41OR 42PA 44RI 45SC 46SD 47TN 48TX "
    "49UT 50VT 51VA 53WA 54WV 55WI 56WY"
)
_LETTERS: Final = {state[:2]: state[2:] for state in _STATES.split()}


def county_of(same: str) -> str | None:
    """The county's id, e.g. "county/WAC033" of "053033"; None for what is no county of a state.

    The first digit names a part of the county; the whole of it is taken.
    """
    if len(same) != 6 or not same.isdigit() or same[1:3] not in _LETTERS or same.endswith("000"):
        return None
    return f"county/{_LETTERS[same[1:3]]}C{same[3:]}"
