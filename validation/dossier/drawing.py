"""Figures as SVG that is safe to set inside a page: known elements only, no script, no address, no clashing names."""

from __future__ import annotations

import re
from xml.etree import ElementTree

from markupsafe import escape

_ELEMENTS = frozenset({
    "svg", "g", "path", "defs", "use", "clipPath", "rect", "circle", "ellipse", "line", "polyline", "polygon",
    "text", "tspan", "image", "linearGradient", "radialGradient", "stop", "pattern", "marker", "mask", "symbol",
})  # fmt: skip
_ATTRIBUTES = frozenset({
    "id", "class", "d", "x", "y", "dx", "dy", "x1", "y1", "x2", "y2", "cx", "cy", "r", "rx", "ry", "width",
    "height", "points", "transform", "style", "viewBox", "href", "offset", "clip-path", "clipPathUnits", "fill",
    "fill-opacity", "fill-rule", "stroke", "stroke-width", "stroke-opacity", "stroke-dasharray",
    "stroke-linecap", "stroke-linejoin", "opacity", "font-family", "font-size", "font-style", "font-weight",
    "text-anchor", "preserveAspectRatio", "patternUnits", "patternTransform", "gradientUnits", "gradientTransform",
    "spreadMethod", "stop-color", "markerWidth", "markerHeight", "refX", "refY", "orient", "mask",
    "marker-start", "marker-mid", "marker-end",
})  # fmt: skip
_REFERENCE = re.compile(r"url\(\s*['\"]?#([^)'\"\s]+)['\"]?\s*\)")
_PICTURE = re.compile(r"data:image/png;base64,[A-Za-z0-9+/=\s]*\Z")
_NAMESPACE = "http://www.w3.org/2000/svg"


def inline_svg(svg: str, prefix: str, *, alt: str = "") -> str:
    """An SVG document as an element of an HTML page.

    Parameters
    ----------
    svg : the SVG document
    prefix : goes before every name inside, so that several figures on one page do not share definitions
    alt : what the picture says, in words; empty for one that only repeats the words next to it

    Raises
    ------ValueError
        `svg` is not well-formed or its root is another element.
    """
    root = _parsed(svg)
    role = {"role": "img", "aria-label": alt} if alt else {"aria-hidden": "true"}
    return _written(root, _referenced(root), prefix, _frame(root) | role)


def standalone_svg(svg: str, prefix: str = "d") -> str:
    """The same cleaned drawing as a document of its own, for the PDF."""
    root = _parsed(svg)
    size = {name: root.attrib[name] for name in ("width", "height") if name in root.attrib}
    return _written(root, _referenced(root), prefix, {"xmlns": _NAMESPACE} | _frame(root) | size)


def natural_width(svg: str) -> float:
    """Width of the drawing's view box, in points; 0 where it has none."""
    box = re.search(r"viewBox\s*=\s*['\"]\s*[-\d.e]+[\s,]+[-\d.e]+[\s,]+([\d.e+]+)", svg)
    return float(box[1]) if box else 0.0


def _parsed(svg: str) -> ElementTree.Element:
    if "<!ENTITY" in svg:
        raise ValueError("the drawing declares entities; draw it again")
    try:
        root = ElementTree.fromstring(svg)
    except ElementTree.ParseError as error:
        raise ValueError(f"the drawing is not well-formed SVG ({error}); draw it again") from error
    if _local(root.tag) != "svg":
        raise ValueError(f"the drawing's root element is {_local(root.tag)!r}, not 'svg'; draw it again")
    return root


def _local(name: str) -> str:
    return name.rpartition("}")[2]


def _frame(root: ElementTree.Element) -> dict[str, str]:
    # matplotlib sets the joins with a style rule on every element; on a page it would leak, so the root carries it.
    return {"viewBox": root.attrib.get("viewBox", "0 0 1 1"), "stroke-linejoin": "round", "stroke-linecap": "butt"}


def _referenced(root: ElementTree.Element) -> frozenset[str]:
    """The names that something in the drawing refers to; all others are dropped."""
    names: set[str] = set()
    for element in root.iter():
        for key, value in element.attrib.items():
            if _local(key) == "href" and value.startswith("#"):
                names.add(value[1:])
            else:
                names.update(_REFERENCE.findall(value))
    return frozenset(names)


def _attributes(element: ElementTree.Element, used: frozenset[str], prefix: str) -> dict[str, str]:
    kept: dict[str, str] = {}
    for key, value in element.attrib.items():
        name = _local(key)
        if name not in _ATTRIBUTES or (name == "id" and value not in used):
            continue
        if name == "id":
            value = f"{prefix}-{value}"
        elif name == "href":
            if value.startswith("#"):
                value = f"#{prefix}-{value[1:]}"
            elif not _PICTURE.match(value):
                continue
        else:
            value = _REFERENCE.sub(lambda match: f"url(#{prefix}-{match[1]})", value)
            if re.search(r"url\((?!#)|@|\\", value):
                continue
        kept[name] = value
    return kept


def _written(element: ElementTree.Element, used: frozenset[str], prefix: str, attributes: dict[str, str]) -> str:
    name = _local(element.tag)
    is_text = name in ("text", "tspan")
    inside = str(escape(element.text)) if is_text and element.text else ""
    for child in element:
        if isinstance(child.tag, str) and _local(child.tag) in _ELEMENTS - {"svg"}:
            inside += _written(child, used, prefix, _attributes(child, used, prefix))
        if is_text and child.tail:
            inside += str(escape(child.tail))
    listed = "".join(f' {key}="{escape(" ".join(value.split()))}"' for key, value in attributes.items())
    return f"<{name}{listed}>{inside}</{name}>" if inside else f"<{name}{listed}/>"
