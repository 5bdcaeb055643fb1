"""Plain characters such as s_r or 10^-5 as a page sets them: subscript, superscript, italic."""

from __future__ import annotations

import re
from typing import Literal

Kind = Literal["", "sub", "sup", "it"]
Span = tuple[Kind, str]

# In prose only the symbols of this trade are touched: any other text, such as a reading's name, stays as it was typed.
_PROSE = re.compile(
    r"(?<![\w.])(?P<base>[sLxabdTVrgmνutPC])_"
    r"(?P<sub>run|rel|low|high|pub|NG|EG|BG|PB|x0|ref|cal|exp|eff|fc|fr|std|[rRILCDQTikwydY01])(?!\w|\.\w)"
    r"|(?<![\w.])(?P<other>[smdgb](?=_[fo2ubi])|[Swn](?=_ref)|[xy](?=_routine))_(?P<under>ref|routine|[fo2ubi])(?!\w|\.\w)"
    r"|(?<=10)\^(?P<sup>[−-]?\d+)(?![\w.]\w)|(?<=[A-Za-zχρ)])\^(?P<square>2)(?![\w.]\w)"
)
# In a formula every single letter is a variable, but for the article of a word ("one slope a run").
_FORMULA = re.compile(
    r"(?<![^\W_])(?P<base>[^\W\d_]{1,2}[\u0302\u0303\u0304\u0307]?)_(?P<sub>\{[^{}]*\}|[^\W_]+(?:,[^\W_]+)*)"
    r"|\^(?P<sup>\{[^{}]*\}|[−-]?[^\W_]+)"
    r"|(?<![^\W_])(?P<other>[A-Za-z])(?P<under>\d)(?!\w)"
    r"|(?<![^\W_])(?!a [a-z]{2,}(?![\w(]))(?P<letter>[A-Za-z][\u0302\u0303\u0304\u0307]?)(?!\w)"
)


def prose(text: str) -> list[Span]:
    """A sentence or a table cell as spans; the symbols of precision and detection, and powers of ten, are set."""
    return _spans(_PROSE, text)


def formula(text: str) -> list[Span]:
    """A formula line as spans: subscripts, superscripts, single letters in italic."""
    return _spans(_FORMULA, text)


def _spans(pattern: re.Pattern[str], text: str) -> list[Span]:
    spans: list[Span] = []
    end = 0
    for match in pattern.finditer(text):
        if match.start() > end:
            spans.append(("", text[end : match.start()]))
        parts = match.groupdict()
        if parts.get("letter"):
            spans.append(("it", parts["letter"]))
        elif parts["base"] or parts["other"]:
            base, below = parts["base"] or parts["other"], parts["sub"] or parts["under"]
            spans.append(("it" if re.match(r"[A-Za-z]\W?\Z", base) else "", base))
            spans.append(("sub", below.strip("{}")))
        else:
            spans.append(("sup", (parts["sup"] or parts["square"]).strip("{}")))
        end = match.end()
    if end < len(text):
        spans.append(("", text[end:]))
    return spans
