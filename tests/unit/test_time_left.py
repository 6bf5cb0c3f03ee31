import pytest
from charscreen.time_left import TimeLeft, left_words


@pytest.mark.parametrize(
    ("seconds", "words"),
    [
        (0.2, "a few seconds"),
        (38.0, "about 40 s"),
        (94.0, "about 90 s"),
        (100.0, "about 2 min"),
        (5000.0, "about 83 min"),
        (7300.0, "about 2 h"),
    ],
)
def test_time_is_said_as_people_say_it(seconds, words):
    assert left_words(seconds) == words


def test_what_is_to_come_lasts_as_long_as_what_is_done():
    now = iter([100.0, 160.0])
    timer = TimeLeft(clock=lambda: next(now))
    # Two parts in 60 s: ten more take 300 s.
    assert timer.line("start 2 of 12", 2, 12) == "start 2 of 12; about 5 min left"


def test_nothing_is_said_when_all_is_done():
    assert TimeLeft().words(3, 3) == ""
    assert TimeLeft().line("start 3 of 3", 3, 3) == "start 3 of 3"
