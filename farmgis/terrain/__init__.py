"""The ground: a smooth surface, its slope and its contour direction."""
