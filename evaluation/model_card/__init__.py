"""A model folder's card for people: what was measured of the detector, written from the files that hold it."""
