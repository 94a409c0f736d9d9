"""`--today`: the rest of the season from a day, or a clear word why not."""

from datetime import date
from pathlib import Path

import pytest
from click.testing import CliRunner

from farmgis.cli import main
from farmgis.errors import FarmFileError
from farmgis.geodata.farm_file import read_farm

SAMPLE = Path(__file__).parents[2] / "sample_geodata"


@pytest.mark.parametrize("text", ["01/07/2026", "2026-13-01", "tomorrow", ""])
def test_what_is_no_date_is_told_with_what_would_do(text, tmp_path):
    done = CliRunner().invoke(main, ["plan", "farm.toml", "--today", text, "-o", str(tmp_path / "out")])
    assert done.exit_code == 2
    assert f"found {text!r}; a date such as 2026-07-01 would do" in " ".join(done.output.split())


def farm_with(tmp_path, weather=True, today=""):
    """The sample farm with its files named in full, another [season], with weather or not."""
    text = (SAMPLE / "farm.toml").read_text()
    for name in ("fields.gpkg", "elevation.tif", "weather.csv"):
        text = text.replace(f'"{name}"', f'"{SAMPLE / name}"')
    if not weather:
        begin, end = text.index("[weather]"), text.index("# When the corn")
        text = text[:begin] + text[end:]
    file = tmp_path / "farm.toml"
    file.write_text(text.replace("sowing = 2013-04-25", f"sowing = 2013-04-25\n{today}"))
    return file


def test_the_day_goes_before_that_of_the_file(tmp_path):
    file = farm_with(tmp_path, today="today = 2012-05-01")
    assert read_farm(file).season.today == date(2012, 5, 1)
    farm = read_farm(file, today=date(2012, 7, 1))
    assert farm.season.today == date(2012, 7, 1)
    assert farm.season.sowing == date(2013, 4, 25)
    told = {a.key: a.value for a in farm.assumptions}
    assert told["season.today"] == "2012-07-01"


def test_without_daily_weather_there_is_nothing_to_plan_from(tmp_path):
    file = farm_with(tmp_path, weather=False)
    with pytest.raises(FarmFileError, match=r"season.today: found 2012-07-01 and no weather; .*\[weather\]"):
        read_farm(file, today=date(2012, 7, 1))
    assert read_farm(file).season.today is None


def test_this_years_weather_is_one_of_days(tmp_path):
    file = farm_with(tmp_path)
    (tmp_path / "months.csv").write_text("month,et0_mm\n" + "".join(f"{m},4\n" for m in range(1, 13)))
    text = file.read_text()
    file.write_text(text.replace("altitude_m = 120.0", 'altitude_m = 120.0\nthis_year_file = "months.csv"'))
    with pytest.raises(FarmFileError, match=r"weather.this_year_file: found months; a row a day"):
        read_farm(file)
