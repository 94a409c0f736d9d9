"""Many farms: the same plan over many processes."""
