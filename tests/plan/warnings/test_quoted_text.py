"""An office's words are quoted as they are, on one line, and cut at the end of a sentence only."""

from alertd.plan.warnings.placement import one_line, truncate

WORDS = "Travel will be very difficult. Slow down! If you must travel, carry chains and food."


def test_quotes_end_at_a_sentence_and_the_cut_is_shown() -> None:
    assert truncate(WORDS, 100) == WORDS
    assert truncate(WORDS, 50) == "Travel will be very difficult. Slow down! ..."
    assert truncate(WORDS, 35) == "Travel will be very difficult. ..."
    assert truncate(WORDS, 5) == "Travel will be very difficult. ..."  # a first sentence that is longer stays whole
    assert truncate("no end at all", 5) == "no end at all"


def test_lines_are_joined_and_what_steers_a_terminal_is_left_out() -> None:
    assert one_line("Heavy snow.\n\n* WHEN...Until\t9 AM\x1b[31m.") == "Heavy snow. * WHEN...Until 9 AM [31m."
