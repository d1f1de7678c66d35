"""Read a scan of any format: an array of voxels, read at once or box by box, and where they lie."""
