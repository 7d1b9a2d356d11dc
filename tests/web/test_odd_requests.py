"""No request makes the page fail: what cannot be meant is 4xx, in our own page."""

from collections.abc import Callable

from odd_requests import ANSWERS, KNOWN, ask_all


def test_odd_requests_are_answered(measured: Callable[[str, object], None]) -> None:
    """Dates at the ends of the calendar, numbers beyond 64 bits, digits of other scripts, times
    turned about, forms, and chance; ``python tests/support/odd_requests.py`` asks for many more.
    """
    found = ask_all(300, seed=17)
    asked = found.statuses.total()
    measured("odd requests answering 500", f"{found.broken} of {asked}")
    assert found.wrong == []
    assert asked == 300 + len(KNOWN)
    assert set(found.statuses) <= ANSWERS
    assert found.statuses[404] > 10
