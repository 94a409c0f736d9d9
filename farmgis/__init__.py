"""farmgis: drip irrigation planned from field boundaries and an elevation model."""

__version__ = "0.1.0"
