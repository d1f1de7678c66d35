"""The shared words: kinds, schema, grid, cutting, levels, ball names, the store."""
