"""The price table: read as a spreadsheet saves it, refused with each line that cannot be used."""

import pytest

from farmgis.errors import InputError
from farmgis.geodata.price_file import priced_pipes, read_prices
from farmgis.prices import Price, Prices
from farmgis.records import Pipe


@pytest.fixture
def read(tmp_path):
    def reader(text, encoding="utf-8"):
        path = tmp_path / "prices.csv"
        path.write_bytes(text.encode(encoding))
        return read_prices(path)

    return reader


def test_rows_of_a_table(read):
    text = 'item,size,unit,unit_price,supplier\ndripline,"22 mm, 1.0 l/h",m,0.09,A\n\nvalve,,pieces,80,\n'
    assert read(text) == (Price("dripline", "22 mm, 1.0 l/h", "m", 0.09), Price("valve", "", "pieces", 80.0))


def test_semicolons_and_a_byte_order_mark(read):
    assert read("Item;Size;Unit;Unit_Price\nvalve;80 mm;pieces;80.5\n", "utf-8-sig") == (
        Price("valve", "80 mm", "pieces", 80.5),
    )


def test_a_decimal_comma_is_read_where_semicolons_part_the_columns(read):
    # as a spreadsheet saves a table in most of Europe
    (price,) = read("item;size;unit;unit_price\ndripline;;m;0,09\n")
    assert price.unit_price == 0.09


def test_a_comma_that_may_part_thousands_is_refused(read):
    with pytest.raises(InputError, match=r"'1,234' may be 1\.234 or 1234; write it as 1234\.5"):
        read("item;size;unit;unit_price\npump;;pieces;1,234\n")
    with pytest.raises(InputError, match=r"'1\.234,50' is no number"):
        read("item;size;unit;unit_price\npump;;pieces;1.234,50\n")


def test_all_wrong_lines_are_told_together(read):
    text = 'item,size,unit,unit_price\nvalve,,pieces,"8,5"\n,,m,1\nvalve,,pieces,-1\npipe,,m,nan\n'
    with pytest.raises(InputError) as told:
        read(text)
    for part in (
        "line 2",
        "'8,5' is no number",
        "line 3: item is empty",
        "line 4",
        "in line 2 already",
        "line 5",
    ):
        assert part in str(told.value)


def test_a_size_that_differs_by_blanks_alone_is_doubled(read):
    with pytest.raises(InputError, match="line 3: 'valve' of size '80mm' stands in line 2 already"):
        read("item,size,unit,unit_price\nvalve,80 mm,pieces,8\nvalve,80mm,pieces,9\n")


def test_missing_column_is_named(read):
    with pytest.raises(InputError, match="no column unit_price"):
        read("item,size,unit,price\n")


def test_pipe_takes_the_tables_price():
    pipes = (Pipe("PVC-U", 90.0, 86.0, 6.0, 1.2, 0.01), Pipe("PVC-U", 110.0, 105.0, 6.0, 1.8, 0.01))
    prices = Prices(items=(Price("main pipe", "pvc-u, 110 mm, 6 bar", "m", 5.5),))
    assert [p.price_m for p in priced_pipes(pipes, prices)] == [None, 5.5]
