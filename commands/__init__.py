"""One file per command; composes the rooms, owns no logic."""
