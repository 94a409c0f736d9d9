"""The chart of directions is a drawing that stands alone, and shows what is known and nothing else."""

import math
import xml.etree.ElementTree as ElementTree

from farmgis.results.direction_chart import direction_chart

SVG = "{http://www.w3.org/2000/svg}"


def way(azimuth, pattern="straight", blocks=3, index=4000.0, uniformity=math.nan, chosen=False):
    return {
        "pattern": pattern,
        "azimuth_deg": azimuth,
        "blocks": blocks,
        "cost_index": index,
        "row_grade_over_pct": 12.0,
        "emission_uniformity_pct": uniformity,
        "chosen": chosen,
    }


def test_each_way_has_a_dot_for_each_thing_known():
    ways = [
        way(10.0, chosen=True, uniformity=92.0),
        way(80.0, index=5000.0),
        way(40.0, "contour", 0, math.nan),
    ]
    root = ElementTree.fromstring(direction_chart(ways, "Saddle <Ground>"))
    dots = root.findall(f"{SVG}circle")
    # the first in all four panels; the second without uniformity; the third, unsearched, by its grade alone
    assert len(dots) == 4 + 3 + 1
    assert sum("stroke" in d.attrib for d in dots) == 4
    assert root.find(f"{SVG}title").text == "Saddle <Ground>"
    width, height = (float(root.attrib[k]) for k in ("width", "height"))
    for dot in dots:
        assert 0.0 < float(dot.attrib["cx"]) < width
        assert 0.0 < float(dot.attrib["cy"]) < height


def test_a_dearer_way_stands_higher_and_a_greater_azimuth_farther_right():
    root = ElementTree.fromstring(direction_chart([way(10.0), way(80.0, index=5000.0)], "F"))
    first, second = root.findall(f"{SVG}circle")[:2]
    assert float(second.attrib["cy"]) < float(first.attrib["cy"])
    assert float(second.attrib["cx"]) > float(first.attrib["cx"])


def test_nothing_known_is_said():
    drawing = direction_chart([], "F")
    assert drawing.count("not computed") == 4
    assert "href" not in drawing


def test_what_was_judged_at_a_glance_makes_a_line_that_stops_where_nothing_is_known():
    ways = [way(float(a), index=4000.0 + 10.0 * a) | {"search": "rough"} for a in range(20)]
    ways[7] |= {"search": "none", "blocks": 0, "cost_index": math.nan}
    ways.append(way(5.0, chosen=True) | {"search": "laid"})
    root = ElementTree.fromstring(direction_chart(ways, "F"))
    index, blocks, steep = (p.attrib["d"] for p in root.findall(f"{SVG}path"))
    assert (index.count("M"), index.count("L")) == (2, 17)
    assert (blocks.count("M"), blocks.count("L")) == (2, 17)
    assert (steep.count("M"), steep.count("L")) == (1, 19)  # grades are known without a search
    assert len(root.findall(f"{SVG}circle")) == 3


def test_a_way_many_times_as_dear_as_the_best_does_not_flatten_the_rest():
    dear = [way(10.0, index=4000.0), way(20.0, index=4400.0), way(30.0, index=400000.0)]
    root = ElementTree.fromstring(direction_chart(dear, "F"))
    first, second, third = (float(d.attrib["cy"]) for d in root.findall(f"{SVG}circle")[:3])
    assert first > second > third
    assert first - second > 2.0
