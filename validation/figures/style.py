"""One size, one font, one stroke for every figure, and SVG that is the same bytes on every rerun."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence, Set
from contextlib import contextmanager
from io import StringIO
from textwrap import fill
from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    from matplotlib.artist import Artist
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure
    from matplotlib.text import Text

#: The text font of the dossier: it comes with matplotlib, so figures and text agree on every machine.
FONT = "STIXGeneral"

#: Okabe and Ito's palette (public; jfly.uni-koeln.de/color, from memory): distinct in grey and to the colour-blind.
INK, BLUE, ORANGE, GREEN, VERMILION, SKY, GREY = (
    "#1a1a1a", "#0072B2", "#E69F00", "#009E73", "#D55E00", "#56B4E9", "#7a7a7a",
)  # fmt: skip

WIDTH, HEIGHT = 6.3, 2.6  # inches
NARROW = 4.6  # inches, of one panel: two of these stand side by side on a page

_STYLE: dict[Any, Any] = {
    "font.family": FONT,
    "mathtext.fontset": "stix",
    "font.size": 10.0,
    "axes.titlesize": 11.0,
    "axes.titleweight": "bold",
    "axes.titlelocation": "left",
    "axes.labelsize": 10.0,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.linewidth": 0.7,
    "axes.edgecolor": INK,
    "axes.labelcolor": INK,
    "axes.unicode_minus": True,
    "xtick.color": INK,
    "ytick.color": INK,
    "xtick.labelsize": 9.0,
    "ytick.labelsize": 9.0,
    "lines.linewidth": 1.0,
    "lines.markersize": 4.0,
    "legend.frameon": False,
    "legend.fontsize": 9.0,
    "svg.fonttype": "none",
    "svg.hashsalt": "validation",
    "figure.constrained_layout.use": True,
    "figure.dpi": 100,
    "savefig.dpi": 220,  # of the points that are drawn as a picture
}

_NO_MARKER = (None, "", " ", "None", "none")
#: Of more points than this a figure holds a picture: a browser would wait for so many shapes.
MOST_SHAPES = 3000
_FEW = 100
_LETTERS = 11.0  # of a title on an inch of a panel
_LABEL_LETTERS = 13.0  # of the name of an axis


@contextmanager
def dossier_style() -> Iterator[None]:
    """Draw inside this: the dossier's font, sizes and strokes, whatever the user set; restored afterwards."""
    import matplotlib as mpl  # here and below: the records that figures draw are wanted without it

    with mpl.rc_context():
        mpl.rcdefaults()
        mpl.rcParams.update(_STYLE)
        yield


def new_figure(
    rows: int = 1,
    columns: int = 1,
    *,
    height: float = HEIGHT,
    wide: bool = False,
    sharex: bool = False,
    sharey: bool = False,
) -> tuple[Figure, list[Axes]]:
    """An empty figure in the dossier's size, narrow where panels stand in one column, unless `wide`.

    Not registered with pyplot: nothing to close, nothing to leak.
    """
    from matplotlib.figure import Figure

    figure = Figure(figsize=(WIDTH if wide or columns > 1 else NARROW, height), layout="constrained")
    axes = figure.subplots(rows, columns, squeeze=False, sharex=sharex, sharey=sharey)
    return figure, list(axes.flat)


def svg_text(figure: Figure) -> str:
    """The figure as SVG with text as text; no date, fixed identifiers."""
    _crowds_as_pictures(figure)
    _titles_in_lines(figure)
    _labels_in_lines(figure)
    buffer = StringIO()
    with dossier_style():
        figure.savefig(buffer, format="svg", metadata={"Date": None, "Creator": None})
    return re.sub(r"<metadata>.*?</metadata>", "", buffer.getvalue(), flags=re.DOTALL)


def _titles_in_lines(figure: Figure) -> None:
    """A title that is wider than its panel, or than the figure that it heads, goes on in a second line."""
    from matplotlib.text import Text

    for axes in figure.axes:
        place = axes.get_subplotspec()
        across = 1 if place is None else place.get_gridspec().ncols
        titles = {axes.get_title(side) for side in ("left", "center", "right")}
        _in_lines([text for text in axes.findobj(Text) if isinstance(text, Text)], titles, figure, across)
    _in_lines(figure.texts, {figure.get_suptitle()}, figure, 1)


def _labels_in_lines(figure: Figure) -> None:
    """The name of an axis that is longer than its panel goes on in a second line."""
    for axes in figure.axes:
        place = axes.get_subplotspec()
        down, across = (1, 1) if place is None else place.get_gridspec().get_geometry()
        for label, length in (
            (axes.xaxis.label, figure.get_figwidth() / across),
            (axes.yaxis.label, figure.get_figheight() / down),
        ):
            lines = label.get_text().replace(" %", "\N{NO-BREAK SPACE}%").split("\n")
            if "$" not in label.get_text():
                set_in_lines = "\n".join(fill(line, int(_LABEL_LETTERS * length)) for line in lines)
                label.set_text(set_in_lines.replace("\N{NO-BREAK SPACE}%", " %"))


def _in_lines(texts: Sequence[Text], titles: Set[str], figure: Figure, across: int) -> None:
    letters = int(_LETTERS * figure.get_figwidth() / across)
    for text in texts:
        words = " ".join(text.get_text().split()) if text.get_text() in titles else ""
        if len(words) > letters and "$" not in words:
            text.set_text(fill(words.replace(" %", "\N{NO-BREAK SPACE}%"), letters))


def _crowds_as_pictures(figure: Figure) -> None:
    """Every point stays where it is; only how it is stored changes."""
    marked = [line for axes in figure.axes for line in axes.lines if line.get_marker() not in _NO_MARKER]
    points: list[tuple[Artist, int]] = [(line, np.size(line.get_xdata())) for line in marked]
    points += [(dots, np.size(dots.get_offsets()) // 2) for axes in figure.axes for dots in axes.collections]
    if sum(count for _, count in points) > MOST_SHAPES:
        for artist, count in points:
            artist.set_rasterized(count > _FEW)


def alternative_text(figure: Figure) -> str:
    """What the figure says to a reader who does not see it: its titles, axes and direct labels."""
    titles = [axes.get_title(loc) for axes in figure.axes for loc in ("left", "center", "right")]
    titles.insert(0, figure.get_suptitle())
    message = "; ".join(dict.fromkeys(" ".join(title.split()) for title in titles if title.strip()))
    labels = [
        " ".join(f"{axes.get_ylabel()} against {axes.get_xlabel()}".split())
        for axes in figure.axes
        if axes.get_xlabel() and axes.get_ylabel()
    ]
    return ". ".join([text for text in (message, "; ".join(dict.fromkeys(labels))) if text])
