"""Styles in SLD 1.1 (OGC 05-078r4 with Symbology Encoding 1.1, OGC 05-077r4), for viewers without QML."""

from __future__ import annotations

from xml.etree import ElementTree as Xml

from ..layers import Layer
from .symbols import Entry, Label, Style, Symbol

SLD = "http://www.opengis.net/sld"
SE = "http://www.opengis.net/se"
OGC = "http://www.opengis.net/ogc"
PIXEL_MM = 0.28  # the standard's pixel
HAIRLINE_MM = 0.1
HATCH_OPACITY = 0.25  # hatches are not portable: a thin tint stands for them

WELL_KNOWN = {
    "circle": "circle", "octagon": "circle", "square": "square", "triangle": "triangle", "star": "star",
    "equilateral_triangle": "triangle", "cross2": "x",
}  # fmt: skip

for _prefix, _space in (("sld", SLD), ("se", SE), ("ogc", OGC)):
    Xml.register_namespace(_prefix, _space)


def sld(layer: Layer, style: Style) -> str:
    """The style as an SLD document: a rule for each entry, then the label."""
    root = Xml.Element(f"{{{SLD}}}StyledLayerDescriptor", version="1.1.0")
    named = Xml.SubElement(root, f"{{{SLD}}}NamedLayer")
    _se(named, "Name", layer.name)
    user = Xml.SubElement(named, f"{{{SLD}}}UserStyle")
    _se(user, "Name", layer.title)
    rules = _se(user, "FeatureTypeStyle")
    for entry in style.entries:
        rule = _rule(rules, style, entry, style.shown_from)
        # a rule cannot tell kinds of geometry apart: where there are several, the marker stands for all
        _symbolizer(rule, entry.symbols[0], style.opacity)
    if style.label:
        _text(_rule(rules, style, None, style.label.shown_from), style.label)
    return '<?xml version="1.0" encoding="UTF-8"?>\n' + Xml.tostring(root, encoding="unicode")


def _se(parent: Xml.Element, tag: str, text: str | None = None, **attributes: str) -> Xml.Element:
    element = Xml.SubElement(parent, f"{{{SE}}}{tag}", attributes)
    element.text = text
    return element


def _rule(parent: Xml.Element, style: Style, entry: Entry | None, shown_from: int | None) -> Xml.Element:
    rule = _se(parent, "Rule")
    _se(rule, "Name", entry.label if entry else "label")
    if entry and style.column and len(style.entries) > 1:
        _filter(rule, style, entry)
    if shown_from:
        _se(rule, "MaxScaleDenominator", str(shown_from))
    return rule


def _filter(rule: Xml.Element, style: Style, entry: Entry) -> None:
    """The rows of an entry. The rest is spelled out: not every reader knows ElseFilter."""
    parent = Xml.SubElement(rule, f"{{{OGC}}}Filter")
    if not entry.rest:
        _rows_of(parent, style.column or "", entry)
        return
    either = Xml.SubElement(parent, f"{{{OGC}}}Or")
    _compare(either, "PropertyIsNull", style.column or "")
    others = [other for other in style.entries if not other.rest]
    negated = Xml.SubElement(either, f"{{{OGC}}}Not")
    if len(others) > 1:
        negated = Xml.SubElement(negated, f"{{{OGC}}}Or")
    for other in others:
        _rows_of(negated, style.column or "", other)


def _rows_of(parent: Xml.Element, column: str, entry: Entry) -> None:
    if entry.value is not None:
        _compare(parent, "PropertyIsEqualTo", column, str(entry.value))
        return
    between = Xml.SubElement(parent, f"{{{OGC}}}And")
    _compare(between, "PropertyIsGreaterThanOrEqualTo", column, f"{entry.lower:.10g}")
    _compare(between, "PropertyIsLessThan", column, f"{entry.upper:.10g}")


def _compare(parent: Xml.Element, name: str, column: str, value: str | None = None) -> None:
    test = Xml.SubElement(parent, f"{{{OGC}}}{name}")
    Xml.SubElement(test, f"{{{OGC}}}PropertyName").text = column
    if value is not None:
        Xml.SubElement(test, f"{{{OGC}}}Literal").text = value


# ---- symbols --------------------------------------------------------------------------------------


def _pixels(millimetres: float) -> str:
    return f"{millimetres / PIXEL_MM:.2f}"


def _paint(parent: Xml.Element, name: str, **parameters: str) -> None:
    element = _se(parent, name)
    for key, value in parameters.items():
        _se(element, "SvgParameter", value, name=key.replace("_", "-"))


def _symbolizer(rule: Xml.Element, symbol: Symbol, opacity: float) -> None:
    if symbol.kind == "marker":
        _point(rule, symbol)
    elif symbol.kind == "line":
        if symbol.casing_mm:
            wide = _pixels(symbol.width_mm + 2.0 * symbol.casing_mm)
            _paint(_se(rule, "LineSymbolizer"), "Stroke", stroke="#ffffff", stroke_width=wide)
        dash = {"stroke_dasharray": " ".join(map(_pixels, symbol.dash_mm))} if symbol.dash_mm else {}
        # a width on the ground is not portable: a hairline, half clear, keeps a dense layer a tint
        dense = symbol.ground_m is not None
        width = _pixels(HAIRLINE_MM if dense else symbol.width_mm)
        clear = f"{symbol.opacity * opacity * (0.5 if dense else 1.0):.2f}"
        line = _se(rule, "LineSymbolizer")
        _paint(line, "Stroke", stroke=symbol.colour, stroke_opacity=clear, stroke_width=width, **dash)
    else:
        area = _se(rule, "PolygonSymbolizer")
        tint = (HATCH_OPACITY if symbol.hatch_mm else symbol.opacity) * opacity
        if tint:
            _paint(area, "Fill", fill=symbol.colour, fill_opacity=f"{tint:.2f}")
        _paint(area, "Stroke", stroke=symbol.outline, stroke_width=_pixels(symbol.width_mm))


def _point(rule: Xml.Element, symbol: Symbol) -> None:
    graphic = _se(_se(rule, "PointSymbolizer"), "Graphic")
    mark = _se(graphic, "Mark")
    _se(mark, "WellKnownName", WELL_KNOWN.get(symbol.shape, "square"))
    _paint(mark, "Fill", fill=symbol.colour)
    _paint(mark, "Stroke", stroke=symbol.outline, stroke_width=_pixels(symbol.width_mm))
    _se(graphic, "Size", _pixels(symbol.size_mm))
    angle = symbol.angle_deg + (45.0 if symbol.shape == "diamond" else 0.0)
    if angle:
        _se(graphic, "Rotation", f"{angle:g}")


def _text(rule: Xml.Element, label: Label) -> None:
    text = _se(rule, "TextSymbolizer")
    Xml.SubElement(_se(text, "Label"), f"{{{OGC}}}PropertyName").text = label.column
    _paint(text, "Font", font_size=f"{label.size_pt:g}")
    halo = _se(text, "Halo")
    _se(halo, "Radius", "2")
    _paint(halo, "Fill", fill="#ffffff", fill_opacity="0.85")
    _paint(text, "Fill", fill=label.colour)
