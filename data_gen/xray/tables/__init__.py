"""Stored physics tables and small reference results."""
