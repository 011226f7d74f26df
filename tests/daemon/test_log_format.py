"""One line a record, whatever it is told, and never a secret."""

import json
import logging
import sys

import pytest

from alertd.daemon.log_format import REDACTED, JsonFormatter, TextFormatter

SECRET = 'whsec_a/b+"c"=='
FORGED = "T-1\n2027-01-14 00:00:00,000 INFO all clear\r\x1b[2J\u2028next\x85end"


def record(text: str, *args: object, **extra: object) -> logging.LogRecord:
    made = logging.LogRecord("alertd.test", logging.ERROR, __file__, 1, text, args, None)
    made.__dict__.update(extra)
    return made


def failing(text: str) -> logging.LogRecord:
    try:
        raise KeyError(text)
    except KeyError:
        return logging.LogRecord("alertd.test", logging.ERROR, __file__, 1, "a fault", (), sys.exc_info())


@pytest.mark.parametrize("form", [TextFormatter, JsonFormatter])
def test_a_name_with_line_ends_stays_one_line(form: type[TextFormatter]) -> None:
    line = form([]).format(record("trip %s not planned", FORGED))
    assert len(line.splitlines()) == 1
    assert line.isprintable()


def test_json_carries_the_text_as_it_was_and_ids_as_fields() -> None:
    line = json.loads(JsonFormatter([]).format(record("trip %s not planned", FORGED, trip="T-1", notice="ntc_1")))
    assert line["text"] == f"trip {FORGED} not planned"
    assert (line["trip"], line["notice"], line["level"], line["logger"]) == (
        "T-1",
        "ntc_1",
        "ERROR",
        "alertd.test",
    )
    assert line["at"].endswith("+00:00")
    assert "trip" not in json.loads(JsonFormatter([]).format(record("no trip", trip="")))


@pytest.mark.parametrize("form", [TextFormatter, JsonFormatter])
@pytest.mark.parametrize("written", [SECRET, "whsec_a%2Fb%2B%22c%22%3D%3D"], ids=["plain", "percent-encoded"])
def test_no_secret_is_written_in_text_field_or_traceback(form: type[TextFormatter], written: str) -> None:
    lines = [
        form([SECRET, "x"]).format(one)
        for one in (record("sent %s", written), record("x", trip=written), failing(f"https://h/?key={written}"))
    ]
    for line in lines:
        assert "whsec" not in line
        assert "a/b+" not in line
    assert REDACTED in lines[0]
    assert "x" in lines[1] or form is TextFormatter  # too short to be hidden everywhere


def test_a_traceback_in_text_cannot_pass_for_records() -> None:
    first, *more = TextFormatter([]).format(failing("evil\n2027-01-14 00:00:00,000 INFO all clear")).splitlines()
    assert first.endswith("ERROR a fault")
    assert more
    assert all(line.startswith("    | ") for line in more)
