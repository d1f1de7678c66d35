"""The report of a scored scan: map, table, pictures of joints, words."""
