"""The gate for text that others read: a terminal, a spreadsheet, a simulator, a browser.

Names and notes come from files that may have been sent by anybody. What is written must be text to
whoever reads it, never an instruction: an escape sequence of a terminal, a formula of a spreadsheet,
a command of a simulator, an element of a page.
"""

from __future__ import annotations

import codecs
import re
from html import escape

_UNPRINTABLE = re.compile(
    "[\x00-\x08\x0b-\x1f\x7f-\x9f"  # control characters but tab and line feed
    "\u061c\u200b\u200e\u200f\u2028-\u202e\u2060-\u206f\ufeff\ufff9-\ufffb"  # direction, no width
    "\ud800-\udfff\ufffe\uffff\U000e0000-\U000e007f]"  # halves of characters, tags
)
_LINES = re.compile("[\t\n]")
_FORMULA = re.compile(r"(^|[;,|\t\n])(\s*)(?=[=+\-@\uff1d\uff0b\uff0d\uff20])")
_NUMBER = re.compile(r"[+-]?(\d+(\.\d*)?|\.\d+)([eE][+-]?\d+)?")
_TAG = re.compile(r"<(?=[A-Za-z/!?])")

PLAIN_LINES = "plain-lines"
"""Name of the handler of characters that an encoding lacks; see `codecs.register_error`."""

_PLAIN = {
    **{
        "─": "-",
        "│": "|",
        "┊": ":",
        "┬": "+",
        "┴": "+",
        "┤": "+",
        "└": "+",
        "…": "~",
        "−": "-",
        "×": "x",
    },
    **{"█": "#", "▓": "x", "▒": "-", "░": ".", "\u2800": " ", "°": " deg", "Ω": "ohm"},
}


def find_unprintable(text: str) -> str:
    """Find the first character of a name that cannot be seen or turns others about; "" for none.

    Parameters
    ----------
    text : str
        One line: tabs and line ends count.
    """
    found = _UNPRINTABLE.search(text) or _LINES.search(text)
    return found[0] if found else ""


def make_printable(text: str) -> str:
    r"""Write characters that cannot be seen as escapes ("\x1b"); tabs and line ends stay."""
    return _UNPRINTABLE.sub(lambda found: _name_of(found[0]), text)


def _name_of(character: str) -> str:
    code = ord(character)
    if code < 0x100:
        return f"\\x{code:02x}"
    return f"\\u{code:04x}" if code < 0x10000 else f"\\U{code:08x}"


def quote_cell(cell: object) -> object:
    """Make a cell of a table text to every spreadsheet; numbers stay as they are.

    A cell that begins with ``= + - @`` is a formula to a spreadsheet, and so is what follows a
    separator of another country's: an apostrophe in front makes it text.
    """
    if not isinstance(cell, str) or _NUMBER.fullmatch(cell):
        return cell
    text = make_printable(cell.replace("\r", " ").replace("\n", " ").replace("\t", " "))
    return _FORMULA.sub(r"\1\2'", text)


def quote_comment(text: str) -> str:
    """Write one line of plain ASCII, as any simulator reads behind the mark of a comment."""
    one_line = make_printable(" ".join(text.split()))
    return one_line.encode("ascii", "replace").decode("ascii")


def quote_markup(text: str) -> str:
    """Write text for SVG or HTML: escaped, and without characters that XML has no place for."""
    return escape(make_printable(text))


def quote_css(text: str) -> str:
    """Write text as a string of a style sheet that may stand in a page: all but plain letters escaped."""
    return '"{}"'.format(
        "".join(
            char if char.isascii() and (char.isalnum() or char in " .,-") else f"\\{ord(char):x} "
            for char in make_printable(" ".join(text.split()))
        )
    )


def quote_markdown(text: str) -> str:
    """Write text for Markdown, where a tag would be one of a page."""
    return _TAG.sub(r"\\<", make_printable(text))


def _to_plain(error: UnicodeError) -> tuple[str, int]:
    """Stand in for characters an encoding lacks: lines by ASCII, dots by a full stop."""
    if not isinstance(error, UnicodeEncodeError):
        raise error
    wrong = error.object[error.start : error.end]
    plain = (_PLAIN.get(char, "." if "\u2800" <= char <= "\u28ff" else "?") for char in wrong)
    return "".join(plain), error.end


codecs.register_error(PLAIN_LINES, _to_plain)
