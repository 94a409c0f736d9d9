import datetime
import tomllib

from hypothesis import given, settings
from hypothesis import strategies as st

from farmgis.geodata.toml_lines import key_lines, line_of

AWKWARD = '''\
# a = 1
name = "a # b = 2"  # a comment with [brackets]
text = """
[not.a.table]
no_key = 1 \\""" still in ""\"""
path = \'\'\'
b = "x'
\'\'\'
dotted.key . "with space" = 3
list = [ 1, # one
  [2, "x,]"],
  { a = 1, b = { c = "}" } },
]
when = 2027-04-01 10:00:00
tolerance = { head_variation_pct = 20 }

[fields]
file = 'C:\\new'
"odd \\u00e9" = 1
[design.crops.hazelnut]
row_spacing_m = 5.0
[[dripline]]
name = "one"
[[dripline]]
name = "two"
[dripline.more]
x = 1
[[dripline.parts]]
y = 1
[[dripline.parts]]
y = 2
'''


def test_lines_of_an_awkward_file_counted_by_hand():
    tomllib.loads(AWKWARD)
    lines = key_lines(AWKWARD)
    expected = {
        ("name",): 2,
        ("text",): 3,
        ("path",): 6,
        ("dotted", "key", "with space"): 9,
        ("list",): 10,
        ("list", 0): 10,
        ("list", 1): 11,
        ("list", 2, "b", "c"): 12,
        ("when",): 14,
        ("tolerance", "head_variation_pct"): 15,
        ("fields",): 17,
        ("fields", "odd é"): 19,
        ("design", "crops", "hazelnut", "row_spacing_m"): 21,
        ("dripline", 0, "name"): 23,
        ("dripline", 1, "name"): 25,
        ("dripline", 1, "more", "x"): 27,
        ("dripline", 1, "parts", 0, "y"): 29,
        ("dripline", 1, "parts", 1, "y"): 31,
    }
    assert {path: lines.get(path) for path in expected} == expected


def test_a_missing_key_has_the_line_of_its_table():
    lines = key_lines("a = 1\n[fields]\nid = 2\n[[source]]\n[[source]]\nname = 'x'\n")
    assert line_of(lines, ("fields", "file")) == 2
    assert line_of(lines, ("source", 1, "flow_m3h")) == 5
    assert line_of(lines, ("elevation", "file")) is None


def paths(value, path=()):
    found = {path} if path else set()
    for key, item in (
        value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    ):
        found |= paths(item, (*path, key))
    return found


def written(value):
    if isinstance(value, dict):
        return "{" + ", ".join(f"{written(k)} = {written(v)}" for k, v in value.items()) + "}"
    if isinstance(value, list):
        return "[" + ",\n ".join(written(v) for v in value) + "\n]"
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, str):
        signs = {'"': '\\"', "\\": "\\\\"}
        return '"' + "".join(signs.get(c, c if c.isprintable() else f"\\U{ord(c):08x}") for c in value) + '"'
    return str(value)


awkward = st.sampled_from("\"\\#]}'=.,")
names = st.text(st.characters(exclude_categories=["Cs"]) | awkward, max_size=6)
leaves = st.integers(-99, 99) | names | st.booleans() | st.dates(min_value=datetime.date(1900, 1, 1))
values = st.recursive(
    leaves, lambda v: st.lists(v, max_size=3) | st.dictionaries(names, v, max_size=3), max_leaves=8
)


@settings(max_examples=150, deadline=None)
@given(st.dictionaries(names, values, max_size=4))
def test_every_key_that_the_parser_finds_has_a_line(document):
    text = "".join(f"# note\n{written(k)} = {written(v)}\n" for k, v in document.items())
    assert set(key_lines(text)) == paths(tomllib.loads(text))
