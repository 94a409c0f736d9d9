"""Many fields: the same plan over several processes."""
