"""Out: the layers of a plan, their styles, and how a whole file is published."""
