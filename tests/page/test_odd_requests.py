"""No request makes the page fail: what cannot be meant is 4xx, in our own page."""

from odd_requests import KNOWN, statuses


def test_odd_requests_are_answered() -> None:
    """Dates at the ends of the calendar, numbers beyond 64 bits, digits of other scripts, times
    turned about, and chance; ``python tests/odd_requests.py`` asks for many more.
    """
    found, wrong = statuses(150, seed=17)
    assert wrong == []
    assert found.total() == 150 + len(KNOWN)
    assert set(found) <= {200, 303, 400, 404, 405, 429}
    assert found[404] > 10
