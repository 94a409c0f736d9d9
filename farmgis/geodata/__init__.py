"""In: the farm file, fields, elevation windows, weather. Files become records here, and only here."""
