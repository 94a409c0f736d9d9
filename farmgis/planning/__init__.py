"""Decisions, in the order of the job: survey, rows, blocks, demand, shifts."""
