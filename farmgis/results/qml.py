"""Styles in QML, the language that GIS viewers read from `layer_styles`."""

from __future__ import annotations

import html
from collections.abc import Iterable
from xml.etree import ElementTree as Xml

from ..layers import Column, Layer
from .symbols import Entry, Label, Style, Symbol, rgba

GEOMETRY_TYPE = {"marker": "Point", "line": "Line", "fill": "Polygon"}  # as the expression language says
PLACEMENT = {"marker": "6", "line": "2", "fill": "1"}  # beside the point, along the line, on the area


def qml(layer: Layer, columns: Iterable[Column], style: Style) -> str:
    """The style as a QML document, with the columns' titles as aliases and their meaning as layer notes."""
    columns = tuple(columns)
    root = Xml.Element(
        "qgis",
        version="3.22.0",
        styleCategories="LayerConfiguration|Symbology|Labeling|Fields|Rendering|Notes",
        labelsEnabled="1" if style.label else "0",
        hasScaleBasedVisibilityFlag="1" if style.shown_from else "0",
        minScale=str(style.shown_from or 100_000_000),
        maxScale="0",
    )
    root.append(_renderer(style))
    if style.label:
        root.append(_labeling(style.label, PLACEMENT[style.entries[0].symbols[0].kind]))
    Xml.SubElement(root, "blendMode").text = "0"
    Xml.SubElement(root, "layerOpacity").text = str(style.opacity)
    aliases = Xml.SubElement(root, "aliases")
    for index, column in enumerate(columns, start=1):  # 0 is fid
        Xml.SubElement(aliases, "alias", field=column.name, index=str(index), name=column.title)
    Xml.SubElement(root, "userNotes", value=_notes(layer, columns))
    return "<!DOCTYPE qgis>\n" + Xml.tostring(root, encoding="unicode")


def _notes(layer: Layer, columns: Iterable[Column]) -> str:
    lines = "".join(f"<li><b>{c.name}</b>: {html.escape(c.description)} [{c.unit}]</li>" for c in columns)
    return f"<p>{html.escape(layer.description)}</p><ul>{lines}</ul>"


# ---- which symbol for which row -------------------------------------------------------------------


def _renderer(style: Style) -> Xml.Element:
    entries = style.entries
    if any(len(e.symbols) > 1 or e.lower is not None for e in entries):
        return _by_rules(style)
    if style.column is None:
        renderer = Xml.Element("renderer-v2", type="singleSymbol", enableorderby="0", forceraster="0")
    else:
        renderer = Xml.Element("renderer-v2", type="categorizedSymbol", attr=style.column, enableorderby="0")
        categories = Xml.SubElement(renderer, "categories")
        for index, entry in enumerate(entries):
            categories.append(_category(index, entry))
    symbols = Xml.SubElement(renderer, "symbols")
    symbols.extend(_symbol(str(index), entry.symbols[0]) for index, entry in enumerate(entries))
    return renderer


def _category(index: int, entry: Entry) -> Xml.Element:
    kind = {int: "integer", float: "double"}.get(type(entry.value), "string")
    value = "" if entry.value is None else str(entry.value)
    return Xml.Element(
        "category", symbol=str(index), value=value, type=kind, label=entry.label, render="true"
    )


def _by_rules(style: Style) -> Xml.Element:
    """A renderer of rules, which draws rows without a value too, and several kinds of geometry."""
    renderer = Xml.Element("renderer-v2", type="RuleRenderer", enableorderby="0", forceraster="0")
    rules, symbols = Xml.SubElement(renderer, "rules", key="{all}"), Xml.Element("symbols")
    mixed = any(len(entry.symbols) > 1 for entry in style.entries)
    for entry in style.entries:
        for symbol in entry.symbols:
            name = str(len(symbols))
            shape = f"geometry_type($geometry) = '{GEOMETRY_TYPE[symbol.kind]}'" if mixed else ""
            test = _test(style, entry)
            test = f"({test}) AND {shape}" if mixed else test
            Xml.SubElement(rules, "rule", key=f"{{{name}}}", symbol=name, label=entry.label, filter=test)
            symbols.append(_symbol(name, symbol))
    renderer.append(symbols)
    return renderer


def _test(style: Style, entry: Entry) -> str:
    if entry.value is not None:
        quoted = str(entry.value).replace("'", "''")
        return f"\"{style.column}\" = '{quoted}'"
    if entry.lower is not None:
        return f'"{style.column}" >= {entry.lower:.10g} AND "{style.column}" < {entry.upper:.10g}'
    values = ", ".join(f"'{e.value}'" for e in style.entries if e.value is not None)
    return f"coalesce(\"{style.column}\", '') NOT IN ({values})" if values else "ELSE"


# ---- symbols --------------------------------------------------------------------------------------


def _symbol(name: str, symbol: Symbol) -> Xml.Element:
    element = Xml.Element("symbol", type=symbol.kind, name=name, alpha="1", clip_to_extent="1", force_rhr="0")
    if symbol.kind == "marker":
        element.append(_marker(symbol))
    elif symbol.kind == "line":
        if symbol.casing_mm:
            element.append(_line("#ffffff", symbol.width_mm + 2.0 * symbol.casing_mm, symbol, dashed=False))
        element.append(_line(symbol.colour, symbol.width_mm, symbol))
    elif symbol.hatch_mm:
        element.append(_hatch(name, symbol))
        element.append(_line(symbol.outline, symbol.width_mm, symbol))
    else:
        element.append(_fill(symbol))
    return element


def _layer(kind: str, options: dict[str, str]) -> Xml.Element:
    element = Xml.Element("layer", {"class": kind, "enabled": "1", "locked": "0", "pass": "0"})
    group = Xml.SubElement(element, "Option", type="Map")
    for key in sorted(options):
        Xml.SubElement(group, "Option", name=key, type="QString", value=options[key])
    return element


def _fill(symbol: Symbol) -> Xml.Element:
    if symbol.dash_mm or not symbol.opacity:  # an outline of its own can be dashed
        return _line(symbol.outline, symbol.width_mm, symbol)
    return _layer(
        "SimpleFill",
        {
            "color": rgba(symbol.colour, symbol.opacity),
            "style": "solid",
            "outline_color": rgba(symbol.outline),
            "outline_style": "solid",
            "outline_width": str(symbol.width_mm),
            "outline_width_unit": "MM",
            "joinstyle": "round",
        },
    )


def _hatch(name: str, symbol: Symbol) -> Xml.Element:
    options = {
        "angle": str(symbol.hatch_angle_deg),
        "distance": str(symbol.hatch_mm),
        "distance_unit": "MM",
        "color": rgba(symbol.colour, symbol.opacity),
        "line_width": "0.2",
        "line_width_unit": "MM",
    }
    element = _layer("LinePatternFill", options)
    thin = Symbol("line", symbol.colour, opacity=symbol.opacity)
    lines = Xml.SubElement(element, "symbol", type="line", name=f"@{name}@0", alpha="1")
    lines.append(_line(symbol.colour, 0.2, thin))
    return element


def _line(colour: str, width_mm: float, symbol: Symbol, dashed: bool = True) -> Xml.Element:
    opacity = symbol.opacity if symbol.kind == "line" else 1.0
    options = {
        "line_color": rgba(colour, opacity),
        "line_width": str(round(width_mm, 3)),
        "line_width_unit": "MM",
        "line_style": "solid",
        "capstyle": "round",
        "joinstyle": "round",
    }
    if symbol.inside:
        options |= {"offset": str(width_mm / 2.0), "offset_unit": "MM"}
    if symbol.ground_m:
        options |= {
            "line_width": str(symbol.ground_m),
            "line_width_unit": "MapUnit",
            "line_width_map_unit_scale": f"3x:0,0,1,0.03,1,{width_mm}",
        }
    if symbol.dash_mm and dashed:
        dash = ";".join(map(str, symbol.dash_mm))
        options |= {"use_custom_dash": "1", "customdash": dash, "customdash_unit": "MM", "capstyle": "flat"}
    return _layer("SimpleLine", options)


def _marker(symbol: Symbol) -> Xml.Element:
    return _layer(
        "SimpleMarker",
        {
            "name": symbol.shape,
            "color": rgba(symbol.colour, symbol.opacity),
            "outline_color": rgba(symbol.outline),
            "outline_width": str(symbol.width_mm),
            "outline_width_unit": "MM",
            "size": str(symbol.size_mm),
            "size_unit": "MM",
            "angle": str(symbol.angle_deg),
        },
    )


# ---- labels ---------------------------------------------------------------------------------------


def _labeling(label: Label, placement: str) -> Xml.Element:
    """Labels of plain text: what stands in an attribute is never read as markup or as an expression."""
    labeling = Xml.Element("labeling", type="simple")
    settings = Xml.SubElement(labeling, "settings", calloutType="simple")
    text = Xml.SubElement(
        settings,
        "text-style",
        fieldName=label.expression,
        isExpression="1",
        allowHtml="0",
        fontFamily="Open Sans",
        fontSize=str(label.size_pt),
        fontSizeUnit="Point",
        fontWeight="75" if label.bold else "50",
        textColor=rgba(label.colour),
        textOpacity="1",
        multilineHeight="1",
    )
    Xml.SubElement(
        text,
        "text-buffer",
        bufferDraw="1",
        bufferSize="0.7",
        bufferSizeUnits="MM",
        bufferColor="255,255,255,255",
        bufferOpacity="0.85",
        bufferNoFill="1",
        bufferJoinStyle="128",
    )
    Xml.SubElement(settings, "text-format", multilineAlign="1")
    Xml.SubElement(
        settings,
        "placement",
        placement=placement,
        placementFlags="10",
        centroidInside="1",
        priority=str(label.rank),
        quadOffset="4",
        dist="1",
        distUnits="MM",
        predefinedPositionOrder="TR,TL,BR,BL,R,L,TSR,BSR",
    )
    Xml.SubElement(
        settings, "rendering", scaleVisibility="1", scaleMin="1", scaleMax=str(label.shown_from), obstacle="0"
    )
    return labeling
