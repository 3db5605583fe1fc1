"""Text of people and of their files on a page: shown as it is, and never taken for markup."""

from __future__ import annotations

import re

__all__ = ["plain"]

_MARKUP = re.compile(
    r"""[\\`*\[\]<|~$]                    # wherever it stands
      | (?<![^\W_])_ | _(?=_*(?![^\W_]))  # an underscore, but for one within a word
      | :(?=[^\W\d]|/)                    # a colon before a word
      | &(?=\#?\w+;)
      | ^[-+>\#=]                         # what begins a list or a heading, or makes one of the line above
      | ^\d{1,9}[.)](?=\s|$)
    """,
    re.VERBOSE | re.MULTILINE,
)
_INDENT = re.compile(r"^[ \t]+", re.MULTILINE)
"""What makes a line program code."""


def plain(text: str) -> str:
    """Text of people, shown as it is: nothing in it is taken for markup."""
    return _MARKUP.sub(lambda m: f"{m[0][:-1]}\\{m[0][-1]}", _INDENT.sub("", text))
