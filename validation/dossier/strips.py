"""The requirement strip: an interval against its limit, on an axis where the limit is at 1 (or at -1 and 1)."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from validation.dossier.blocks import Strip
from validation.study.quantity import Outcome
from validation.words import MINUS, fixed

#: One tint an outcome, distinct in grey (lightness about 39, 53, 72, 84) and to the colour-blind; the fill comes first.
TINTS: dict[Outcome, str] = {"met": "#2a86bf", "not shown": "#e69f00", "not met": "#a33c00", "not judged": "#d2d2d2"}
GROUND, INK, SOFT = "#e3ebf0", "#1a1a1a", "#8a8a8a"

FONT = "STIXGeneral"
WIDTH, HEIGHT = 100.0, 14.0  # points; gutters for numbers outside the axis come on top
_GUTTER, _EDGE = 16.0, 3.0
_BAR, _STROKE = 6.0, 12.0
_NEAR, _FAR = 1.5, 2.5  # the axis ends between these multiples of the limit
_ARROW, _HATCH = 6.0, 3.2


@dataclass(frozen=True, slots=True)
class Axis:
    """The axis that strips under one another share: its ends in multiples of the limit, its gutters in points."""

    low: float
    high: float
    left: float = 0.0
    right: float = 0.0

    @property
    def width(self) -> float:
        """Width of the drawing, in points."""
        return WIDTH + self.left + self.right

    def place(self, value: float) -> float:
        """The place of a value, in points from the left; values outside are drawn at the end of the axis."""
        inside = min(max(value, self.low), self.high)
        span = WIDTH - 2 * _EDGE
        return self.left + _EDGE + span * (inside - self.low) / (self.high - self.low)


def common_axis(strips: Sequence[Strip]) -> Axis:
    """The axis on which all of `strips` can be compared; values beyond 2.5 limits are cut off and printed."""
    drawn = [strip for strip in strips if _drawn(strip)]
    values = [v for strip in drawn for v in (strip.estimate, strip.low, strip.high) if v is not None]
    below = any(strip.allowed[0] is not None and strip.allowed[0] < 0 for strip in drawn) or any(v < 0 for v in values)
    high = min(_FAR, max([_NEAR, *(1.05 * v for v in values)]))
    low = -min(_FAR, max([_NEAR, *(-1.05 * v for v in values)])) if below else 0.0
    left = _GUTTER if any(v < low for v in values) else 0.0
    right = _GUTTER if any(v > high for v in values) else 0.0
    return Axis(low, high, left, right)


def axis_svg(axis: Axis) -> str:
    """The head of a column of strips: where the limits and zero are."""
    marks = [value for value in (-1.0, 0.0, 1.0) if axis.low <= value <= axis.high]
    inside = "".join(
        _text(
            axis.place(value), 8.0, fixed(value, 0) if value else "0", anchor="middle" if value > axis.low else "start"
        )
        for value in marks
    )
    inside += _text(axis.place(axis.high), 8.0, "× limit", anchor="end") if axis.high >= 2.2 else ""
    return _svg(axis.width, 10.0, inside)


def strip_svg(strip: Strip, axis: Axis) -> str:
    """One strip as an SVG document; an empty axis where nothing can be drawn."""
    middle = HEIGHT / 2
    parts = [_ground(strip, axis)] if _drawn(strip) else []
    parts.append(_line(axis.place(axis.low), middle, axis.place(axis.high), middle, 0.5, SOFT, "soft"))
    if _drawn(strip):
        parts += [_limit(end, axis) for end in strip.allowed if end is not None and axis.low <= end <= axis.high]
        parts += [*_bar(strip, axis), *_estimate(strip, axis), *_outside(strip, axis)]
    return _svg(axis.width, HEIGHT, "".join(parts))


def strip_words(strip: Strip) -> str:
    """What the strip shows, for readers who do not see it."""
    observed = strip.observed_text + (f", interval {strip.interval_text}" if strip.interval_text else "")
    word = f"{strip.outcome}, fragile" if strip.fragile else strip.outcome
    return f"{strip.label}: {word}; observed {observed or 'nothing'}; limit {strip.limit_text or 'none'}."


def _drawn(strip: Strip) -> bool:
    return any(value is not None for value in (strip.estimate, strip.low, strip.high))


def _ground(strip: Strip, axis: Axis) -> str:
    low, high = strip.allowed
    left = axis.place(axis.low if low is None else low)
    right = axis.place(axis.high if high is None else high)
    box = f'x="{left:.2f}" y="1" width="{right - left:.2f}" height="{HEIGHT - 2:.2f}"'
    return f'<rect class="ground" {box} fill="{GROUND}"/>'


def _limit(value: float, axis: Axis) -> str:
    # Zero as the lower end of an allowed region is where the axis begins, not a limit someone set.
    return "" if value == 0 else _line(axis.place(value), 1, axis.place(value), HEIGHT - 1, 0.6, INK, "ink")


def _bar(strip: Strip, axis: Axis) -> list[str]:
    if strip.outcome == "not judged" or (strip.low is None and strip.high is None):
        return []
    low = axis.low if strip.low is None else strip.low
    high = axis.high if strip.high is None else strip.high
    if high < axis.low or low > axis.high:
        return []
    left, right, top = axis.place(low), axis.place(high), (HEIGHT - _BAR) / 2
    right = max(right, left + 1.2)  # an interval too short to be seen is still a bar
    tint, name = TINTS[strip.outcome], strip.outcome.replace(" ", "-")
    fill = tint if strip.outcome == "met" else "#ffffff"
    box = f'x="{left:.2f}" y="{top:.2f}" width="{right - left:.2f}" height="{_BAR:.2f}"'
    bar = [f'<rect class="bar {name}" {box} fill="{fill}" stroke="{tint}" stroke-width="1.1"/>']
    if strip.outcome == "not shown":
        bar.append(
            f'<path class="hatch" d="{_hatch(left, right, top)}" stroke="{tint}" stroke-width="1.1" fill="none"/>'
        )
    return bar


def _hatch(left: float, right: float, top: float) -> str:
    """Slanting lines cut at the edges of the bar: drawn out, because a pattern would need a name on the page."""
    lines, start = [], left - _BAR + _HATCH
    while start < right:
        x1, x2 = max(start, left), min(start + _BAR, right)
        if x2 > x1:
            lines.append(f"M{x1:.2f} {top + _BAR - (x1 - start):.2f}L{x2:.2f} {top + _BAR - (x2 - start):.2f}")
        start += _HATCH
    return "".join(lines)


def _estimate(strip: Strip, axis: Axis) -> list[str]:
    if strip.estimate is None or not axis.low <= strip.estimate <= axis.high:
        return []
    x = axis.place(strip.estimate)
    return [_line(x, (HEIGHT - _STROKE) / 2, x, (HEIGHT + _STROKE) / 2, 2.2, INK, "ink")]


def _outside(strip: Strip, axis: Axis) -> list[str]:
    """An arrow head at each end beyond which there is something, and the number there."""
    parts: list[str] = []
    values = [value for value in (strip.estimate, strip.low, strip.high) if value is not None]
    for side, end, beyond in (
        (1, axis.high, [v for v in values if v > axis.high]),
        (-1, axis.low, [v for v in values if v < axis.low]),
    ):
        if not beyond:
            continue
        x, middle = axis.place(end), HEIGHT / 2
        tip = x + side * _ARROW
        outline = f"M{tip:.2f} {middle:.2f}L{x:.2f} {middle - 4:.2f}L{x:.2f} {middle + 4:.2f}Z"
        parts.append(f'<path class="ink-fill" d="{outline}" fill="{INK}"/>')
        far = strip.estimate if strip.estimate in beyond else max(beyond, key=abs)
        assert far is not None
        parts.append(_text(tip + side * 1.5, middle + 2.4, _ratio(far), anchor="start" if side > 0 else "end"))
    return parts


def _ratio(value: float) -> str:
    if abs(value) >= 1000:
        return f"{'' if value > 0 else MINUS}>999"
    return fixed(value, 1 if abs(value) < 10 else 0)


def _line(x1: float, y1: float, x2: float, y2: float, width: float, colour: str, name: str) -> str:
    return (
        f'<line class="{name}" x1="{x1:.2f}" y1="{y1:.2f}" x2="{x2:.2f}" y2="{y2:.2f}" '
        f'stroke="{colour}" stroke-width="{width}"/>'
    )


def _text(x: float, y: float, words: str, *, anchor: str) -> str:
    safe = words.replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;")
    return (
        f'<text class="ink-fill" x="{x:.2f}" y="{y:.2f}" font-family="{FONT}" font-size="7.5" text-anchor="{anchor}" '
        f'fill="{INK}">{safe}</text>'
    )


def _svg(width: float, height: float, inside: str) -> str:
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{width:.2f}pt" height="{height:.2f}pt" '
        f'viewBox="0 0 {width:.2f} {height:.2f}">{inside}</svg>'
    )
