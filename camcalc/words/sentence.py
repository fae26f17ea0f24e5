"""Small help for writing sentences."""

from __future__ import annotations

__all__ = ["capitalised"]


def capitalised(text: str) -> str:
    """Return a text with its first letter in upper case and the others as they are.

    >>> capitalised("idle MAP"), capitalised("")
    ('Idle MAP', '')
    """
    return text[:1].upper() + text[1:]
