"""The synthetic generator: records, solids, X-ray physics, reconstruction, truth."""
