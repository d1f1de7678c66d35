"""Judging detectors: measures, intervals, comparison, pictures."""
