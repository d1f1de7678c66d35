"""A scan nobody here has seen: read it, find its joints, cut, judge and report them."""
