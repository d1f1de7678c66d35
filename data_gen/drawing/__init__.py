"""From settings to a record: everything random about one scan."""
