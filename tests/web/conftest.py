"""A running service with demonstration data, its page, and a real browser."""

from page_served import browser, page, served

__all__ = ["browser", "page", "served"]
