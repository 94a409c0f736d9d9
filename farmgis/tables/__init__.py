"""Published values, one CSV a table, each row with its source, and their reader."""

from farmgis.tables.reader import (
    clogging_limits,
    crop,
    crop_names,
    default_driplines,
    fertiliser,
    fertilisers,
    field_grades,
    nutrient_uptake,
    pipe_material,
    pipes,
    soil,
    soil_names,
)

__all__ = [
    "clogging_limits",
    "crop",
    "crop_names",
    "default_driplines",
    "fertiliser",
    "fertilisers",
    "field_grades",
    "nutrient_uptake",
    "pipe_material",
    "pipes",
    "soil",
    "soil_names",
]
