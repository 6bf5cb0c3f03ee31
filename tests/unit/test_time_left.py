import pytest
from charscreen.time_left import Progress, left_words


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


def said_at(*times: float, parts: int) -> list[str]:
    """Lines of a step of so many parts, begun at 100 s, whose parts end at these times."""
    now, lines = iter([100.0, *times]), []
    progress = Progress(lines.append, "Searching", clock=lambda: next(now))
    for k in range(1, len(times) + 1):
        progress(f"start {k}", k, parts)
    return lines


def test_what_is_to_come_lasts_as_long_as_what_is_done():
    # Two parts in 60 s: ten more take 300 s.
    assert said_at(130.0, 160.0, parts=12)[1] == "Searching: start 2; about 5 min left"


def test_quick_parts_are_not_said_one_by_one():
    assert said_at(100.1, 100.2, 100.3, parts=3) == ["Searching: start 3"]
