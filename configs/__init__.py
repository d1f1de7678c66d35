"""Hydra configuration groups, shipped as package data."""
