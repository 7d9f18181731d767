"""Lists that nobody wrote who had seen the reader, with what they say to a careful person beside.

The lists and their truths are invented by people who were told of the trade and not of this tool;
`uv run python -m tests.lists` prints how each is read.
"""

import pytest

from tests.lists.score import HERE, Score, folders, score


@pytest.fixture(scope="module")
def scores() -> list[Score]:
    return [score(folder) for folder in folders()]


def test_no_list_that_a_person_could_read_is_refused(scores):
    assert [(made.name, made.refused) for made in scores if made.refused] == []
    assert len(scores) > 10


def test_usable_rows_are_accepted(scores):
    assert sum(s.accepted for s in scores) >= 0.95 * sum(s.usable for s in scores)
    assert min(made.share for made in scores) >= 0.9


def test_what_is_held_does_not_contradict_what_is_said_and_where_it_does_it_is_told(scores):
    assert sum(s.contradictions for s in scores) <= 0.01 * sum(s.accepted for s in scores)
    assert sum(made.untold for made in scores) == 0


def test_a_hold_is_rare(scores):
    """A check that fails everybody tells nothing."""
    assert sum(made.held for made in scores) <= 0.05 * sum(made.accepted for made in scores)


def test_lists_that_were_opened_last_get_in_and_what_is_misread_is_told():
    """One of them says only elsewhere of what kind an insulation is: held, and told."""
    later = [score(folder) for folder in folders(HERE / "later")]
    assert [made.refused for made in later if made.refused] == []
    assert sum(s.accepted for s in later) >= 0.95 * sum(s.usable for s in later)
    assert sum(made.untold for made in later) <= 0.01 * sum(made.accepted for made in later)
