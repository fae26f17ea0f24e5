"""Text that comes from outside, made harmless where it goes out: to a terminal, a page, a table for a spreadsheet, or a screen of few characters."""

from __future__ import annotations

import codecs
import re

__all__ = ["HIDDEN", "PLAIN_ERRORS", "in_cell", "visible"]

# Control characters, those that turn the direction of writing round or part lines, and halves of characters. Tab and line feed serve lines.
HIDDEN = re.compile(r"[\x00-\x08\x0b-\x1f\x7f-\x9f\u061c\u200e\u200f\u2028-\u202e\u2066-\u2069\ud800-\udfff]")
# What a spreadsheet takes for the beginning of a formula.
FORMULA = ("=", "+", "-", "@", "\t", "\r", "\n")
_NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?$")
# Signs of our own texts for a screen that has no such characters.
PLAIN = {
    "·": "*", "×": "x", "−": "-", "–": "-", "—": "-", "±": "+/-", "…": "...", "°": " deg", "²": "^2", "³": "^3", "µ": "u", "μ": "u", "≤": "<=", "≥": ">=",
    "→": "->", "≈": "~", "’": "'", "‘": "'", "“": '"', "”": '"', "•": "-", "\u00a0": " ", "─": "-", "━": "-", "│": "|", "╸": "-", "╺": "-", "√": "sqrt",
}  # fmt: skip
PLAIN_ERRORS = "camcalc.plain"


def visible(text: str) -> str:
    r"""Return text with every hidden character as an escape, in the form that JSON has for it; all other text as it is.

    Examples
    --------
    >>> visible("a\x1b[31mb")
    'a\\u001b[31mb'
    """
    return HIDDEN.sub(lambda found: f"\\u{ord(found[0]):04x}", text)


def in_cell(text: str) -> str:
    """Return the text of a cell so that no spreadsheet takes it for a formula; a number stays a number.

    Examples
    --------
    >>> in_cell("=1+1"), in_cell("-12.5"), in_cell("24 (cap)")
    ("'=1+1", '-12.5', '24 (cap)')
    """
    return f"'{visible(text)}" if text.startswith(FORMULA) and not _NUMBER.match(text) else visible(text)


def _plain(error: UnicodeError) -> tuple[str, int]:
    if not isinstance(error, UnicodeEncodeError):
        raise error
    missing = error.object[error.start : error.end]
    return "".join(PLAIN.get(sign, visible(sign) if HIDDEN.match(sign) else _escaped(sign)) for sign in missing), error.end


def _escaped(sign: str) -> str:
    return sign.encode("ascii", "backslashreplace").decode("ascii")


codecs.register_error(PLAIN_ERRORS, _plain)
