"""In: the farm file, fields, elevation windows, weather. Files become records here, and only here."""

from farmgis.geodata.gate import guard_environment

# geodata libraries read these variables once, when they are loaded: so it has to come first
guard_environment()
