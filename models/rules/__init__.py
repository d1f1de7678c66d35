"""The rule detector: what a careful engineer would script, one idea per file."""
