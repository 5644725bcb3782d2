"""Families of side questions for tests of sentences: which of them are beyond chance."""

from outcomes.answers.side_tests import About, SideTest, SideTests

UNTOLD = SideTests((), 0.05)


def beyond_chance(*questions: tuple[About, str]) -> SideTests:
    """A family in which these questions, and no others, may be told as findings."""
    return SideTests(tuple(SideTest(*q, 0.001, 0.01, beyond_chance=True) for q in questions), 0.05)
